package intake

import (
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/calibration"
	"dewline/internal/core/instant"
	"dewline/internal/core/quality"
	"dewline/internal/core/quantity"
	"dewline/sensors"
)

var (
	start  = time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)
	tub    = quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}
	loft   = quantity.Point{Place: "loft", Quantity: quantity.AirTemperature}
	loftRH = quantity.Point{Place: "loft", Quantity: quantity.RelativeHumidity}

	probe = sensors.Description{Measures: []sensors.Measure{
		{Channel: sensors.Temperature, Low: -55, High: 125, Resolution: 0.0625, Accuracy: 0.5}}}
	sht = sensors.Description{Measures: []sensors.Measure{
		{Channel: sensors.Temperature, Low: -40, High: 125, Resolution: 0.003, Accuracy: 0.2},
		{Channel: sensors.Humidity, Low: -6, High: 119, Resolution: 0.002, Accuracy: 1.8}}}
)

// sample makes a good sample so many seconds after the start.
func sample(sensor string, second float64, values ...sensors.Value) Sample {
	for i := range values {
		values[i].Raw = math.Float64bits(values[i].Value + second)
	}
	return Sample{Sensor: sensor, At: start.Add(time.Duration(second * 1e9)), Reading: sensors.Measurement{Values: values}}
}

func celsius(v float64) sensors.Value { return sensors.Value{Channel: sensors.Temperature, Value: v} }
func percent(v float64) sensors.Value { return sensors.Value{Channel: sensors.Humidity, Value: v} }

func second(s float64) instant.Instant { return instant.Of(start.Add(time.Duration(s * 1e9))) }

func take(t *testing.T, l *Line, s Sample) Outcome {
	t.Helper()
	outcome, err := l.Take(s)
	require.NoError(t, err)
	return outcome
}

// one returns the only reading of an outcome.
func one(t *testing.T, o Outcome) Reading {
	t.Helper()
	require.Len(t, o.Readings, 1)
	return o.Readings[0]
}

func newLine(t *testing.T, disagree map[quantity.Point]float64, sources ...Source) *Line {
	t.Helper()
	l, err := NewLine(sources, disagree)
	require.NoError(t, err)
	return l
}

func TestASampleBecomesReadingsOfItsPoints(t *testing.T) {
	l := newLine(t, nil, Source{ID: "loft-air", Description: sht, Feeds: []Feed{
		{Channel: sensors.Temperature, Point: loft, Calibration: &quality.Calibration{Gain: 1, Offset: -0.5, Uncertainty: 0.1}},
		{Channel: sensors.Humidity, Point: loftRH},
	}})
	outcome := take(t, l, sample("loft-air", 0, celsius(24), percent(80)))
	assert.Equal(t, []Reading{
		{loft, second(0), 23.5, quantity.NotEvaluated},
		{loftRH, second(0), 80, quantity.NotEvaluated},
	}, outcome.Readings)
	assert.Empty(t, outcome.Amendments)
	assert.Equal(t, Report{At: second(0)}, outcome.Worst())

	take(t, l, sample("loft-air", 10, celsius(24), percent(80)))
	outcome = take(t, l, sample("loft-air", 20, celsius(24.1), percent(80.1)))
	assert.Equal(t, []Amendment{{loft, second(10), quantity.Pass}, {loftRH, second(10), quantity.Pass}}, outcome.Amendments)
}

func TestNothingObtainedIsAMissingReadingAndAFailure(t *testing.T) {
	l := newLine(t, nil, Source{ID: "loft-air", Description: sht, Feeds: []Feed{
		{Channel: sensors.Temperature, Point: loft}, {Channel: sensors.Humidity, Point: loftRH}}})
	outcome := take(t, l, Sample{Sensor: "loft-air", At: start, Err: sensors.Errorf(sensors.Absent, "reading 0x44")})
	require.Len(t, outcome.Readings, 2)
	for _, r := range outcome.Readings {
		assert.True(t, math.IsNaN(r.Value))
		assert.Equal(t, quantity.Missing, r.Flag)
		assert.Equal(t, second(0), r.At)
	}
	assert.Equal(t, []Report{{At: second(0), Failure: "reading 0x44: absent", Kind: sensors.Absent}}, outcome.Reports, "nothing is said of the channels")

	outcome = take(t, l, sample("loft-air", 10, celsius(24)))
	assert.Equal(t, quantity.NotEvaluated, outcome.Readings[0].Flag)
	assert.Equal(t, quantity.Missing, outcome.Readings[1].Flag)
	assert.Equal(t, "it gave no humidity", outcome.Worst().Failure)

	outcome = take(t, l, sample("loft-air", 20, celsius(math.NaN()), percent(math.Inf(1))))
	assert.True(t, math.IsNaN(outcome.Readings[1].Value))
	assert.Equal(t, quantity.Missing, outcome.Readings[1].Flag)
}

func TestAValueKnownToBeWrongFails(t *testing.T) {
	l := newLine(t, nil, Source{ID: "probe", Description: probe, Feeds: []Feed{{Channel: sensors.Temperature, Point: tub}}})
	wrong := sample("probe", 0, celsius(85))
	wrong.Err = sensors.Errorf(sensors.Implausible, "power-on value")
	outcome := take(t, l, wrong)
	assert.Equal(t, Reading{Point: tub, At: second(0), Value: 85, Flag: quantity.Fail}, one(t, outcome))
	assert.Equal(t, sensors.Implausible, outcome.Worst().Kind)
	assert.Equal(t, "power-on value: implausible", outcome.Worst().Failure)

	outcome = take(t, l, sample("probe", 10, celsius(127.9375)))
	assert.Equal(t, quantity.Fail, one(t, outcome).Flag)
	assert.Equal(t, "temperature 127.938 °C: outside the range of the sensor", outcome.Worst().Failure)

	reset := sample("probe", 20, celsius(25))
	reset.Reading.Reset = true
	assert.Equal(t, quantity.NotEvaluated, one(t, take(t, l, reset)).Flag)
	heated := sample("probe", 30, celsius(26))
	heated.Reading.Heated = true
	assert.Equal(t, quantity.Suspect, one(t, take(t, l, heated)).Flag)
}

func TestSeveralSensorsOfAPoint(t *testing.T) {
	feeds := []Feed{{Channel: sensors.Temperature, Point: tub}}
	l := newLine(t, map[quantity.Point]float64{tub: 1},
		Source{ID: "a", Description: probe, Feeds: feeds},
		Source{ID: "b", Description: probe, Feeds: feeds},
		Source{ID: "c", Description: probe, Feeds: feeds})
	assert.Equal(t, quantity.NotEvaluated, one(t, take(t, l, sample("a", 0, celsius(22)))).Flag, "alone so far")
	assert.Equal(t, Reading{tub, second(0.1), 22.25, quantity.Pass}, one(t, take(t, l, sample("b", 0.1, celsius(22.5)))))
	assert.Equal(t, 22.25, one(t, take(t, l, sample("c", 0.2, celsius(22.25)))).Value)

	outcome := take(t, l, sample("b", 10, celsius(23.5)))
	assert.Equal(t, quantity.Suspect, one(t, outcome).Flag)
	assert.Equal(t, 22.25, one(t, outcome).Value)
	assert.Empty(t, outcome.Worst().Failure, "not yet: they differ for the first time")
	for at := 20.0; at <= 610; at += 10 {
		take(t, l, sample("a", at-0.2, celsius(22)))
		take(t, l, sample("c", at-0.1, celsius(22.25)))
		outcome = take(t, l, sample("b", at, celsius(23.5)))
	}
	assert.True(t, outcome.Worst().Unsteady)
	assert.Equal(t, "the sensors of tub-1/water-temperature differ by 1.5 K (allowed: 1), and this one is the farthest from the rest", outcome.Worst().Failure)
	assert.Equal(t, sensors.Implausible, outcome.Worst().Kind)
	assert.Empty(t, take(t, l, sample("a", 610.1, celsius(22))).Worst().Failure, "the others are not to blame")

	assert.Empty(t, take(t, l, sample("c", 610.1, celsius(22.25))).Readings, "one moment, one reading")
	broken := Sample{Sensor: "b", At: start.Add(620 * time.Second), Err: errors.New("no answer")}
	assert.Empty(t, take(t, l, broken).Readings, "others speak for the point")
	assert.Equal(t, "no answer", take(t, l, broken).Worst().Failure)
}

// What is known of each channel weighs its values: those of the finer sensor of two count for more.
func TestTheFinerSensorOfAPointCountsForMore(t *testing.T) {
	l := newLine(t, map[quantity.Point]float64{loft: 2},
		Source{ID: "fine", Feeds: []Feed{{Channel: sensors.Temperature, Point: loft}}, Description: sht},
		Source{ID: "coarse", Feeds: []Feed{{Channel: sensors.Temperature, Point: loft}}, Description: probe})
	take(t, l, sample("fine", 0, celsius(20)))
	assert.InDelta(t, 20.5, one(t, take(t, l, sample("coarse", 5, celsius(21)))).Value, 1e-9, "nothing is known of either")
	l.Recalibrate([]calibration.State{
		{Sensor: "fine", Channel: string(sensors.Temperature), Uncertainty: 0.3}, {Sensor: "coarse", Channel: string(sensors.Temperature), Uncertainty: 0.9},
	})
	take(t, l, sample("fine", 10, celsius(20)))
	assert.InDelta(t, 20.1, one(t, take(t, l, sample("coarse", 15, celsius(21)))).Value, 1e-9)
}

func TestOfTwoSensorsThatDifferBothAreNamed(t *testing.T) {
	feeds := []Feed{{Channel: sensors.Temperature, Point: tub}}
	l := newLine(t, map[quantity.Point]float64{tub: 1}, Source{ID: "a", Feeds: feeds}, Source{ID: "b", Feeds: feeds})
	var outcome Outcome
	for at := 0.0; at <= 600; at += 10 {
		take(t, l, sample("a", at, celsius(22)))
		outcome = take(t, l, sample("b", at+1, celsius(25)))
		assert.Equal(t, 23.5, one(t, outcome).Value)
	}
	assert.Equal(t, "the sensors of tub-1/water-temperature differ by 3.0 K (allowed: 1), and this one or a is wrong", outcome.Worst().Failure)
	assert.Contains(t, take(t, l, sample("a", 610, celsius(22))).Worst().Failure, "this one or b is wrong")
	assert.Contains(t, take(t, l, sample("a", 620, celsius(24.2))).Worst().Failure, "differ by 0.8 K (allowed: 1)", "not near enough to be over")
	assert.Empty(t, take(t, l, sample("a", 630, celsius(24.5))).Worst().Failure)

	// With b gone, a is alone again, and its readings are amended.
	for _, at := range []float64{680, 690} {
		take(t, l, sample("a", at, celsius(24.5)))
	}
	amended := take(t, l, sample("a", 700, celsius(24.5))).Amendments
	assert.Equal(t, []Amendment{{tub, second(690), quantity.Pass}}, amended)
	gone := take(t, l, Sample{Sensor: "a", At: start.Add(20 * time.Minute), Err: errors.New("no answer")})
	assert.Equal(t, quantity.Missing, one(t, gone).Flag, "nobody is left to speak for the point")
}

// A value that no room has does not pull the median of a point out of its band while another sensor knows better. Alone it counts.
func TestAValueThatNoRoomHasBesideAnother(t *testing.T) {
	feeds := []Feed{{Channel: sensors.Temperature, Point: loft}}
	sht := sht
	sht.Measures = sht.Measures[:1]
	l := newLine(t, map[quantity.Point]float64{loft: 1.5}, Source{ID: "a", Description: sht, Feeds: feeds}, Source{ID: "b", Description: sht, Feeds: feeds})
	take(t, l, sample("a", 0, celsius(22)))
	outcome := take(t, l, sample("b", 1, celsius(85)))
	assert.Empty(t, outcome.Readings)
	assert.Equal(t, "temperature 85 °C: outside the expected range, and another sensor says otherwise", outcome.Worst().Failure)
	assert.Equal(t, 22.0, one(t, take(t, l, sample("a", 10, celsius(22)))).Value)
	alone := one(t, take(t, l, sample("b", 300, celsius(85))))
	assert.Equal(t, 85.0, alone.Value, "a is silent")
	assert.Equal(t, quantity.Suspect, alone.Flag)
}

func TestShiftHidesAClockStep(t *testing.T) {
	feeds := []Feed{{Channel: sensors.Temperature, Point: tub}}
	for _, by := range []time.Duration{-300 * 24 * time.Hour, 300 * 24 * time.Hour} {
		l := newLine(t, map[quantity.Point]float64{tub: 1}, Source{ID: "a", Feeds: feeds}, Source{ID: "b", Feeds: feeds})
		take(t, l, sample("a", 0, celsius(22)))
		take(t, l, sample("b", 1, celsius(22.5)))
		l.Shift(by)
		next := sample("a", 10, celsius(22))
		next.At = next.At.Add(by)
		reading := one(t, take(t, l, next))
		assert.Equal(t, 22.25, reading.Value, "b still counts")
		assert.Equal(t, second(10).Add(by), reading.At)
	}
	// With or without Shift: a line must not fall silent because the clock went back.
	l := newLine(t, nil, Source{ID: "a", Feeds: feeds}, Source{ID: "b", Feeds: feeds})
	take(t, l, sample("a", 3600, celsius(22)))
	assert.Equal(t, second(0), one(t, take(t, l, sample("a", 0, celsius(22)))).At)
}

func TestOwnThresholds(t *testing.T) {
	l := newLine(t, nil, Source{ID: "probe", Description: probe, Feeds: []Feed{
		{Channel: sensors.Temperature, Point: tub, Tests: &quality.Tests{Expected: quality.Range{Low: 18, High: 26}}}}})
	assert.Equal(t, Reading{tub, second(0), 27, quantity.Suspect}, one(t, take(t, l, sample("probe", 0, celsius(27)))))
	assert.Equal(t, quantity.Pass, one(t, take(t, l, sample("probe", 10, celsius(20)))).Flag, "no other test is made")
	assert.Equal(t, quantity.Fail, one(t, take(t, l, sample("probe", 20, celsius(126)))).Flag, "the part's range always counts")
}

func TestNewLineRefuses(t *testing.T) {
	feed := Feed{Channel: sensors.Temperature, Point: tub}
	for want, sources := range map[string][]Source{
		`sensor "a" is there twice`: {{ID: "a"}, {ID: "a"}},
		`sensor "a": channel humidity is in %RH and cannot feed tub-1/water-temperature`: {
			{ID: "a", Feeds: []Feed{{Channel: sensors.Humidity, Point: tub}}}},
		`sensor "a": channel co2 is in ppm and cannot feed tub-1/none`: {
			{ID: "a", Feeds: []Feed{{Channel: sensors.CO2, Point: quantity.Point{Place: "tub-1"}}}}},
		`sensor "a": channel steam is in no unit and cannot feed tub-1/none`: {
			{ID: "a", Feeds: []Feed{{Channel: "steam", Point: quantity.Point{Place: "tub-1"}}}}},
		`sensor "a": temperature and tub-1/water-temperature are fed twice`: {{ID: "a", Feeds: []Feed{feed, feed}}},
		`sensor "a": temperature: calibration: a gain of 0 is outside 0.9 to 1.1`: {
			{ID: "a", Feeds: []Feed{{Channel: sensors.Temperature, Point: tub, Calibration: &quality.Calibration{}}}}},
	} {
		_, err := NewLine(sources, nil)
		assert.EqualError(t, err, want)
	}
	_, err := NewLine(nil, map[quantity.Point]float64{tub: 1})
	assert.ErrorContains(t, err, "a difference between the sensors of tub-1/water-temperature is allowed, but no sensor feeds it")
	_, err = newLine(t, nil).Take(Sample{Sensor: "ghost"})
	assert.EqualError(t, err, `a sample of the sensor "ghost", which feeds nothing`)
}

func ExampleLine() {
	line, err := NewLine([]Source{{ID: "tub-1-probe", Feeds: []Feed{{Channel: sensors.Temperature, Point: tub}}}}, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	outcome, err := line.Take(Sample{Sensor: "tub-1-probe", At: start, Err: sensors.Errorf(sensors.Absent, "reading 28-0316a2794bff")})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(outcome.Readings[0].Point, outcome.Readings[0].Flag)
	fmt.Println(outcome.Worst().Failure)
	// Output:
	// tub-1/water-temperature missing
	// reading 28-0316a2794bff: absent
}

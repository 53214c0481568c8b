package watch_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
)

// The worked examples E1 to E3 of the project's alarm facts, computed on paper.
func TestExposureWorkedExamples(t *testing.T) {
	for _, test := range []struct {
		name                               string
		times, values                      []float64
		low, high                          float64
		gap                                time.Duration
		below, in, above, unknown          float64
		degreeHoursAbove, degreeHoursBelow float64
		from, to                           float64
		stayUnknown                        time.Duration
		extreme                            float64
	}{
		{
			name: "E1 a peak above the band", times: []float64{0, 600, 1200, 1800, 2400}, values: []float64{24, 26, 28, 26, 24},
			low: 22, high: 26.5, gap: 30 * time.Minute, in: 1500, above: 900, degreeHoursAbove: 0.1875, from: 750, to: 1650, extreme: 28,
		},
		{
			name: "E2 a gap with both ends above", times: []float64{0, 600, 3600, 4200}, values: []float64{24, 28, 28, 24},
			low: 22, high: 26, gap: 30 * time.Minute, in: 600, above: 600, unknown: 3000, degreeHoursAbove: 0.16666667,
			from: 300, to: 3900, stayUnknown: 3000 * time.Second, extreme: 28,
		},
		{
			name: "E3 a rise from below and back", times: []float64{0, 300, 600}, values: []float64{21, 23, 21},
			low: 22, high: 26, gap: 30 * time.Minute, in: 300, below: 300, degreeHoursBelow: 0.04166667, from: 0, to: 150, extreme: 21,
		},
	} {
		t.Run(test.name, func(t *testing.T) {
			c := watch.New(tub(band(none, test.low, test.high, none), test.gap), "test")
			events := series(t, c, water, 0)
			for i := range test.times {
				events = append(events, watch.Event{At: at(test.times[i]), Value: test.values[i], Flag: 1})
			}
			end := at(test.times[len(test.times)-1])
			sum, stays := exposure(c, fold(c, events...), end)
			assert.Equal(t, test.below, sum.InZone[watch.LowZone].Seconds())
			assert.Equal(t, test.in, sum.InZone[watch.InBand].Seconds())
			assert.Equal(t, test.above, sum.InZone[watch.HighZone].Seconds())
			assert.Equal(t, test.unknown, sum.InZone[watch.UnknownZone].Seconds())
			assert.InDelta(t, test.degreeHoursAbove, sum.DegreeAbove/3600, 1e-8)
			assert.InDelta(t, test.degreeHoursBelow, sum.DegreeBelow/3600, 1e-8)
			require.NotEmpty(t, stays)
			assert.Equal(t, test.from, seconds(stays[0].From))
			assert.Equal(t, test.to, seconds(stays[0].To))
			assert.Equal(t, test.stayUnknown, stays[0].Unknown)
			assert.Equal(t, test.extreme, stays[0].Extreme)
		})
	}
}

// The alarm vector of the project's alarm facts: crossing at 450 s, raised by the reading at 1200 s, the off-delay counts
// from 2050 s, cleared by the reading at 2700 s.
func TestAlarmVector(t *testing.T) {
	c := watch.New(tub(band(none, none, 26, none, delays(600*time.Second, 600*time.Second, 0.5)), 30*time.Minute), "test")
	effects := fold(c, series(t, c, water, 300, 25.0, 25.5, 26.5, 27.0, 27.0, 26.8, 26.0, 25.4, 25.2, 25.2, 25.0)...)
	raised, cleared := entries(effects, journal.AlarmRaised), entries(effects, journal.AlarmCleared)
	require.Len(t, raised, 1)
	require.Len(t, cleared, 1)
	assert.Equal(t, "tub-1/water-temperature/high", raised[0].Alarm)
	assert.Equal(t, 450.0, seconds(*raised[0].Since))
	assert.Equal(t, 1200.0, seconds(raised[0].At))
	assert.Equal(t, 26.0, *raised[0].Setpoint)
	assert.Equal(t, 2700.0, seconds(cleared[0].At))
	assert.Equal(t, 27.0, *cleared[0].Extreme)
}

func TestUnknownNeitherRaisesNorClears(t *testing.T) {
	short := delays(600*time.Second, 600*time.Second, 0.5)
	t.Run("a running on-delay starts anew after a gap", func(t *testing.T) {
		c := watch.New(tub(band(none, none, 26, none, short), 5*time.Minute), "test")
		effects := fold(c, series(t, c, water, 300, 27, 27, none, 27, 27, 27)...)
		raised := entries(effects, journal.AlarmRaised)
		require.Len(t, raised, 1)
		assert.Equal(t, 900.0, seconds(*raised[0].Since))
		assert.Equal(t, 1500.0, seconds(raised[0].At))
	})
	t.Run("an active alarm stays active over a gap", func(t *testing.T) {
		c := watch.New(tub(band(none, none, 26, none, short), 5*time.Minute), "test")
		effects := fold(c, series(t, c, water, 300, 27, 27, 27, none, none, none, 25, 25, 25)...)
		assert.Len(t, entries(effects, journal.AlarmRaised), 1)
		cleared := entries(effects, journal.AlarmCleared)
		require.Len(t, cleared, 1)
		assert.Equal(t, 2400.0, seconds(cleared[0].At), "the off-delay counts from the first reading after the gap")
	})
}

// Mean kinetic temperature examples M1 to M6 of the project's alarm facts, from the formula of USP <1160>. The segments are
// piecewise constant: two readings at one time make a step.
func TestMeanKineticTemperature(t *testing.T) {
	type segment struct{ hours, celsius float64 }
	for name, test := range map[string]struct {
		segments []segment
		want     float64
	}{
		"M1": {[]segment{{1, 20}, {1, 30}}, 26.260},
		"M2": {[]segment{{1, 22}, {1, 28}}, 25.468},
		"M3": {[]segment{{1, 18}, {1, 22}, {1, 26}}, 22.566},
		"M4": {[]segment{{23, 24}, {1, 32}}, 24.507},
		"M5": {[]segment{{18, 5}, {6, 15}}, 8.786},
		"M6": {[]segment{{708, 23}, {12, 40}}, 23.738},
	} {
		t.Run(name, func(t *testing.T) {
			c := watch.New(tub(band(none, none, none, none), 800*time.Hour), "test")
			events := series(t, c, water, 0)
			hour := 0.0
			for _, s := range test.segments {
				events = append(events,
					watch.Event{At: at(hour * 3600), Value: s.celsius, Flag: 1},
					watch.Event{At: at((hour + s.hours) * 3600), Value: s.celsius, Flag: 1})
				hour += s.hours
			}
			sum, _ := exposure(c, fold(c, events...), at(hour*3600))
			assert.InDelta(t, test.want, sum.MeanKineticCelsius(), 0.0005)
		})
	}
}

// Inputs whose time above a limit is known on paper. The readings are dense enough that the straight lines between them
// stand for the curve; agreement is within 1 ms per day.
func TestClosedForms(t *testing.T) {
	const day = 86400.0
	for _, test := range []struct {
		name       string
		step       float64
		value      func(second float64) float64
		high       float64
		wantAbove  float64 // seconds per day
		dayDegrees float64 // K·h per day above; NaN where not compared
	}{
		{
			// 24 + 2 sin: above 25 for a third of each period.
			name: "sine", step: 1, high: 25, wantAbove: day / 3, dayDegrees: 24 / math.Pi * (math.Sqrt(3) - math.Pi/3),
			value: func(s float64) float64 { return 24 + 2*math.Sin(2*math.Pi*s/day) },
		},
		{
			name: "ramp", step: 10, high: 25, wantAbove: day / 4, dayDegrees: 24.0 / 4 * 1 / 2,
			value: func(s float64) float64 { return 22 + 4*s/day },
		},
		{
			// Rises from 20 to 30 in 50 minutes and falls back in 10: above 27 for 30 % of every hour.
			name: "sawtooth", step: 10, high: 27, wantAbove: 0.3 * day, dayDegrees: 0.3 * 24 * 1.5,
			value: func(s float64) float64 {
				minute := math.Mod(s, 3600) / 60
				if minute <= 50 {
					return 20 + 10*minute/50
				}
				return 30 - 10*(minute-50)/10
			},
		},
	} {
		t.Run(test.name, func(t *testing.T) {
			c := watch.New(tub(band(none, none, test.high, none), time.Minute), "test")
			c.Step(watch.Event{Kind: watch.StartEvent, At: epoch}, nil)
			var effects []watch.Effect
			for s := 0.0; s <= day; s += test.step {
				effects = c.Step(watch.Event{At: at(s), Value: test.value(s), Flag: 1}, effects)
			}
			sum, _ := exposure(c, effects, at(day))
			assert.InDelta(t, test.wantAbove, sum.InZone[watch.HighZone].Seconds(), 0.001)
			assert.InDelta(t, test.dayDegrees, sum.DegreeAbove/3600, 1e-5)
			assert.Equal(t, 24*time.Hour, sum.Elapsed())
		})
	}
}

// A day of a DST change is 23 or 25 hours long in its ledger, and no second is lost or doubled.
func TestLocalDaysAcrossDST(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	for _, test := range []struct {
		start time.Time
		want  []time.Duration
	}{
		{time.Date(2026, 3, 28, 0, 0, 0, 0, lisbon), []time.Duration{24 * time.Hour, 23 * time.Hour, 24 * time.Hour}},
		{time.Date(2026, 10, 24, 0, 0, 0, 0, lisbon), []time.Duration{24 * time.Hour, 25 * time.Hour, 24 * time.Hour}},
		{time.Date(2028, 2, 28, 0, 0, 0, 0, lisbon), []time.Duration{24 * time.Hour, 24 * time.Hour, 24 * time.Hour}},
	} {
		site := tub(band(none, none, 26, none), time.Hour)
		site.Location = lisbon
		c := watch.New(site, "test")
		begin := instant.Of(test.start)
		effects := c.Step(watch.Event{Kind: watch.StartEvent, At: begin}, nil)
		var end time.Duration
		for _, d := range test.want {
			end += d
		}
		for s := time.Duration(0); s <= end; s += 10 * time.Minute {
			effects = c.Step(watch.Event{At: begin.Add(s), Value: 24, Flag: 1}, effects)
		}
		var days []time.Duration
		for _, e := range effects {
			if e.Kind == watch.LedgerClosed {
				days = append(days, e.Ledger.Elapsed())
				assert.Equal(t, e.Ledger.Elapsed(), e.Ledger.InZone[watch.InBand])
			}
		}
		assert.Equal(t, test.want, days)
	}
}

// The band of the night comes into force at the instant of the switch: zone time, excursion and delay are cut there.
func TestNightBandFromTheSwitchOn(t *testing.T) {
	bands := band(none, none, 26, none, delays(600*time.Second, 600*time.Second, 0.5))
	bands.Night.Limits[care.High] = 23
	site := tub(bands, 30*time.Minute)
	site.Light = care.Light{Location: time.UTC, From: 7 * 60, To: 12*60 + 5} // night from 300 s on
	c := watch.New(site, "test")
	effects := fold(c, series(t, c, water, 200, 24, 24, 24, 24, 24, 24)...)
	raised := entries(effects, journal.AlarmRaised)
	require.Len(t, raised, 1)
	assert.Equal(t, 300.0, seconds(*raised[0].Since))
	assert.Equal(t, 1000.0, seconds(raised[0].At))
	assert.Equal(t, 23.0, *raised[0].Setpoint)
	sum, stays := exposure(c, effects, at(1000))
	assert.Equal(t, 700.0, sum.InZone[watch.HighZone].Seconds())
	require.Len(t, stays, 1)
	assert.Equal(t, 300.0, seconds(stays[0].From))
}

// The part of a stay that lies in a day goes up to midnight, not to the last reading before it.
func TestLongestStayOfADayGoesUpToMidnight(t *testing.T) {
	c := watch.New(tub(band(none, none, 26, none), time.Hour), "test")
	effects := c.Step(watch.Event{Kind: watch.StartEvent, At: at(0)}, nil)
	for s := 0.0; s <= 86400; s += 1000 {
		effects = c.Step(watch.Event{At: at(s), Value: 27, Flag: 1}, effects)
	}
	for _, e := range effects {
		if e.Kind == watch.LedgerClosed {
			assert.Equal(t, 12*time.Hour, e.Ledger.Longest)
		}
	}
}

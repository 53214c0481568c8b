package mqttfed

import (
	"bytes"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/intake"
	"dewline/internal/core/quantity"
	"dewline/internal/mqtt"
	"dewline/sensors"
)

const (
	temperature = sensors.Temperature
	humidity    = sensors.Humidity
	pressure    = sensors.Pressure
)

type (
	texts = map[sensors.Channel]string
	units = map[sensors.Channel]quantity.Unit
)

var noon = time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)

func after(seconds float64) time.Time { return noon.Add(time.Duration(seconds * 1e9)) }

func message(topic, payload string, at time.Time) mqtt.Received {
	return mqtt.Received{Topic: topic, Payload: []byte(payload), At: at}
}

func newFeed(t testing.TB, sources ...Source) *Feed {
	t.Helper()
	f, err := New(sources, Options{})
	require.NoError(t, err)
	return f
}

var (
	plainProbe = Source{ID: "tub-1-esp", Topic: "shed/tub-1/t", Unit: units{temperature: quantity.Celsius}}
	board      = Source{
		ID: "shed-esp", Topic: "shed/esp",
		Pointer: texts{temperature: "/bme/t", humidity: "/bme/rh", pressure: "/bme/p"},
		Unit:    units{temperature: quantity.Fahrenheit, humidity: quantity.Percent, pressure: quantity.Hectopascal},
	}
	senmlBoard = Source{ID: "loft-esp", Topic: "loft/esp", SenML: texts{temperature: "esp:t", humidity: "esp:rh"}, StaleAfter: 5 * time.Minute}
)

func values(s intake.Sample) map[sensors.Channel]float64 {
	all := map[sensors.Channel]float64{}
	for _, v := range s.Reading.Values {
		all[v.Channel] = math.Round(v.Value*1000) / 1000
	}
	return all
}

func TestPayloads(t *testing.T) {
	for _, c := range []struct {
		source  Source
		payload string
		want    map[sensors.Channel]float64
		kind    sensors.Kind
		text    string
	}{
		{plainProbe, "23.4", map[sensors.Channel]float64{temperature: 23.4}, 0, ""},
		{plainProbe, " 23.40\r\n", map[sensors.Channel]float64{temperature: 23.4}, 0, ""},
		{plainProbe, "  -1.5e1\x00", map[sensors.Channel]float64{temperature: -15}, 0, ""},
		{plainProbe, "+.5", map[sensors.Channel]float64{temperature: 0.5}, 0, ""},
		{plainProbe, "23.", map[sensors.Channel]float64{temperature: 23}, 0, ""},
		{plainProbe, "-40", map[sensors.Channel]float64{temperature: -40}, 0, ""},
		{plainProbe, "85", map[sensors.Channel]float64{temperature: 85}, 0, ""},
		{plainProbe, "nan", nil, sensors.Implausible, `"nan" is not a number`},
		{plainProbe, " -INF ", nil, sensors.Implausible, `"-INF" is not a number`},
		{plainProbe, "ovf", nil, sensors.Implausible, `"ovf" is not a number`}, // what print of a common microcontroller library writes (from memory)
		{plainProbe, "1e999", nil, sensors.Implausible, `"1e999" is too large a number`},
		{plainProbe, "1e308", nil, sensors.Implausible, "temperature 1e+308 °C is outside -40 to 85 °C"},
		{plainProbe, "-127", nil, sensors.Implausible, "temperature -127 °C is outside -40 to 85 °C"},
		{plainProbe, "85.01", nil, sensors.Implausible, "outside -40 to 85"},
		{plainProbe, "23,4", nil, sensors.Checksum, `"23,4" is not a number`},
		{plainProbe, "0x17", nil, sensors.Checksum, `"0x17" is not a number`},
		{plainProbe, "2_3", nil, sensors.Checksum, `"2_3" is not a number`},
		{plainProbe, "23.4 C", nil, sensors.Checksum, `"23.4 C" is not a number`},
		{plainProbe, " ", nil, sensors.Checksum, `"" is not a number`},
		{plainProbe, "\xff\xfe\n", nil, sensors.Checksum, `"\xff\xfe" is not a number`},
		{plainProbe, strings.Repeat("9", 100), nil, sensors.Implausible, "outside"},
		{plainProbe, strings.Repeat("x", 100), nil, sensors.Checksum, `"` + strings.Repeat("x", 40) + `"… is not a number`},
		{plainProbe, strings.Repeat("1", maxPayload+1), nil, sensors.Checksum, "65537 bytes are more than the limit of 65536"},

		{board, `{"bme":{"t":72.5,"rh":"61.5","p":1013.25}}`, map[sensors.Channel]float64{temperature: 22.5, humidity: 61.5, pressure: 101325}, 0, ""},
		{board, `{"bme":{"t":" 72.5 ","rh":120,"p":3e2}}`, map[sensors.Channel]float64{temperature: 22.5, humidity: 120, pressure: 30000}, 0, ""},
		{board, `{"bme":{"t":72.5,"rh":null,"p":1e400}}`, map[sensors.Channel]float64{temperature: 22.5}, 0, ""},
		{board, `{"bme":{"t":null,"rh":true,"p":[]}}`, nil, sensors.Implausible, "humidity is no number but true or false; pressure is no number but a list; temperature is null"},
		{board, `{"bme":{"t":{},"rh":"wet","p":"nan"}}`, nil, sensors.Implausible, `humidity: "wet" is not a number`},
		{board, `{"bme":{"t":-100,"rh":120.1,"p":1201}}`, nil, sensors.Implausible, "humidity 120.1 %RH is outside 0 to 120 %RH; pressure 120100 Pa is outside 30000 to 120000 Pa; temperature -73.3333 °C is outside"},
		{board, `{"bme":{}}`, nil, sensors.Absent, "humidity: no such value at /bme/rh"},
		{board, `{"bme":{"t":72.5`, nil, sensors.Checksum, "not JSON: the text ends too early"},
		{board, `72.5`, nil, sensors.Absent, "humidity: no such value at /bme"},
		{board, `{"bme":{"t":72.5}} {}`, nil, sensors.Checksum, "something follows"},
		{board, strings.Repeat("[", 60_000), nil, sensors.Checksum, "not JSON"},

		{senmlBoard, `[{"bn":"esp:","n":"t","u":"Cel","v":22.5},{"n":"rh","u":"%RH","v":61.5}]`, map[sensors.Channel]float64{temperature: 22.5, humidity: 61.5}, 0, ""},
		{senmlBoard, `[{"n":"esp:t","u":"K","v":295.65},{"n":"esp:rh","u":"/","v":0.615},{"n":"esp:battery","u":"V","v":3}]`, map[sensors.Channel]float64{temperature: 22.5, humidity: 61.5}, 0, ""},
		{senmlBoard, `[{"n":"esp:t","u":"Cel","v":22.5},{"n":"esp:t","u":"Cel","v":23}]`, map[sensors.Channel]float64{temperature: 23}, 0, ""},
		{senmlBoard, `[{"n":"esp:rh","u":"Cel","v":22.5}]`, nil, sensors.Implausible, `humidity: the record "esp:rh" is in the unit "Cel"`},
		{senmlBoard, `[{"n":"esp:t","v":22.5}]`, nil, sensors.Implausible, `temperature: the record "esp:t" has no unit`},
		{senmlBoard, `[{"n":"esp:t","u":"furlong","v":22.5}]`, nil, sensors.Implausible, `in the unit "furlong"`},
		{senmlBoard, `[{"n":"esp:t","u":"Cel","vs":"warm"}]`, nil, sensors.Implausible, `has no value that is a number`},
		{senmlBoard, `[{"n":"esp:t","u":"Cel","v":185}]`, nil, sensors.Implausible, "temperature 185 °C is outside"},
		{senmlBoard, `[{"n":"esp:t","u":"Cel","v":NaN}]`, nil, sensors.Checksum, "senml: record 1: not JSON"},
		{senmlBoard, `{"n":"esp:t","u":"Cel","v":1}`, nil, sensors.Checksum, "senml: a list"},
	} {
		name := c.source.ID + " " + c.payload[:min(len(c.payload), 60)]
		samples := newFeed(t, c.source).Take(message(c.source.Topic, c.payload, noon))
		require.Len(t, samples, 1, name)
		s := samples[0]
		assert.Equal(t, c.source.ID, s.Sensor, name)
		assert.Equal(t, noon, s.At, name)
		assert.Equal(t, []byte(c.payload[:min(len(c.payload), maxEvidence)]), s.Reading.Evidence, name)
		if c.kind == 0 {
			require.NoError(t, s.Err, name)
			assert.Equal(t, c.want, values(s), name)
			continue
		}
		assert.Empty(t, s.Reading.Values, name)
		assert.Equal(t, c.kind, sensors.KindOf(s.Err), name)
		assert.ErrorContains(t, s.Err, c.text, name)
		assert.ErrorContains(t, s.Err, "message on "+c.source.Topic+" for sensor "+c.source.ID+": "+c.kind.String(), name)
		assert.Less(t, len(s.Err.Error()), 1000, name)
	}
}

// TestAPartOfAMessageCounts: a humidity sensor that has failed does not cost the temperature beside it.
func TestAPartOfAMessageCounts(t *testing.T) {
	var log bytes.Buffer
	f, err := New([]Source{board}, Options{Log: slog.New(slog.NewTextHandler(&log, nil))})
	require.NoError(t, err)
	for i := range 3 {
		s := f.Take(message(board.Topic, `{"bme":{"t":72.5,"rh":null,"p":1000}}`, after(float64(60*i))))[0]
		require.NoError(t, s.Err)
		assert.Equal(t, map[sensors.Channel]float64{temperature: 22.5, pressure: 100000}, values(s))
	}
	assert.Equal(t, 1, strings.Count(log.String(), "humidity is null"), "said once, not with every message")
}

func TestSharedTopics(t *testing.T) {
	one := Source{ID: "rack-1", Topic: "rack", Pointer: texts{temperature: "/1"}, Unit: units{temperature: quantity.Celsius}}
	two := Source{ID: "rack-2", Topic: "rack", Pointer: texts{temperature: "/2"}, Unit: units{temperature: quantity.Celsius}}
	f := newFeed(t, one, two, plainProbe)
	assert.Equal(t, []string{"rack", plainProbe.Topic}, f.Topics())
	samples := f.Take(message("rack", `{"1":21,"2":22}`, noon))
	require.Len(t, samples, 2)
	assert.Equal(t, "rack-1", samples[0].Sensor)
	assert.Equal(t, 21.0, samples[0].Reading.Values[0].Value)
	assert.Equal(t, "rack-2", samples[1].Sensor)
	assert.Equal(t, 22.0, samples[1].Reading.Values[0].Value)
	assert.Empty(t, f.Take(message("elsewhere", `1`, noon)))
}

// TestRetainedIsNoNews_RowRetained: a retained message describes a past state, not the present (alarms.md 3.1).
func TestRetainedIsNoNews_RowRetained(t *testing.T) {
	for _, old := range []func(*mqtt.Received){
		func(m *mqtt.Received) { m.Retained = true },
		func(m *mqtt.Received) { m.Duplicate = true }, // a repeat of QoS 1, perhaps of before the connection was lost
	} {
		f := newFeed(t, plainProbe, board, senmlBoard)
		take := func(topic, payload string) []intake.Sample {
			m := message(topic, payload, noon)
			old(&m)
			return f.Take(m)
		}
		assert.Empty(t, take(plainProbe.Topic, "23.4"))
		assert.Empty(t, take(plainProbe.Topic, "garbage"))
		assert.Empty(t, take(board.Topic, `{"bme":{"t":72.5,"rh":61,"p":1000}}`))
		assert.Empty(t, take(senmlBoard.Topic, `garbage`))
		assert.Empty(t, take(senmlBoard.Topic, `[{"n":"esp:t","u":"Cel","v":22.5}]`), "no time")
		assert.Empty(t, take(senmlBoard.Topic, `[{"n":"esp:t","u":"Cel","v":22.5,"t":-10}]`), "ten seconds before whatever")
		assert.Empty(t, take(senmlBoard.Topic, fmt.Sprintf(`[{"n":"esp:t","u":"Cel","v":22.5,"t":%d}]`, after(-301).Unix())), "too old")
		assert.Empty(t, take(senmlBoard.Topic, fmt.Sprintf(`[{"n":"esp:t","u":"Cel","v":22.5,"t":%d}]`, after(61).Unix())), "from the future")
		fresh := fmt.Sprintf(`[{"n":"esp:t","u":"Cel","v":22.5,"t":%d}]`, after(-100).Unix())
		samples := take(senmlBoard.Topic, fresh)
		require.Len(t, samples, 1, "it tells a time that can be believed")
		assert.Equal(t, after(-100), samples[0].At)
		assert.Empty(t, take(senmlBoard.Topic, fresh), "the same again, after a reconnect")
	}
	f := newFeed(t, plainProbe)
	assert.Empty(t, f.Take(message(plainProbe.Topic, "", noon)), "an empty payload deletes what is retained")
}

// TestTimesOfRecords_RowSenMLTime: a record may carry its time (RFC 8428 section 4.5.3); below 2^28 s it is relative to now.
func TestTimesOfRecords_RowSenMLTime(t *testing.T) {
	record := func(v float64, t float64) string { return fmt.Sprintf(`{"n":"esp:t","u":"Cel","v":%g,"t":%.3f}`, v, t) }
	unix := func(seconds float64) float64 { return float64(noon.Unix()) + seconds }
	type got struct {
		at    float64
		value float64
	}
	for name, c := range map[string]struct {
		records []string
		want    []got
	}{
		"its own time":                     {[]string{record(22, unix(-12.5))}, []got{{-12.5, 22}}},
		"as old as it may be":              {[]string{record(22, unix(-300))}, []got{{-300, 22}}},
		"too old: a wrong clock":           {[]string{record(22, unix(-301))}, []got{{0, 22}}},
		"a little ahead":                   {[]string{record(22, unix(60))}, []got{{0, 22}}},
		"far ahead: a wrong clock":         {[]string{record(22, unix(61))}, []got{{0, 22}}},
		"a board that boots in 1970":       {[]string{record(22, 7)}, nil},
		"now":                              {[]string{`{"n":"esp:t","u":"Cel","v":22}`}, []got{{0, 22}}},
		"ten seconds ago":                  {[]string{record(22, -10)}, []got{{-10, 22}}},
		"an hour ago by its own word":      {[]string{record(22, -3600)}, nil},
		"a batch, unsorted":                {[]string{record(23, unix(-60)), record(22, unix(-120)), record(24, unix(0))}, []got{{-120, 22}, {-60, 23}, {0, 24}}},
		"a batch by a wrong clock":         {[]string{record(22, unix(-7200)), record(23, unix(-7140))}, []got{{0, 23}}},
		"a batch that begins too long ago": {[]string{record(22, unix(-400)), record(23, unix(-200))}, []got{{-200, 23}}},
		"a batch counted from now":         {[]string{record(22, -400), record(23, -30), record(24, 0)}, []got{{-30, 23}, {0, 24}}},
		"the same moment twice":            {[]string{record(22, unix(-5)), record(23, unix(-5))}, []got{{-5, 23}}},
	} {
		f := newFeed(t, senmlBoard)
		payload := "[" + strings.Join(c.records, ",") + "]"
		var found []got
		for _, s := range f.Take(message(senmlBoard.Topic, payload, noon)) {
			require.NoError(t, s.Err, name)
			require.Len(t, s.Reading.Values, 1, name)
			found = append(found, got{s.At.Sub(noon).Seconds(), s.Reading.Values[0].Value})
		}
		if strings.HasPrefix(name, "a board") {
			// 7 s after the beginning of 1970 means 7 s from now: within the minute, so it counts as now.
			assert.Equal(t, []got{{0, 22}}, found, name)
			continue
		}
		assert.Equal(t, c.want, found, name)
	}
}

func TestRepeatedRecordsCountOnce(t *testing.T) {
	f := newFeed(t, senmlBoard)
	at := func(second float64) mqtt.Received {
		return message(senmlBoard.Topic, fmt.Sprintf(`[{"n":"esp:t","u":"Cel","v":22,"t":%.0f}]`, float64(noon.Unix())+second), noon)
	}
	assert.Len(t, f.Take(at(-20)), 1)
	assert.Empty(t, f.Take(at(-20)))
	assert.Empty(t, f.Take(at(-30)), "late")
	assert.Len(t, f.Take(at(-10)), 1)

	// The clock of the sender was right and is then an hour behind: its time is not accepted, so the arrival counts.
	assert.Len(t, f.Take(at(-3600)), 1)
	assert.Empty(t, f.Take(at(-5)), "older than what was given out for now")
}

func TestAnotherSensorsRecordIsIgnored(t *testing.T) {
	f := newFeed(t, senmlBoard)
	assert.Empty(t, f.Take(message(senmlBoard.Topic, `[{"n":"other:t","u":"Cel","v":22}]`, noon)))
	assert.Empty(t, f.Take(message(senmlBoard.Topic, `[]`, noon)))
	assert.Empty(t, f.Silent(noon))
	f.Take(message(senmlBoard.Topic, `[]`, noon))
	late := f.Silent(after(300))
	require.Len(t, late, 1)
	assert.EqualError(t, late[0].Err, "waiting for a message on loft/esp for sensor loft-esp: timeout: none came that counts: the last one had no record of this sensor")
}

func TestSilence(t *testing.T) {
	s := plainProbe
	s.Every, s.StaleAfter, s.SilentAfter = 30*time.Second, 5*time.Minute, 2*time.Minute
	f := newFeed(t, s, senmlBoard)
	silent := func(second float64) (times []float64) {
		for _, sample := range f.Silent(after(second)) {
			assert.Equal(t, sensors.Timeout, sensors.KindOf(sample.Err))
			assert.Empty(t, sample.Reading.Values)
			if sample.Sensor == s.ID {
				times = append(times, sample.At.Sub(noon).Seconds())
			}
		}
		return times
	}
	assert.Empty(t, silent(0))
	assert.Empty(t, silent(119.9))
	assert.Equal(t, []float64{120}, silent(120.4), "never heard, stamped with the moment it became too long")
	assert.Empty(t, silent(149))
	assert.Equal(t, []float64{150}, silent(150))
	f.Take(message(s.Topic, "23.4", after(160)))
	assert.Empty(t, silent(279))
	assert.Equal(t, []float64{280}, silent(281))
	assert.Equal(t, []float64{1000}, silent(1020), "after a long pause only the latest")
	f.Take(message(s.Topic, "garbage", after(1030)))
	assert.Empty(t, silent(1149), "garbage is no silence, it is reported by itself")
	f.Take(mqtt.Received{Topic: s.Topic, Payload: []byte("23.4"), Retained: true, At: after(1140)})
	late := f.Silent(after(1150))
	require.NotEmpty(t, late)
	assert.EqualError(t, late[0].Err, "waiting for a message on shed/tub-1/t for sensor tub-1-esp: timeout: none came that counts: "+
		"the last one was an old one that the broker had retained")
}

func TestAStepOfTheClock(t *testing.T) {
	s := plainProbe
	s.SilentAfter = 2 * time.Minute
	f := newFeed(t, s)
	f.Silent(noon)
	f.Take(message(s.Topic, "23.4", after(10)))
	f.Shift(time.Hour)
	assert.Empty(t, f.Silent(after(3600+129)))
	late := f.Silent(after(3600 + 131))
	require.Len(t, late, 1)
	assert.Equal(t, after(3600+130), late[0].At)
	assert.ErrorContains(t, late[0].Err, "none came for 2m0s")

	// The clock goes back a day without a call of Shift.
	back := func(second float64) time.Time { return after(second - 86400) }
	assert.Empty(t, f.Silent(back(0)))
	assert.Len(t, f.Silent(back(121)), 1)
	assert.Len(t, f.Take(message(s.Topic, "23.4", back(130))), 1)
}

func TestNewRefuses(t *testing.T) {
	celsius := units{temperature: quantity.Celsius}
	for want, sources := range map[string][]Source{
		`sensor "": it has no id`:                                {{Topic: "a", Unit: celsius}},
		`sensor "x": mqtt: the filter is empty`:                  {{ID: "x", Unit: celsius}},
		`sensor "x": mqtt: filter "a/#/b"`:                       {{ID: "x", Topic: "a/#/b", Unit: celsius}},
		`sensor "x": a time is negative`:                         {{ID: "x", Topic: "a", Unit: celsius, Every: -1}},
		`sensor "x" is there twice`:                              {{ID: "x", Topic: "a", Unit: celsius}, {ID: "x", Topic: "b", Unit: celsius}},
		`units for none: give pointers as well`:                  {{ID: "x", Topic: "a"}},
		`units for humidity, temperature: give pointers as well`: {{ID: "x", Topic: "a", Unit: units{temperature: quantity.Celsius, humidity: quantity.Percent}}},
		`there are pointers for temperature and units for humidity, temperature`: {
			{ID: "x", Topic: "a", Pointer: texts{temperature: "/t"}, Unit: units{temperature: quantity.Celsius, humidity: quantity.Percent}}},
		`give neither pointer nor unit`:                                 {{ID: "x", Topic: "a", SenML: texts{temperature: "t"}, Unit: celsius}},
		`channel temperature: the name of its SenML record`:             {{ID: "x", Topic: "a", SenML: texts{temperature: ""}}},
		`channel co2: it cannot be fed over MQTT`:                       {{ID: "x", Topic: "a", Unit: units{sensors.CO2: quantity.NoUnit}}},
		`channel temperature: JSON pointer "t" must begin with /`:       {{ID: "x", Topic: "a", Pointer: texts{temperature: "t"}, Unit: celsius}},
		`sensor "x": channel temperature: `:                             {{ID: "x", Topic: "a", Unit: units{temperature: quantity.Pascal}}},
		`sensor "y": the topic a/+ overlaps with a/b of another sensor`: {{ID: "x", Topic: "a/b", Unit: celsius}, {ID: "y", Topic: "a/+", Unit: celsius}},
	} {
		_, err := New(sources, Options{})
		assert.ErrorContains(t, err, want)
	}
}

func TestOverlapIsWhatSomeTopicMatches(t *testing.T) {
	level := []string{"a", "b", "+"}
	rapid.Check(t, func(t *rapid.T) {
		filter := func(name string) string {
			levels := rapid.SliceOfN(rapid.SampledFrom(level), 1, 3).Draw(t, name)
			if rapid.Bool().Draw(t, name+" ends in #") {
				levels = append(levels, "#")
			}
			return strings.Join(levels, "/")
		}
		a, b := filter("a"), filter("b")
		topic := strings.Join(rapid.SliceOfN(rapid.SampledFrom(level[:2]), 1, 4).Draw(t, "topic"), "/")
		if mqtt.Match(a, topic) && mqtt.Match(b, topic) && !mqtt.Overlap(a, b) {
			t.Fatalf("%s and %s both match %s", a, b, topic)
		}
	})
	assert.False(t, mqtt.Overlap("a/b", "a/c"))
	assert.False(t, mqtt.Overlap("a/+", "a/b/c"))
	assert.True(t, mqtt.Overlap("a/#", "a"))
	assert.True(t, mqtt.Overlap("+/b", "a/+"))
}

func TestDescribe(t *testing.T) {
	d := Describe(board)
	assert.Equal(t, "mqtt", d.Driver)
	assert.Equal(t, "shed/esp", d.Where)
	assert.Equal(t, []sensors.Measure{
		{Channel: humidity, Low: 0, High: 120}, {Channel: pressure, Low: 30e3, High: 120e3}, {Channel: temperature, Low: -40, High: 85},
	}, d.Measures)
	assert.Len(t, Describe(senmlBoard).Measures, 2)
}

// TestThroughTheLine: samples go the way of all sensors, and saturated humidity is flagged by quality there.
func TestThroughTheLine(t *testing.T) {
	air := quantity.Point{Place: "loft", Quantity: quantity.AirTemperature}
	damp := quantity.Point{Place: "loft", Quantity: quantity.RelativeHumidity}
	line, err := intake.NewLine([]intake.Source{{
		ID: senmlBoard.ID, Description: Describe(senmlBoard),
		Feeds: []intake.Feed{{Channel: temperature, Point: air}, {Channel: humidity, Point: damp}},
	}}, nil)
	require.NoError(t, err)
	f := newFeed(t, senmlBoard)
	f.Silent(noon)
	take := func(s intake.Sample) intake.Outcome {
		t.Helper()
		outcome, err := line.Take(s)
		require.NoError(t, err)
		require.Len(t, outcome.Readings, 2)
		return outcome
	}
	outcome := take(f.Take(message(senmlBoard.Topic, `[{"n":"esp:t","u":"Cel","v":22},{"n":"esp:rh","u":"%RH","v":103}]`, after(1)))[0])
	assert.Equal(t, 22.0, outcome.Readings[0].Value)
	assert.True(t, outcome.Readings[0].Flag.Usable())
	assert.Equal(t, quantity.Suspect, outcome.Readings[1].Flag)
	assert.Empty(t, outcome.Worst().Failure)

	outcome = take(f.Take(message(senmlBoard.Topic, `[{"n":"esp:t","u":"Cel","v":22}]`, after(20)))[0])
	assert.True(t, outcome.Readings[0].Flag.Usable())
	assert.Equal(t, quantity.Missing, outcome.Readings[1].Flag)
	assert.Equal(t, "it gave no humidity", outcome.Worst().Failure)

	outcome = take(f.Silent(after(320))[0])
	assert.Equal(t, quantity.Missing, outcome.Readings[0].Flag)
	assert.Equal(t, sensors.Timeout, outcome.Worst().Kind)
	assert.Contains(t, outcome.Worst().Failure, "none came for 5m0s")
}

func BenchmarkTake(b *testing.B) {
	f, err := New([]Source{board, plainProbe}, Options{})
	require.NoError(b, err)
	m := message(board.Topic, `{"bme":{"t":72.5,"rh":61.5,"p":1013.25},"id":"esp"}`, noon)
	for b.Loop() {
		f.Take(m)
	}
}

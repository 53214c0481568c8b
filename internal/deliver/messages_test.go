package deliver

import (
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/mqtt"
)

var update = flag.Bool("update", false, "rewrite the golden files")

var morning = time.Date(2026, 7, 1, 6, 20, 0, 0, time.UTC)

func northLoft(t testing.TB) Topics {
	t.Helper()
	topics, err := NewTopics("dewline/north-loft")
	require.NoError(t, err)
	return topics
}

var water = quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}

func TestTopics(t *testing.T) {
	topics := northLoft(t)
	assert.Equal(t, "dewline/north-loft/status", topics.Status())
	assert.Equal(t, "dewline/north-loft/events", topics.Events())
	assert.Equal(t, "dewline/north-loft/command/+", topics.Commands())
	reading, err := topics.Reading(water)
	require.NoError(t, err)
	assert.Equal(t, "dewline/north-loft/readings/tub-1/water-temperature", reading)
	point, err := topics.Point(water)
	require.NoError(t, err)
	assert.Equal(t, "dewline/north-loft/points/tub-1/water-temperature", point)
	alarm, err := topics.Alarm(&watch.AlarmState{Place: "tub-1", Quantity: "water-temperature", Limit: "critical-high"})
	require.NoError(t, err)
	assert.Equal(t, "dewline/north-loft/alarms/tub-1/water-temperature/critical-high", alarm)
	fault, err := topics.Alarm(&watch.AlarmState{Place: "sensor", Quantity: "tub-1-probe", Limit: "fault"})
	require.NoError(t, err)
	assert.Equal(t, "dewline/north-loft/alarms/sensor/tub-1-probe/fault", fault)

	for _, topic := range []string{topics.Status(), topics.Events(), reading, point, alarm, fault} {
		assert.Regexp(t, `^[a-z0-9-]+(/[a-z0-9-]+)+$`, topic, "ids in [a-z0-9-], no leading slash, no spaces")
		require.NoError(t, mqtt.CheckTopic(topic))
	}
}

func TestTopicsRefuse(t *testing.T) {
	topics := northLoft(t)
	for _, place := range []string{"", "Tub 1", "a/b", "+", "#"} {
		_, err := topics.Point(quantity.Point{Place: place, Quantity: quantity.WaterTemperature})
		require.Error(t, err, place)
		_, err = topics.Alarm(&watch.AlarmState{Place: place, Quantity: "x", Limit: "high"})
		require.Error(t, err, place)
	}
	_, err := topics.Reading(quantity.Point{Place: "tub-1"})
	require.Error(t, err)
	for _, root := range []string{"", "/a", "a/", "a//b", "a/+", "$SYS", "a b", "dewline/North Loft"} {
		_, err := NewTopics(root)
		require.Error(t, err, root)
	}
	barn, err := NewTopics("barn/loft")
	require.NoError(t, err)
	assert.Equal(t, "barn/loft/status", barn.Status())
}

func TestWill(t *testing.T) {
	will := northLoft(t).Will("7f3a", func() time.Time { return morning })
	assert.Equal(t, "dewline/north-loft/status", will.Topic)
	assert.Equal(t, `{"state":"offline"}`, string(will.Payload))
	assert.Equal(t, `{"state":"offline","time":"2026-07-01T06:20:00.000Z","boot":"7f3a"}`, string(will.Farewell()))
}

// exampleState is an invented point above its band.
func exampleState() watch.PointState {
	nan := math.NaN()
	return watch.PointState{
		Point: water, Value: 24.6, Flag: quantity.Pass, LastReading: instant.Of(morning), Zone: watch.HighZone,
		Since: instant.Of(morning.Add(-10 * time.Minute)), Certainty: watch.TooClose, Accuracy: 0.5,
		Band: care.Band{Limits: [care.LimitCount]float64{nan, 18, 24, 27}}, Day: true, Cohort: "a-2026", Stage: care.Larva,
		Today: watch.Ledger{
			From: instant.Of(morning.Add(-20 * time.Minute)), To: instant.Of(morning),
			InZone: [watch.ZoneCount]time.Duration{watch.InBand: 8 * time.Minute, watch.HighZone: 10 * time.Minute, watch.UnknownZone: 2 * time.Minute},
			Min:    23.1, Max: 24.7, Readings: 108, Integral: 24 * 1080, DegreeAbove: 180, Excursions: 1, Longest: 10 * time.Minute,
		},
	}
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name+".json")
	if *update {
		require.NoError(t, os.WriteFile(path, append(got, '\n'), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, string(want), string(got)+"\n")
}

func TestGoldenPoint(t *testing.T) {
	s := exampleState()
	payload, err := pointPayload(&s)
	require.NoError(t, err)
	golden(t, "point", payload)
	var m PointMessage
	require.NoError(t, json.Unmarshal(payload, &m))
	var sum int64
	for _, ms := range m.Today.Seconds {
		sum += ms
	}
	assert.Equal(t, m.Today.To.Sub(m.Today.From).Milliseconds(), sum, "the zones add up")

	unknown := watch.PointState{
		Point: water, Value: 85, Flag: quantity.Missing, LastReading: instant.None, Since: instant.None, Zone: watch.UnknownZone, Band: care.NoBand(),
	}
	payload, err = pointPayload(&unknown)
	require.NoError(t, err)
	golden(t, "point-unknown", payload)
}

// TestReadingMessage is the rule of SenML on relative times: without a synchronised clock there is no time at all.
func TestReadingMessage_RuleSenMLTime(t *testing.T) {
	r := ReadingMessage{Point: water, Value: 22.125, At: instant.Of(morning)}
	payload, err := readingMessage(r, true)
	require.NoError(t, err)
	assert.Equal(t, `[{"n":"tub-1/water-temperature","u":"Cel","t":1782886800,"v":22.125}]`, string(payload))
	r.At = instant.Of(time.Unix(90, 0)) // a board that has just started and knows no time
	payload, err = readingMessage(r, false)
	require.NoError(t, err)
	assert.Equal(t, `[{"n":"tub-1/water-temperature","u":"Cel","v":22.125}]`, string(payload))
	_, err = readingMessage(r, true)
	require.ErrorContains(t, err, "relative")
}

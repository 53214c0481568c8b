package intake

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/quantity"
	"dewline/sensors"
)

// pair returns what hands a line one good sample after another, in turn of two sensors of the same air, with values that move.
func pair(tb testing.TB) (take func()) {
	air, humidity := quantity.Point{Place: "loft", Quantity: quantity.AirTemperature}, quantity.Point{Place: "loft", Quantity: quantity.RelativeHumidity}
	var sources []Source
	for _, id := range []string{"loft-air", "loft-second"} {
		sources = append(sources, Source{ID: id, Feeds: []Feed{
			{Channel: sensors.Temperature, Point: air}, {Channel: sensors.Humidity, Point: humidity},
		}})
	}
	line, err := NewLine(sources, map[quantity.Point]float64{air: 1.5, humidity: 8})
	require.NoError(tb, err)
	at, n := time.Date(2026, 7, 17, 12, 0, 0, 0, time.UTC), uint64(0)
	values := []sensors.Value{{Channel: sensors.Temperature}, {Channel: sensors.Humidity}}
	return func() {
		n++
		at = at.Add(5 * time.Second)
		values[0].Value, values[0].Raw = 22+float64(n%7)*0.01, n
		values[1].Value, values[1].Raw = 60+float64(n%11)*0.02, n
		outcome, err := line.Take(Sample{Sensor: sources[n%2].ID, At: at, Reading: sensors.Measurement{Values: values}})
		if err != nil || outcome.Worst().Failure != "" {
			tb.Fatal(err, outcome.Reports)
		}
	}
}

func TestASampleCostsNoAllocation(t *testing.T) {
	take := pair(t)
	for range 1000 {
		take()
	}
	assert.Zero(t, testing.AllocsPerRun(1000, take))
}

// BenchmarkLine is the cost of a sample of two channels, whose points have a second sensor each.
func BenchmarkLine(b *testing.B) {
	take := pair(b)
	b.ReportAllocs()
	for b.Loop() {
		take()
	}
}

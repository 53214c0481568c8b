package sim_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
	"dewline/internal/sim"
	"dewline/sensors"
)

func lisbon(t *testing.T) *time.Location {
	location, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	return location
}

func northLoft(t *testing.T) (*sim.Loft, time.Time) {
	start := sim.DemoStart(lisbon(t))
	light := care.Light{Location: lisbon(t), From: 7 * 60, To: 19 * 60}
	return sim.New(sim.NorthLoft(start, 1, light)), start
}

func point(place string, q quantity.Quantity) quantity.Point {
	return quantity.Point{Place: place, Quantity: q}
}

// What the demo promises: the tub by the window leaves the larval band of 70–75 °F within a quarter of an hour, well before the
// room is critical at 82 °F, which it is within the second hour.
func TestHeatWaveDrivesTheTubOutOfItsBand(t *testing.T) {
	loft, start := northLoft(t)
	tub, room := point("tub-1", quantity.WaterTemperature), point("loft", quantity.AirTemperature)
	const high, critical = (75 - 32) * 5. / 9, (82 - 32) * 5. / 9
	require.Less(t, loft.Value(tub), high)
	leaves, breaks := time.Duration(0), time.Duration(0)
	for d := time.Duration(0); d < 3*time.Hour; d += time.Minute {
		loft.Advance(start.Add(d))
		if leaves == 0 && loft.Value(tub) > high {
			leaves = d
		}
		if breaks == 0 && loft.Value(room) > critical {
			breaks = d
		}
	}
	assert.Less(t, leaves, 12*time.Minute)

	assert.NotZero(t, leaves)
	assert.Greater(t, breaks, 65*time.Minute)
	assert.Less(t, breaks, 2*time.Hour)
	assert.Less(t, loft.Value(point("tub-8", quantity.WaterTemperature)), loft.Value(tub), "deep tubs in the shade lag behind")
}

// A month of values stays within what a room can do, and is the same every time.
func TestMonthIsPlausibleAndRepeatable(t *testing.T) {
	one, start := northLoft(t)
	two, _ := northLoft(t)
	lowest, highest := math.Inf(1), math.Inf(-1)
	for d := time.Duration(0); d < 30*24*time.Hour; d += 10 * time.Minute {
		one.Advance(start.Add(d))
		for _, place := range []string{"grow-out", "vivarium-1", "vivarium-2", "loft"} {
			rh := one.Value(point(place, quantity.RelativeHumidity))
			require.True(t, rh > 15 && rh <= 100, "%s %v at %s", place, rh, d)
		}
		rh := one.Value(point("vivarium-1", quantity.RelativeHumidity))
		lowest, highest = min(lowest, rh), max(highest, rh)
		c := one.Value(point("tub-3", quantity.WaterTemperature))
		require.True(t, c > 15 && c < 35, "%v at %s", c, d)
	}
	two.Advance(start.Add(30*24*time.Hour - 10*time.Minute))
	assert.Equal(t, one.Value(point("tub-1", quantity.WaterTemperature)), two.Value(point("tub-1", quantity.WaterTemperature)))
	assert.Greater(t, highest, 90.0, "a misting wets it")
	assert.Less(t, lowest, 80.0, "and it dries between two")
	assert.True(t, math.IsNaN(one.Value(point("tub-1", quantity.RelativeHumidity))))
}

func TestSensorFaults(t *testing.T) {
	loft, start := northLoft(t)
	now := start
	world := sim.NewWorld(loft, func() time.Time { return now })
	sensor := sim.NewSensor(world, sim.SensorOptions{
		ID: "tub-1-probe", Feeds: map[sensors.Channel]quantity.Point{sensors.Temperature: point("tub-1", quantity.WaterTemperature)},
		Faults: []sim.Fault{
			{Span: sim.Span{From: start.Add(time.Minute), To: start.Add(2 * time.Minute)}, Kind: sensors.Checksum},
			{Span: sim.Span{From: start.Add(3 * time.Minute), To: start.Add(time.Hour)}},
		},
	})
	require.Len(t, sensor.Describe().Measures, 1)
	first, err := sensor.Read(t.Context())
	require.NoError(t, err)
	assert.InDelta(t, 23, first.Values[0].Value, 2)
	now = start.Add(90 * time.Second)
	_, err = sensor.Read(t.Context())
	assert.Equal(t, sensors.Checksum, sensors.KindOf(err))
	now = start.Add(150 * time.Second)
	before, err := sensor.Read(t.Context())
	require.NoError(t, err)
	now = start.Add(40 * time.Minute)
	stuck, err := sensor.Read(t.Context())
	require.NoError(t, err)
	assert.Equal(t, before, stuck)
	require.NoError(t, sensor.Close())

	nowhere := sim.NewSensor(world, sim.SensorOptions{Feeds: map[sensors.Channel]quantity.Point{sensors.Humidity: point("tub-1", quantity.RelativeHumidity)}})
	_, err = nowhere.Read(t.Context())
	assert.Equal(t, sensors.Absent, sensors.KindOf(err))
}

func BenchmarkSimulatedDay(b *testing.B) {
	location := time.UTC
	start := sim.DemoStart(location)
	loft := sim.New(sim.NorthLoft(start, 1, care.Light{Location: location, From: 420, To: 1140}))
	for b.Loop() {
		start = start.Add(24 * time.Hour)
		loft.Advance(start)
	}
}

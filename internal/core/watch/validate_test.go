package watch

import (
	"bytes"
	"encoding/gob"
	"math"
	"reflect"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/quantity"
)

var damageBegin = instant.Of(time.Date(2026, 7, 6, 12, 0, 0, 0, time.UTC))

// aRoom is a core with every kind of state in it: a room and a tub, derived points, alarms, a cohort, a sensor.
func aRoom() *Core {
	b := care.NoBand()
	b.Limits = [care.LimitCount]float64{18, 21, 24, 27}
	b.OnDelay, b.OffDelay, b.Deadband, b.Foresee = time.Minute, time.Minute, 0.3, 30*time.Minute
	bands := care.DayNight{Day: b, Night: b}
	water := quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}
	return New(Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{AlwaysDay: true, Location: time.UTC},
		Places: []Place{
			{ID: "loft", Room: true, Bands: map[quantity.Quantity]care.DayNight{quantity.AirTemperature: bands}},
			{ID: "tub-1", In: "loft", Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: bands}},
		},
		Points: []Point{
			{Point: water, Gap: 2 * time.Minute, StaleAfter: 5 * time.Minute},
			{Point: quantity.Point{Place: "loft", Quantity: quantity.AirTemperature}, Gap: 2 * time.Minute},
			{Point: quantity.Point{Place: "loft", Quantity: quantity.RelativeHumidity}, Gap: 2 * time.Minute},
		},
		Cohorts: []Cohort{{ID: "a-2026", Place: "tub-1", Stages: []care.Since{{Stage: care.Larva, At: time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)}}}},
		Sensors: []SensorFeeds{{ID: "tub-1-probe", FaultAfter: time.Minute, Channels: []Channel{{Name: "temperature", Feeds: water}}}},
	}, "run-1")
}

// live takes the core through some hours with a warm spell, a silence and a fault, and returns the moment it has reached.
func live(c *Core, from instant.Instant) instant.Instant {
	now := from
	for minute := range 240 {
		now = from.Add(time.Duration(minute) * time.Minute)
		swing := math.Sin(float64(minute) / 20)
		if minute < 100 || minute > 120 {
			for point, v := range []float64{23 + 3*swing, 24 + 3*swing, 60 + 10*swing} {
				c.Step(Event{At: now, Point: int32(point), Value: v, Flag: quantity.Pass}, nil)
			}
		}
		failure, flag := "", quantity.Missing
		if minute > 100 && minute < 120 {
			failure = "no answer"
		}
		c.Step(Event{Kind: SensorEvent, At: now, Failure: failure, Flag: flag}, nil)
		c.Step(Event{Kind: TickEvent, At: now}, nil)
	}
	return now
}

// A state with any change in it is refused and leaves the core as it was; or it is loaded, and the core works on: no panic, no zone
// times that do not add up, no alarm state beyond I.
func TestDamagedStateIsRefusedOrHarmless(t *testing.T) {
	whole := aRoom()
	end := live(whole, damageBegin)
	data, err := whole.Snapshot()
	require.NoError(t, err)
	fresh, err := aRoom().Snapshot()
	require.NoError(t, err)
	refused := 0
	rapid.Check(t, func(t *rapid.T) {
		var s snapshot
		require.NoError(t, gob.NewDecoder(bytes.NewReader(data)).Decode(&s))
		for range rapid.IntRange(1, 3).Draw(t, "changes") {
			damage(t, reflect.ValueOf(&s).Elem())
		}
		var hurt bytes.Buffer
		require.NoError(t, gob.NewEncoder(&hurt).Encode(&s))
		c := aRoom()
		if err := c.Restore(hurt.Bytes()); err != nil {
			refused++
			untouched, err := c.Snapshot()
			require.NoError(t, err)
			require.True(t, bytes.Equal(fresh, untouched), "a refused state leaves the core as it was")
			return
		}
		live(c, end.Add(time.Minute))
		for _, a := range c.Alarms() {
			assert.True(t, a.Letter >= isa.Normal && a.Letter <= isa.OutOfService, "%s is %c", a.Name, a.Letter)
		}
		for i := range c.points {
			for zone, seconds := range c.State(int32(i)).Total {
				assert.GreaterOrEqual(t, seconds, 0.0, Zone(zone))
			}
		}
		_, err := c.Snapshot()
		assert.NoError(t, err)
	})
	assert.Positive(t, refused, "the damage is never noticed")
}

// damage walks to a random leaf and gives it a random value.
func damage(t *rapid.T, v reflect.Value) {
	switch v.Kind() {
	case reflect.Struct:
		var open []int
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				open = append(open, i)
			}
		}
		if open == nil { // a time.Time
			return
		}
		damage(t, v.Field(rapid.SampledFrom(open).Draw(t, v.Type().Name())))
	case reflect.Slice, reflect.Array:
		if v.Len() > 0 {
			damage(t, v.Index(rapid.IntRange(0, v.Len()-1).Draw(t, "index")))
		}
	case reflect.Pointer:
		if !v.IsNil() {
			damage(t, v.Elem())
		}
	case reflect.Bool:
		v.SetBool(!v.Bool())
	case reflect.Int, reflect.Int64:
		v.SetInt(rapid.OneOf(rapid.Int64(), rapid.SampledFrom([]int64{0, -1, 2, 65, math.MinInt64, math.MaxInt64}),
			rapid.Int64Range(int64(damageBegin), int64(damageBegin)+5*3600e9)).Draw(t, "integer"))
	case reflect.Uint8, reflect.Uint64:
		v.SetUint(rapid.Uint64Range(0, math.MaxUint64>>(64-v.Type().Bits())).Draw(t, "unsigned"))
	case reflect.Float64:
		v.SetFloat(rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), -1, 0})).Draw(t, "float"))
	case reflect.String:
		v.SetString(rapid.OneOf(rapid.StringN(0, 20, 40), rapid.Just("tub-1/water-temperature")).Draw(t, "text"))
	default:
		t.Fatalf("no way to damage a %s", v.Type())
	}
}

// Bytes that are no state at all are refused.
func FuzzRestore(f *testing.F) {
	c := aRoom()
	live(c, damageBegin)
	data, err := c.Snapshot()
	require.NoError(f, err)
	f.Add(data)
	f.Add(data[:len(data)/2])
	f.Add([]byte{})
	f.Add([]byte("\xff\xff\xff\xff\xff\xff\xff\xff"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c := aRoom()
		if c.Restore(data) == nil {
			live(c, damageBegin.Add(300*time.Minute))
		}
	})
}

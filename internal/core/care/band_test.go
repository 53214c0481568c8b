package care

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/quantity"
)

func TestNoBandGivesNothing(t *testing.T) {
	band := NoBand()
	assert.True(t, band.Empty())
	for l := CriticalLow; l <= CriticalHigh; l++ {
		assert.False(t, band.Has(l), l)
	}
	assert.Equal(t, Unset, band.Priority)
	assert.Zero(t, band.Foresee)

	band.Limits[High] = 24
	assert.False(t, band.Empty())
	assert.True(t, band.Has(High))
}

func TestLimits(t *testing.T) {
	cases := []struct {
		limit           Limit
		name            string
		above, critical bool
	}{
		{CriticalLow, "critical-low", false, true},
		{Low, "low", false, false},
		{High, "high", true, false},
		{CriticalHigh, "critical-high", true, true},
	}
	require.Len(t, cases, LimitCount)
	for _, c := range cases {
		assert.Equal(t, c.name, c.limit.String())
		assert.Equal(t, c.above, c.limit.Above(), c.name)
		assert.Equal(t, c.critical, c.limit.Critical(), c.name)
	}
}

func TestPrioritiesParseBack(t *testing.T) {
	for p := LowPriority; p <= CriticalPriority; p++ {
		parsed, known := ParsePriority(p.String())
		assert.True(t, known)
		assert.Equal(t, p, parsed)
	}
	for _, name := range []string{"", "High", "urgent"} {
		parsed, known := ParsePriority(name)
		assert.False(t, known, name)
		assert.Equal(t, Unset, parsed, name)
	}
}

// The delays of these cases are our own proposals; common practice, no published source.
func TestDefaults(t *testing.T) {
	cases := []struct {
		quantity              quantity.Quantity
		deadband              float64
		on, off               time.Duration
		criticalLow, critical time.Duration
	}{
		{quantity.WaterTemperature, 0.3, 10 * time.Minute, 10 * time.Minute, 2 * time.Minute, 2 * time.Minute},
		{quantity.AirTemperature, 0.5, 15 * time.Minute, 10 * time.Minute, 2 * time.Minute, 2 * time.Minute},
		{quantity.RelativeHumidity, 3, 15 * time.Minute, 15 * time.Minute, 20 * time.Minute, 2 * time.Minute},
		{quantity.VapourPressureDeficit, 50, 15 * time.Minute, 15 * time.Minute, 15 * time.Minute, 15 * time.Minute},
	}
	for _, c := range cases {
		t.Run(c.quantity.String(), func(t *testing.T) {
			band := NoBand().WithDefaults(c.quantity)
			assert.Equal(t, c.deadband, band.Deadband)
			assert.Equal(t, c.off, band.OffDelay)
			assert.Equal(t, c.on, band.OnDelayOf(Low, c.quantity))
			assert.Equal(t, c.on, band.OnDelayOf(High, c.quantity))
			assert.Equal(t, c.criticalLow, band.OnDelayOf(CriticalLow, c.quantity))
			assert.Equal(t, c.critical, band.OnDelayOf(CriticalHigh, c.quantity))
		})
	}
}

func TestEveryQuantityHasDefaults(t *testing.T) {
	for _, q := range quantity.All() {
		band := NoBand().WithDefaults(q)
		assert.Positive(t, band.Deadband, q)
		assert.Positive(t, band.OffDelay, q)
		for l := CriticalLow; l <= CriticalHigh; l++ {
			assert.Positive(t, band.OnDelayOf(l, q), "%s %s", q, l)
		}
	}
}

func TestGivenDelaysStay(t *testing.T) {
	const q = quantity.WaterTemperature
	minutes := func(band Band) (critical, other time.Duration) {
		band = band.WithDefaults(q)
		return band.OnDelayOf(CriticalHigh, q), band.OnDelayOf(High, q)
	}
	cases := []struct {
		name            string
		on, criticalOn  time.Duration // -1 = not given
		critical, other time.Duration
	}{
		{"none given", -1, -1, 2 * time.Minute, 10 * time.Minute},
		{"one speaks for all limits", 30 * time.Minute, -1, 30 * time.Minute, 30 * time.Minute},
		{"both given", 30 * time.Minute, 5 * time.Minute, 5 * time.Minute, 30 * time.Minute},
		{"only the critical one", -1, 5 * time.Minute, 5 * time.Minute, 10 * time.Minute},
		{"no delay at all is a choice", 0, -1, 0, 0},
		{"no critical delay is a choice", -1, 0, 0, 10 * time.Minute},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			band := NoBand()
			band.OnDelay, band.CriticalOnDelay = c.on, c.criticalOn
			critical, other := minutes(band)
			assert.Equal(t, c.critical, critical)
			assert.Equal(t, c.other, other)
		})
	}
	band := NoBand()
	band.OffDelay, band.Deadband = 0, 0
	band = band.WithDefaults(q)
	assert.Zero(t, band.OffDelay)
	assert.Zero(t, band.Deadband)
}

// Filling in twice is filling in once, limits are left alone, and no delay is lost.
func TestDefaultsSettle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := rapid.SampledFrom(quantity.All()).Draw(t, "quantity")
		delay := rapid.Custom(func(t *rapid.T) time.Duration {
			return time.Duration(rapid.IntRange(-1, 120).Draw(t, "minutes")) * time.Minute
		})
		band := NoBand()
		band.Limits[High] = rapid.Float64Range(20, 30).Draw(t, "high")
		band.OnDelay, band.CriticalOnDelay = delay.Draw(t, "on"), delay.Draw(t, "critical on")
		band.OffDelay = delay.Draw(t, "off")
		if rapid.Bool().Draw(t, "deadband given") {
			band.Deadband = rapid.Float64Range(0, 5).Draw(t, "deadband")
		}
		once := band.WithDefaults(q)
		twice := once.WithDefaults(q)
		require.Equal(t, band.Limits[High], once.Limits[High])
		require.Equal(t, once.Deadband, twice.Deadband)
		require.Equal(t, once.OffDelay, twice.OffDelay)
		require.GreaterOrEqual(t, once.OffDelay, time.Duration(0))
		for l := CriticalLow; l <= CriticalHigh; l++ {
			require.Equal(t, once.OnDelayOf(l, q), twice.OnDelayOf(l, q), "%s", l)
			require.GreaterOrEqual(t, once.OnDelayOf(l, q), time.Duration(0), "%s", l)
			switch given := band.OnDelay; {
			case l.Critical() && band.CriticalOnDelay >= 0:
				require.Equal(t, band.CriticalOnDelay, once.OnDelayOf(l, q))
			case given >= 0:
				require.Equal(t, given, once.OnDelayOf(l, q))
			}
		}
	})
}

func TestPriorityOf(t *testing.T) {
	band := NoBand()
	assert.Equal(t, HighPriority, band.PriorityOf(Low))
	assert.Equal(t, CriticalPriority, band.PriorityOf(CriticalLow))
	band.Priority = MediumPriority
	assert.Equal(t, MediumPriority, band.PriorityOf(High))
	assert.Equal(t, CriticalPriority, band.PriorityOf(CriticalHigh))
}

func TestDayNightAt(t *testing.T) {
	both := DayNight{Day: NoBand(), Night: NoBand()}
	both.Day.Limits[High], both.Night.Limits[High] = 26, 22
	assert.Equal(t, 26.0, both.At(true).Limits[High])
	assert.Equal(t, 22.0, both.At(false).Limits[High])
}

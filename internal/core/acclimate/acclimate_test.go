package acclimate_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"dewline/internal/core/acclimate"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

var noon = instant.Of(time.Date(2026, 7, 6, 12, 0, 0, 0, time.UTC))

// minutes makes pairs a minute apart that end at noon; the second point stays at 22 °C.
func minutes(n int, difference func(before float64) float64) (pairs []acclimate.Pair) {
	for i := range n {
		before := n - 1 - i
		pairs = append(pairs, acclimate.Pair{At: noon.Add(-time.Duration(before) * time.Minute), A: 22 + difference(float64(before)), B: 22})
	}
	return pairs
}

func compare(pairs []acclimate.Pair) acclimate.Result {
	return acclimate.Compare(pairs, true, 1, 20*time.Minute)
}

func TestApproach(t *testing.T) {
	// 4 K an hour ago, falling by 1.8 K an hour: 2.2 K now.
	r := compare(minutes(61, func(before float64) float64 { return 2.2 + 1.8*before/60 }))
	assert.InDelta(t, 2.2, r.Difference, 1e-9)
	assert.False(t, r.Near)
	assert.True(t, r.Since.IsNone())
	assert.InDelta(t, -1.8, r.Rate, 1e-9)
	assert.False(t, r.TooFast)
	assert.InDelta(t, 40, r.Until.Minutes(), 0.1, "1.2 K at 1.8 K an hour")
	assert.InDelta(t, 36, r.Least.Minutes(), 0.1, "1.2 K at 2 K an hour")

	fast := compare(minutes(61, func(before float64) float64 { return -3 - 2.5*before/60 }))
	assert.InDelta(t, 2.5, fast.Rate, 1e-9, "from below the difference rises")
	assert.True(t, fast.TooFast)
	assert.InDelta(t, 48, fast.Until.Minutes(), 0.1)

	apart := compare(minutes(61, func(before float64) float64 { return 3 - before/60 }))
	assert.Zero(t, apart.Until)
	assert.InDelta(t, 60, apart.Least.Minutes(), 0.1)
	assert.False(t, acclimate.Compare(minutes(61, func(b float64) float64 { return b }), false, 5, 0).TooFast, "the rule is one for temperatures")
}

func TestNearSince(t *testing.T) {
	settled := compare(minutes(61, func(before float64) float64 {
		if before > 20 {
			return 1.2
		}
		return -1
	}))
	assert.True(t, settled.Near, "what is on the tolerance is within")
	assert.True(t, settled.Settled)
	assert.Equal(t, noon.Add(-20*time.Minute), settled.Since)
	assert.Zero(t, settled.Until)
	assert.Zero(t, settled.Least)

	gap := minutes(61, func(float64) float64 { return 0.5 })
	gap[50].B = math.NaN()
	broken := compare(gap)
	assert.True(t, broken.Near)
	assert.Equal(t, noon.Add(-9*time.Minute), broken.Since, "what is not known was not near")
	assert.False(t, broken.Settled)

	unknown := minutes(61, func(float64) float64 { return 0.5 })
	unknown[60].A = math.NaN()
	r := compare(unknown)
	assert.True(t, math.IsNaN(r.Difference))
	assert.False(t, r.Near)
	assert.True(t, math.IsNaN(compare(minutes(9, func(float64) float64 { return 0 })).Rate), "ten minutes at least")
	assert.True(t, math.IsNaN(compare(nil).Difference))
}

// Whichever point is named first, the comparison is the same but for its sign.
func TestOrderOfThePoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var pairs, turned []acclimate.Pair
		n := rapid.IntRange(1, 90).Draw(t, "minutes")
		for i := range n {
			p := acclimate.Pair{At: noon.Add(time.Duration(i-n+1) * time.Minute), A: rapid.Float64Range(15, 30).Draw(t, "a"), B: rapid.Float64Range(15, 30).Draw(t, "b")}
			if rapid.IntRange(0, 9).Draw(t, "known") == 0 {
				p.A = math.NaN()
			}
			pairs, turned = append(pairs, p), append(turned, acclimate.Pair{At: p.At, A: p.B, B: p.A})
		}
		within := rapid.Float64Range(0.1, 5).Draw(t, "within")
		one, other := acclimate.Compare(pairs, true, within, time.Minute), acclimate.Compare(turned, true, within, time.Minute)
		assert.Equal(t, one.Near, other.Near)
		assert.Equal(t, one.Since, other.Since)
		assert.Equal(t, one.Settled, other.Settled)
		assert.Equal(t, one.TooFast, other.TooFast)
		assert.Equal(t, one.Least, other.Least)
		assert.InDelta(t, one.Until.Seconds(), other.Until.Seconds(), 1)
		if !math.IsNaN(one.Difference) {
			assert.InDelta(t, one.Difference, -other.Difference, 1e-12)
		}
		if one.Settled {
			assert.True(t, one.Near)
		}
	})
}

func TestAlike(t *testing.T) {
	assert.True(t, acclimate.Alike(quantity.WaterTemperature, quantity.AirTemperature))
	assert.False(t, acclimate.Alike(quantity.WaterTemperature, quantity.RelativeHumidity))
	assert.Equal(t, 1.0, acclimate.Tolerance(quantity.WaterTemperature))
	assert.Equal(t, 5.0, acclimate.Tolerance(quantity.RelativeHumidity))
	assert.Zero(t, acclimate.Tolerance(quantity.Pressure))
}

package growth

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

var begun = instant.Of(time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC))

func after(days float64) instant.Instant { return begun.Add(time.Duration(days * float64(day))) }

// daysAt are so many days of one temperature.
func daysAt(celsius float64, n int) (days []Day) {
	for i := range n {
		days = append(days, Day{after(float64(i)), celsius})
	}
	return days
}

func length(i instant.Instant) float64 { return inDays(i.Sub(begun)) }

var sixty = Span{Reference: Reference{For: 60 * day, At: 24}, First: 21, End: 42}

// The values are computed by hand from the two formulas, for D₀ = 60 d at 24 °C.
func TestDaysAtConstantTemperature(t *testing.T) {
	for celsius, want := range map[float64][2]float64{18: {150, 101.2}, 20: {100, 84.8}, 22: {75, 71.3}, 24: {60, 60}, 26: {50, 50.6}} {
		assert.InDelta(t, want[0], 1/sixty.Linear()(celsius), 0.05, "degree-days at %g °C", celsius)
		assert.InDelta(t, want[1], 1/sixty.Arrhenius()(celsius), 0.05, "Arrhenius at %g °C", celsius)
		w := Forecast(sixty, begun, daysAt(celsius, 200), nil, begun)
		assert.InDelta(t, 0.8*min(want[0], want[1]), length(w.Early), 0.1)
		assert.InDelta(t, 1.4*max(want[0], want[1]), length(w.Late), 0.1)
	}
	assert.Zero(t, sixty.Linear()(14))
	assert.Zero(t, sixty.Linear()(9))
}

// Swings of 22 ± 3 °C make the exponential faster than its mean temperature, and the straight line not.
func TestDaysInSwingingWater(t *testing.T) {
	for want, rate := range map[float64]Rate{75.0: sixty.Linear(), 70.2: sixty.Arrhenius()} {
		sum := 0.0
		const steps = 24 * 60
		for i := range steps {
			sum += rate(22 + 3*math.Sin(2*math.Pi*float64(i)/steps))
		}
		assert.InDelta(t, want, steps/sum, 0.05)
	}
}

func TestCapMakesNothingFaster(t *testing.T) {
	capped := sixty
	capped.Cap = 26
	for _, rate := range []Rate{capped.Linear(), capped.Arrhenius()} {
		assert.Equal(t, rate(26), rate(31))
		assert.Less(t, rate(25), rate(26))
	}
}

func TestColdWaterGivesNoDate(t *testing.T) {
	w := Forecast(sixty, begun, daysAt(12, 30), nil, after(30))
	assert.Equal(t, instant.None, w.Late, "below the threshold it stands still")
	assert.False(t, w.Early.IsNone(), "by Arrhenius it does not")
	frozen := Span{Reference: Reference{For: 300 * day, At: 24}}
	assert.Equal(t, Window{instant.None, instant.None}, Forecast(frozen, begun, daysAt(4, 3), nil, after(3)))
	assert.Equal(t, Window{instant.None, instant.None}, Then(Window{instant.None, instant.None}, sixty, nil, begun))
}

func TestSeenStageNarrows(t *testing.T) {
	days := daysAt(24, 48)
	blind := Forecast(sixty, begun, days, nil, after(48))
	seen := []Sight{{after(34), 34}, {after(41), 36}, {after(48), 38}}
	w := Forecast(sixty, begun, days, seen, after(48))
	assert.Less(t, w.Late.Sub(w.Early), blind.Late.Sub(blind.Early)/3)
	assert.LessOrEqual(t, w.Late.Sub(w.Early), 10*day)
	assert.Equal(t, w, Forecast(sixty, begun, days, append(seen, Sight{after(50), 41}), after(48)), "not seen yet")
	assert.Equal(t, blind, Forecast(sixty, begun, days, []Sight{{after(48), 45}, {after(-1), 30}}, after(48)), "of another stage")

	slow := Forecast(sixty, begun, daysAt(24, 130), []Sight{{after(130), 39}}, after(130))
	assert.Greater(t, slow.Early, after(130), "a batch that is slower than the spread is believed")
}

func TestNextStageFollows(t *testing.T) {
	metamorph := Span{Reference: Reference{For: 5 * day, At: 24}, First: 42, End: 46}
	w := Forecast(sixty, begun, daysAt(24, 40), nil, after(40))
	next := Then(w, metamorph, daysAt(24, 40), after(40))
	assert.InDelta(t, length(w.Early)+4, length(next.Early), 0.01)
	assert.InDelta(t, length(w.Late)+7, length(next.Late), 0.01)
}

func TestSharesRise(t *testing.T) {
	for g := 2; g <= 46; g++ {
		assert.Greater(t, share(g), share(g-1), "Gosner %d", g)
	}
	assert.Equal(t, 1.0, share(46))
}

func TestSpanOfAStage(t *testing.T) {
	needs := care.Care{Stage: care.Larva, Gosner: "21–41", Bands: map[quantity.Quantity]care.DayNight{}}
	_, ok := SpanOf(&needs)
	assert.False(t, ok, "no reference")
	needs.Lasts = care.Lasting{For: 60 * day, At: 24}
	span, ok := SpanOf(&needs)
	assert.True(t, ok)
	assert.Equal(t, Span{Reference: Reference{For: 60 * day, At: 24}, First: 21, End: 42}, span)
	water := care.NoBand()
	water.Limits[care.High] = 26
	needs.Bands[quantity.WaterTemperature], needs.Gosner = care.DayNight{Day: water, Night: water}, ""
	span, _ = SpanOf(&needs)
	assert.Equal(t, Span{Reference: Reference{For: 60 * day, At: 24, Cap: 26}}, span)
}

// A window is in order, and warmer water never ends it later.
func TestWindows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var days, warmer []Day
		for i, celsius := range rapid.SliceOfN(rapid.Float64Range(15, 30), 0, 90).Draw(t, "days") {
			days = append(days, Day{after(float64(i)), celsius})
			warmer = append(warmer, Day{after(float64(i)), celsius + rapid.Float64Range(0, 2).Draw(t, "warmer")})
		}
		now := after(float64(len(days)))
		span := sixty
		if rapid.Bool().Draw(t, "capped") {
			span.Cap = 26
		}
		far := func(i instant.Instant) instant.Instant {
			if i.IsNone() {
				return now.Add(Horizon)
			}
			return i
		}
		w := Forecast(span, begun, days, nil, now)
		require.LessOrEqual(t, far(w.Early), far(w.Late))
		if len(days) > 0 {
			hot := Forecast(span, begun, warmer, nil, now)
			require.LessOrEqual(t, far(hot.Early), far(w.Early)+1)
			require.LessOrEqual(t, far(hot.Late), far(w.Late)+1)
		}
		at := after(rapid.Float64Range(0, float64(len(days)+1)).Draw(t, "seen"))
		seen := Forecast(span, begun, days, []Sight{{at, rapid.IntRange(21, 41).Draw(t, "gosner")}}, after(float64(len(days)+1)))
		require.LessOrEqual(t, far(seen.Early), far(seen.Late).Add(day), "the horizon moves with now")
	})
}

// Each stage that was seen narrows the factor, by more the later it is.
func TestFactorNarrows(t *testing.T) {
	blank := wide()
	low, high := blank.bounds()
	assert.InDelta(t, fastest, low, 1e-12)
	assert.InDelta(t, slowest, high, 1e-12)
	rapid.Check(t, func(t *rapid.T) {
		f := wide()
		for range rapid.IntRange(1, 10).Draw(t, "seen") {
			low, high := f.bounds()
			early, late := f, f
			part := rapid.Float64Range(0.05, 0.9).Draw(t, "part")
			progress := part * rapid.Float64Range(0.5, 2).Draw(t, "factor")
			early.narrow(progress, part)
			late.narrow(progress*1.1, part*1.1)
			newLow, newHigh := early.bounds()
			require.LessOrEqual(t, newHigh/newLow, high/low*(1+1e-12))
			require.Greater(t, late.weight, early.weight)
			f = early
		}
		before := f
		f.narrow(0, 0.5)
		f.narrow(0.5, 0)
		require.Equal(t, before, f)
	})
}

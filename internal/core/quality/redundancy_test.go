package quality

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

func candidates(values ...float64) []Candidate {
	var list []Candidate
	for i, v := range values {
		list = append(list, Candidate{Sensor: string(rune('a' + i)), Value: v, Flag: quantity.NotEvaluated})
	}
	return list
}

func TestChoose(t *testing.T) {
	for name, c := range map[string]struct {
		values   []float64
		disagree float64
		want     Choice
	}{
		"one":                   {[]float64{21}, 1, Choice{Value: 21, Flag: 2, Of: 1}},
		"two that agree":        {[]float64{21, 21.5}, 1, Choice{Value: 21.25, Flag: 1, Spread: 0.5, Of: 2}},
		"two that differ":       {[]float64{21, 23}, 1, Choice{Value: 22, Flag: 3, Spread: 2, Odd: []string{"a", "b"}, Of: 2}},
		"one of three is odd":   {[]float64{21, 25, 21.5}, 1, Choice{Value: 21.5, Flag: 3, Spread: 4, Odd: []string{"b"}, Of: 3}},
		"one of four is odd":    {[]float64{15, 21, 21.5, 22}, 1, Choice{Value: 21.25, Flag: 3, Spread: 7, Odd: []string{"a"}, Of: 4}},
		"as far as allowed":     {[]float64{21, 22}, 1, Choice{Value: 21.5, Flag: 1, Spread: 1, Of: 2}},
		"no comparison wanted":  {[]float64{21, 29}, 0, Choice{Value: 25, Flag: 2, Spread: 8, Of: 2}},
		"three with one median": {[]float64{3, 1, 2}, 5, Choice{Value: 2, Flag: 1, Spread: 2, Of: 3}},
	} {
		assert.Equal(t, c.want, choose(candidates(c.values...), c.disagree), name)
	}
	empty := choose(nil, 1)
	assert.True(t, math.IsNaN(empty.Value))
	assert.Equal(t, quantity.Missing, empty.Flag)

	both := candidates(99.6, 99.8)
	both[0].Flag, both[1].Flag = quantity.Suspect, quantity.Suspect
	assert.Equal(t, quantity.Suspect, choose(both, 5).Flag, "two saturated sensors agree, and know nothing")
	both[1].Flag = quantity.Pass
	assert.Equal(t, quantity.Pass, choose(both, 5).Flag)
}

// A coarse sensor beside a fine one counts by the inverse square of its uncertainty: 1/0.3² to 1/0.9² is 9 to 1.
func TestTheFinerSensorCountsForMore(t *testing.T) {
	pair := candidates(20, 21)
	pair[0].Uncertainty, pair[1].Uncertainty = 0.3, 0.9
	assert.InDelta(t, 20.1, choose(pair, 2).Value, 1e-9)
	apart := candidates(20, 23)
	apart[0].Uncertainty, apart[1].Uncertainty = 0.3, 0.9
	assert.Equal(t, []string{"a", "b"}, choose(apart, 2).Odd, "which of two is wrong cannot be known all the same")
	assert.InDelta(t, 20.5, choose(pair, 0).Value, 1e-9, "no one compares them")
	pair[0].Uncertainty = 0
	assert.InDelta(t, 20.5, choose(pair, 2).Value, 1e-9, "of one nothing is known")

	r := NewRedundancy(1, time.Minute)
	var choice Choice
	for minute := range 12 {
		at := instant.Instant(int64(minute) * 60e9)
		r.Offer(Candidate{Sensor: "a", At: at, Value: 20, Flag: quantity.Pass, Uncertainty: 0.3})
		if choice = r.Offer(Candidate{Sensor: "b", At: at, Value: 23, Flag: quantity.Pass, Uncertainty: 0.9}); minute < 10 {
			assert.InDelta(t, 20.3, choice.Value, 1e-9)
		}
	}
	assert.InDelta(t, 21.5, choice.Value, 1e-9, "they are found to differ")
}

func TestChooseLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := candidates(rapid.SliceOfN(rapid.Float64Range(-40, 120), 1, 7).Draw(t, "values")...)
		for i := range list {
			list[i].Uncertainty = rapid.SampledFrom([]float64{0, 0.2, 1, 1e9}).Draw(t, "uncertainty")
		}
		disagree := rapid.Float64Range(0, 5).Draw(t, "disagree")
		choice := choose(list, disagree)
		slices.Reverse(list)
		again := choose(list, disagree)
		if again.Value != choice.Value {
			t.Fatal("the order of the sensors matters")
		}
		var below, above int
		for _, c := range list {
			if c.Value <= choice.Value {
				below++
			}
			if c.Value >= choice.Value {
				above++
			}
		}
		if 2*below < len(list) || 2*above < len(list) {
			t.Fatalf("%v is no median", choice.Value)
		}
	})
}

func TestRedundancyHoldsTheLatestOfEach(t *testing.T) {
	r := NewRedundancy(1, 30*time.Second)
	offer := func(second int64, sensor string, value float64, flag quantity.Flag) Choice {
		return r.Offer(Candidate{Sensor: sensor, At: instant.Instant(second * 1e9), Value: value, Flag: flag})
	}
	assert.Equal(t, Choice{Value: 21, Flag: 2, Of: 1}, offer(0, "a", 21, 2))
	assert.Equal(t, Choice{Value: 21.25, Flag: 1, Spread: 0.5, Of: 2}, offer(5, "b", 21.5, 2))
	assert.Equal(t, 21.5, offer(10, "a", 21.5, 2).Value, "its earlier one is replaced")
	assert.Equal(t, Choice{Value: 21.5, Flag: 2, Of: 1}, offer(15, "a", 85, quantity.Fail), "a failed one is out at once")
	assert.Equal(t, 2, offer(20, "a", 21.5, 2).Of)
	assert.Equal(t, 2, offer(30, "a", none, quantity.Missing).Of, "a missing one is not, yet")
	assert.Equal(t, Choice{Value: 21.5, Flag: 2, Of: 1}, offer(36, "a", none, quantity.Missing), "b is 31 s old")
	last := offer(60, "a", none, quantity.Missing)
	assert.True(t, math.IsNaN(last.Value))
	assert.Equal(t, quantity.Missing, last.Flag)
	assert.Equal(t, Choice{Value: 85, Flag: quantity.Fail}, offer(61, "a", 85, quantity.Fail))
}

func TestRedundancyShiftsWithTheClock(t *testing.T) {
	r := NewRedundancy(1, 30*time.Second)
	r.Offer(Candidate{Sensor: "a", At: 0, Value: 21, Flag: quantity.Pass})
	r.Shift(time.Hour)
	assert.Equal(t, 2, r.Offer(Candidate{Sensor: "b", At: 3610e9, Value: 21, Flag: quantity.Pass}).Of)
	assert.Equal(t, 1, r.Offer(Candidate{Sensor: "b", At: 10e9, Value: 21, Flag: quantity.Pass}).Of, "back by an hour without a word: nothing is compared")
}

func TestADisagreementIsHeld(t *testing.T) {
	r := NewRedundancy(1, time.Minute)
	minute := int64(0)
	differ := func(by float64, minutes int) (odd int) {
		for range minutes {
			at := instant.Instant(minute * 60e9)
			r.Offer(Candidate{Sensor: "a", At: at, Value: 21, Flag: quantity.Pass})
			odd = len(r.Offer(Candidate{Sensor: "b", At: at, Value: 21 + by, Flag: quantity.Pass}).Odd)
			minute++
		}
		return odd
	}
	assert.Zero(t, differ(3, 9))
	assert.Zero(t, differ(0.9, 1), "once within the allowed distance")
	assert.Zero(t, differ(3, 10), "nine minutes")
	assert.Equal(t, 2, differ(3, 1), "ten minutes")
	assert.Equal(t, 2, differ(0.9, 120), "within the allowed distance, not yet near each other")
	assert.Zero(t, differ(0.6, 59))
	assert.Equal(t, 2, differ(0.8, 1), "no hour")
	assert.Zero(t, differ(0.6, 60))
	assert.Zero(t, differ(0.8, 10), "it is over")
	assert.Zero(t, differ(3, 10), "and has to last again")

	flag := r.Offer(Candidate{Sensor: "b", At: instant.Instant(minute * 60e9), Value: 24, Flag: quantity.Pass}).Flag
	assert.Equal(t, quantity.Suspect, flag, "what differs is suspect from the first reading on")
}

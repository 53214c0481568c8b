package quality

import (
	"math"
	"slices"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// Range is an interval of values, ends included. The zero value holds every value.
type Range struct {
	Low, High float64
}

// Contains reports whether v lies in the range.
func (r Range) Contains(v float64) bool {
	return r == Range{} || v >= r.Low && v <= r.High
}

// absent reports whether v marks a missing value.
func absent(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) }

// GrossRange is QARTOD test 4: outside possible a value fails, outside expected it is suspect. Here and in all other
// series a NaN is a missing value.
func GrossRange(values []float64, possible, expected Range) []quantity.Flag {
	flags := make([]quantity.Flag, len(values))
	for i, v := range values {
		flags[i] = grossRange(v, possible, expected)
	}
	return flags
}

func grossRange(v float64, possible, expected Range) quantity.Flag {
	switch {
	case absent(v):
		return quantity.Missing
	case !possible.Contains(v):
		return quantity.Fail
	case !expected.Contains(v):
		return quantity.Suspect
	}
	return quantity.Pass
}

// SpikeAverage is QARTOD test 6 as the manual has it: the distance of a value from the mean of its neighbours. It
// also flags the good neighbours of a spike; the Judge uses [SpikeDifference] for that reason. A value without two
// neighbours is not evaluated. A threshold of NaN is never exceeded; one of 0 is exceeded by any spike.
func SpikeAverage(values []float64, suspect, fail float64) []quantity.Flag {
	return spikes(values, suspect, fail, func(before, v, after float64) float64 {
		return math.Abs(v - (before+after)/2)
	})
}

// SpikeDifference is QARTOD test 6 on differences: a value is a spike by the smaller of its two steps, where they go in
// opposite directions. Unlike the mean it does not flag the edge of a real step, nor the neighbours of a spike.
func SpikeDifference(values []float64, suspect, fail float64) []quantity.Flag {
	return spikes(values, suspect, fail, spikeHeight)
}

// spikeHeight is the smaller of the steps into and out of v, or 0 where v lies between its neighbours.
func spikeHeight(before, v, after float64) float64 {
	in, out := v-before, v-after
	if in > 0 != (out > 0) {
		return 0
	}
	return min(math.Abs(in), math.Abs(out))
}

func spikes(values []float64, suspect, fail float64, height func(before, v, after float64) float64) []quantity.Flag {
	flags := make([]quantity.Flag, len(values))
	for i, v := range values {
		switch {
		case absent(v):
			flags[i] = quantity.Missing
		case i == 0 || i == len(values)-1 || absent(values[i-1]) || absent(values[i+1]):
			flags[i] = quantity.NotEvaluated
		default:
			flags[i] = above(height(values[i-1], v, values[i+1]), suspect, fail)
		}
	}
	return flags
}

// above grades x by two thresholds.
func above(x, suspect, fail float64) quantity.Flag {
	switch {
	case x > fail:
		return quantity.Fail
	case x > suspect:
		return quantity.Suspect
	}
	return quantity.Pass
}

// RateOfChange is QARTOD test 7 with fixed rates, in units per minute, between a value and the one before it. A first
// value, and one after a missing value, is not evaluated. NaN as fail, which is what the manual has, never fails.
func RateOfChange(times []instant.Instant, values []float64, suspect, fail float64) []quantity.Flag {
	flags := make([]quantity.Flag, len(values))
	for i, v := range values {
		switch {
		case absent(v):
			flags[i] = quantity.Missing
		case i == 0 || absent(values[i-1]) || times[i] <= times[i-1]:
			flags[i] = quantity.NotEvaluated
		default:
			minutes := times[i].Sub(times[i-1]).Minutes()
			flags[i] = above(math.Abs(v-values[i-1]), suspect*minutes, fail*minutes)
		}
	}
	return flags
}

// FlatLine is QARTOD test 8 by time: a value is suspect, or fails, where it and all values before it over such a time
// lie within a range of tolerance. Missing values are passed over. The first two values always pass.
func FlatLine(times []instant.Instant, values []float64, suspect, fail time.Duration, tolerance float64) []quantity.Flag {
	flags := make([]quantity.Flag, len(values))
	calm := steady{tolerance: tolerance}
	for i, v := range values {
		if absent(v) {
			flags[i] = quantity.Missing
			continue
		}
		span, count := calm.push(times[i], v)
		switch {
		case count < 3 || span < min(suspect, fail):
			flags[i] = quantity.Pass
		case span >= fail:
			flags[i] = quantity.Fail
		default:
			flags[i] = quantity.Suspect
		}
	}
	return flags
}

// Attenuated is QARTOD test 10 over a whole series: where the range of its values is below a threshold, all of them are
// suspect, or fail.
func Attenuated(values []float64, suspect, fail float64) []quantity.Flag {
	present := slices.DeleteFunc(slices.Clone(values), absent)
	verdict := quantity.NotEvaluated
	if len(present) > 1 {
		switch spread := slices.Max(present) - slices.Min(present); {
		case spread < fail:
			verdict = quantity.Fail
		case spread < suspect:
			verdict = quantity.Suspect
		default:
			verdict = quantity.Pass
		}
	}
	flags := make([]quantity.Flag, len(values))
	for i, v := range values {
		flags[i] = verdict
		if absent(v) {
			flags[i] = quantity.Missing
		}
	}
	return flags
}

// Gap is QARTOD test 1: whether, at the time now, a reading is missing because the last one is longer ago than limit.
func Gap(last, now instant.Instant, limit time.Duration) quantity.Flag {
	if last.IsNone() || now.Sub(last) > limit {
		return quantity.Missing
	}
	return quantity.Pass
}

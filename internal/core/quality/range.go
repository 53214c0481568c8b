package quality

import (
	"math"

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

// spikeHeight is the smaller of the steps into and out of v, or 0 where v lies between its neighbours. Unlike the distance from
// the mean of the neighbours, which the manual has, it flags neither the edge of a real step nor the neighbours of a spike.
func spikeHeight(before, v, after float64) float64 {
	in, out := v-before, v-after
	if in > 0 != (out > 0) {
		return 0
	}
	return min(math.Abs(in), math.Abs(out))
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

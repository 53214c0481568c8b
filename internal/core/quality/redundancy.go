package quality

import (
	"cmp"
	"math"
	"slices"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// Candidate is the latest usable reading of one of several sensors that feed one point.
type Candidate struct {
	Sensor string
	At     instant.Instant
	Value  float64
	Flag   quantity.Flag
	// Uncertainty of the value, expanded; 0 where it is not known.
	Uncertainty float64
}

// Choice is the combined reading of the sensors of a point.
type Choice struct {
	Value float64 // the median, between the middle two of an even number where their uncertainties put it; NaN without a candidate
	Flag  quantity.Flag
	// Spread is the distance between the highest and the lowest candidate.
	Spread float64
	// Odd names the sensor farthest from the median if the spread is larger than allowed. Of two sensors that differ it cannot be
	// known which one is wrong: then both are named.
	Odd []string
	// Of is how many candidates there were.
	Of int
}

// choose returns the median of the candidates, which it may put into another order. Sensors that agree to within disagree vouch
// for each other, so their median passes even while each of them waits for its next reading, unless all are suspect; sensors that
// differ by more make it suspect. A disagree of 0 compares nothing, and the flags are aggregated.
func choose(sorted []Candidate, disagree float64) Choice {
	if len(sorted) == 0 {
		return Choice{Value: math.NaN(), Flag: quantity.Missing}
	}
	slices.SortFunc(sorted, func(a, b Candidate) int {
		if byValue := cmp.Compare(a.Value, b.Value); byValue != 0 {
			return byValue
		}
		return cmp.Compare(a.Sensor, b.Sensor)
	})
	n := len(sorted)
	choice := Choice{
		Value:  sorted[n/2].Value,
		Spread: sorted[n-1].Value - sorted[0].Value,
		Of:     n,
	}
	switch {
	case n%2 == 0 && disagree > 0:
		choice.Value = between(&sorted[n/2-1], &sorted[n/2])
	case n%2 == 0:
		choice.Value = middle(sorted)
	}
	allSuspect := true
	for _, c := range sorted {
		choice.Flag = Aggregate(choice.Flag, c.Flag)
		allSuspect = allSuspect && c.Flag == quantity.Suspect
	}
	if n == 1 || disagree <= 0 {
		return choice
	}
	if choice.Spread <= disagree {
		if !allSuspect {
			choice.Flag = quantity.Pass
		}
		return choice
	}
	choice.Flag, choice.Odd = quantity.Suspect, farthest(sorted)
	return choice
}

// between returns the best estimate from two values: their mean, weighted by 1/u² (JCGM 100:2008, and any text on least squares), so that a
// coarse sensor beside a fine one does not pull it by half of its error. Where an uncertainty is not known both weigh the same.
func between(a, b *Candidate) float64 {
	share := 0.5
	if ua, ub := a.Uncertainty*a.Uncertainty, b.Uncertainty*b.Uncertainty; ua > 0 && ub > 0 {
		share = ua / (ua + ub)
	}
	return min(a.Value+(b.Value-a.Value)*share, b.Value) // rounding must not carry it beyond b
}

// middle returns the plain median of sorted candidates.
func middle(candidates []Candidate) float64 {
	n := len(candidates)
	low, high := candidates[(n-1)/2].Value, candidates[n/2].Value
	return low + (high-low)/2
}

// farthest names the sensors that are farthest from the middle of sorted candidates, in the order of their names.
func farthest(candidates []Candidate) (odd []string) {
	median, distance := middle(candidates), 0.0
	for _, c := range candidates {
		distance = max(distance, math.Abs(c.Value-median))
	}
	// Rounding must not decide which of two is named.
	const rounding = 1e-9
	for _, c := range candidates {
		if math.Abs(c.Value-median) >= distance*(1-rounding) {
			odd = append(odd, c.Sensor)
		}
	}
	slices.Sort(odd)
	return odd
}

// Redundancy chooses live among the sensors of one point: it holds the latest usable reading of each.
type Redundancy struct {
	disagree float64
	age      time.Duration
	latest   []Candidate // of each sensor, in any order
	// Disagreement is slow to be found and slow to be over, so that sensors at the allowed distance do not come and go.
	apart   instant.Instant // they have differed by more than is allowed since then; None while they do not
	near    instant.Instant // while they are found to differ: the last time that they were not near each other again
	differs bool
}

// The numbers of a disagreement: engineering judgement, no published source.
const (
	disagreesAfter = 10 * time.Minute // of a spread above the allowed one
	nearAgain      = 0.7              // share of the allowed spread below which sensors agree again, for [Settled]
)

// NewRedundancy returns a choice among sensors whose readings count for as long as age, and may differ by disagree.
func NewRedundancy(disagree float64, age time.Duration) *Redundancy {
	return &Redundancy{disagree: disagree, age: age, apart: instant.None}
}

// Offer takes a reading of one sensor and returns the choice at its time. A reading that failed takes the sensor out until
// its next good one; a missing one leaves it in until its latest is too old. Where no sensor has anything usable, the
// choice is the reading offered.
//
// While sensors that are compared agree, or until it is found that they do not, the middle two of an even number count by their uncertainties.
//
// The choice names odd sensors only once the spread has been larger than allowed for ten minutes, and then until it has been below
// seven tenths of what is allowed for [Settled].
func (r *Redundancy) Offer(reading Candidate) Choice {
	r.latest = slices.DeleteFunc(r.latest, func(c Candidate) bool {
		replaced := c.Sensor == reading.Sensor && reading.Flag != quantity.Missing
		return replaced || reading.At.Sub(c.At) > r.age || c.At.Sub(reading.At) > r.age
	})
	if reading.Flag.Usable() {
		r.latest = append(r.latest, reading)
	}
	if len(r.latest) == 0 {
		return Choice{Value: reading.Value, Flag: reading.Flag}
	}
	choice := choose(r.latest, r.disagree)
	r.settle(reading.At, &choice)
	if r.differs { // what a data sheet says of a sensor holds no more for one of them
		choice.Value = middle(r.latest)
	}
	return choice
}

// Another reports whether another sensor than one has a usable reading at a time.
func (r *Redundancy) Another(sensor string, at instant.Instant) bool {
	return slices.ContainsFunc(r.latest, func(c Candidate) bool { return c.Sensor != sensor && at.Sub(c.At) <= r.age && c.At.Sub(at) <= r.age })
}

// settle holds a disagreement back until it has lasted, and keeps it up until it is surely over.
func (r *Redundancy) settle(at instant.Instant, choice *Choice) {
	switch {
	case r.disagree <= 0:
		return
	case choice.Spread <= r.disagree:
		r.apart = instant.None
	case r.apart.IsNone():
		r.apart = at
	}
	if !r.differs && !r.apart.IsNone() && at.Sub(r.apart) >= disagreesAfter {
		r.differs = true
	}
	odd := choice.Odd
	choice.Odd = nil
	if !r.differs {
		return
	}
	if choice.Spread > nearAgain*r.disagree {
		r.near, choice.Flag = at, quantity.Suspect
		if choice.Odd = odd; odd == nil {
			choice.Odd = farthest(r.latest)
		}
	}
	r.differs = at.Sub(r.near) < Settled
}

// Shift moves all remembered times by a step of the clock.
func (r *Redundancy) Shift(by time.Duration) {
	for i := range r.latest {
		instant.Shift(by, &r.latest[i].At)
	}
	instant.Shift(by, &r.apart, &r.near)
}

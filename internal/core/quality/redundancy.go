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
}

// Choice is the combined reading of the sensors of a point.
type Choice struct {
	Value float64 // the median; NaN without a candidate
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
	if n%2 == 0 {
		choice.Value = sorted[n/2-1].Value + (sorted[n/2].Value-sorted[n/2-1].Value)/2
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
	choice.Flag = quantity.Suspect
	farthest := 0.0
	for _, c := range sorted {
		farthest = max(farthest, math.Abs(c.Value-choice.Value))
	}
	// Rounding must not decide which of two is named.
	const rounding = 1e-9
	for _, c := range sorted {
		if math.Abs(c.Value-choice.Value) >= farthest*(1-rounding) {
			choice.Odd = append(choice.Odd, c.Sensor)
		}
	}
	slices.Sort(choice.Odd)
	return choice
}

// Redundancy chooses live among the sensors of one point: it holds the latest usable reading of each.
type Redundancy struct {
	disagree float64
	age      time.Duration
	latest   []Candidate // of each sensor, in any order
}

// NewRedundancy returns a choice among sensors whose readings count for as long as age, and may differ by disagree.
func NewRedundancy(disagree float64, age time.Duration) *Redundancy {
	return &Redundancy{disagree: disagree, age: age}
}

// Offer takes a reading of one sensor and returns the choice at its time. A reading that failed takes the sensor out until
// its next good one; a missing one leaves it in until its latest is too old. Where no sensor has anything usable, the
// choice is the reading offered.
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
	return choose(r.latest, r.disagree)
}

// Shift moves all remembered times by a step of the clock.
func (r *Redundancy) Shift(by time.Duration) {
	for i := range r.latest {
		r.latest[i].At = r.latest[i].At.Add(by)
	}
}

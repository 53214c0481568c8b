// Package acclimate compares two points over time, for animals that are to be moved from one to the other: how far apart they are, since
// when they have been near enough, and how fast they approach each other.
package acclimate

import (
	"math"
	"slices"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

const (
	// MaxRate is how fast the temperature around an animal may change, in kelvin an hour: common practice, no published source. From 26 to
	// 22 °C it takes the better part of two hours.
	MaxRate = 2.0
	// DefaultWithin is how near two temperatures are before animals are moved, in kelvin, and DefaultHumidity the same in percent
	// relative humidity. Common practice, no published source.
	DefaultWithin   = 1.0
	DefaultHumidity = 5.0
	// DefaultFor is how long they are as near. Common practice, no published source.
	DefaultFor = 20 * time.Minute

	// rateSpan is the time over which the rate is taken, and minRateSpan the shortest that gives one: a tub is stirred by less. Engineering
	// judgement.
	rateSpan    = 30 * time.Minute
	minRateSpan = 10 * time.Minute
)

// Pair is both points at one time; NaN where a value is not known.
type Pair struct {
	At   instant.Instant
	A, B float64
}

// Result is what the comparison has shown. Differences are A less B in the unit of a difference; rates are per hour.
type Result struct {
	Difference float64         // NaN where one of the two is not known now
	Near       bool            // the difference is within the tolerance now
	Since      instant.Instant // without a break; None where it is not near
	Settled    bool            // it has been near for as long as asked
	Rate       float64         // of the difference; NaN where too little is known
	TooFast    bool            // a temperature, and the difference changes faster than MaxRate
	// Until is how long it takes until they are near at the present rate; 0 where they are near already, move apart or too little is known.
	Until time.Duration
	// Least is how long it takes at MaxRate until they are near; 0 where they are, and for what is no temperature.
	Least time.Duration
}

// Tolerance returns the usual tolerance of a quantity in the unit of a difference.
func Tolerance(q quantity.Quantity) float64 {
	switch q.DifferenceUnit() {
	case quantity.Kelvin:
		return DefaultWithin
	case quantity.PercentRelativeHumidity:
		return DefaultHumidity
	}
	return 0
}

// Alike reports whether two quantities can be compared: two temperatures, or twice the same.
func Alike(a, b quantity.Quantity) bool { return a == b || a.IsTemperature() && b.IsTemperature() }

// Compare looks at pairs in the order of their times, the last of which is now. A pair with an unknown value ends what has been near
// before it: it is not known that it stayed so.
func Compare(pairs []Pair, temperature bool, within float64, length time.Duration) Result {
	r := Result{Difference: math.NaN(), Since: instant.None, Rate: math.NaN()}
	if len(pairs) == 0 {
		return r
	}
	now := pairs[len(pairs)-1]
	r.Difference = now.A - now.B
	// A difference on the tolerance is within it, also where value and tolerance come in different units.
	near := func(p Pair) bool { return math.Abs(p.A-p.B) <= within+1e-9 }
	for i := len(pairs) - 1; i >= 0 && near(pairs[i]); i-- {
		r.Near, r.Since = true, pairs[i].At
	}
	r.Settled = r.Near && now.At.Sub(r.Since) >= length
	r.Rate = rate(pairs, now.At)
	if temperature {
		r.TooFast = math.Abs(r.Rate) > MaxRate
	}
	if gap := math.Abs(r.Difference) - within; !r.Near && gap > 0 {
		if temperature {
			r.Least = hours(gap / MaxRate)
		}
		if approach := -r.Rate * math.Copysign(1, r.Difference); approach > 0 {
			r.Until = hours(gap / approach)
		}
	}
	return r
}

// maxUntil bounds what is foreseen: beyond a day a rate says nothing.
const maxUntil = 24 * time.Hour

func hours(h float64) time.Duration {
	if !(h*float64(time.Hour) < float64(maxUntil)) {
		return maxUntil
	}
	return time.Duration(h * float64(time.Hour)).Round(time.Second)
}

// rate is the slope of the least-squares line through the differences of the last half hour, per hour.
func rate(pairs []Pair, now instant.Instant) float64 {
	var n, sumT, sumD, sumTT, sumTD float64
	first := now
	for _, p := range slices.Backward(pairs) {
		d := p.A - p.B
		if now.Sub(p.At) > rateSpan {
			break
		}
		if math.IsNaN(d) {
			continue
		}
		t := p.At.Sub(now).Hours()
		n, sumT, sumD, sumTT, sumTD, first = n+1, sumT+t, sumD+d, sumTT+t*t, sumTD+t*d, p.At
	}
	if now.Sub(first) < minRateSpan {
		return math.NaN()
	}
	return (n*sumTD - sumT*sumD) / (n*sumTT - sumT*sumT)
}

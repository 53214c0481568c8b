package watch

import (
	"math"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
)

const (
	maxTimings = 40 // the latest that count
	minTimings = 9  // the fewest that have a first and a last tenth
	// patience is after how many times the expected length a level that has not been reached counts for nothing: the interval is about
	// when, provided that it comes.
	patience = 3
	maxRatio = 5 // a logarithm: a hundredfold
)

// timing learns how well the outlook of a point says when. While the point has a trend it expects a level that the value should reach,
// no limit, and notes how long that really took. Those ratios of the past give the interval of what is expected next: the first and the
// last tenth of them are left out, so that four of five lie inside (an interval by order statistics; V. Vovk, A. Gammerman and
// G. Shafer, Algorithmic Learning in a Random World, 2005, on conformal prediction).
type timing struct {
	Ratios []float64 `json:"ratios,omitempty"` // ln(real length / expected length), the oldest first

	// The level that is waited for, if Ahead is not 0.
	Began  instant.Instant `json:"began"`
	Ahead  float64         `json:"ahead,omitempty"` // seconds after Began at which it was expected
	Level  float64         `json:"level"`
	Upward bool            `json:"upward,omitempty"`
	Next   int             `json:"next,omitempty"` // which of timingSteps is waited for next
	Seen   int             `json:"seen,omitempty"` // looks since the trend began
}

// timingSteps are how far ahead levels are expected, in steps of the outlook: near and far ones in turn.
var timingSteps = [...]int{lookSteps / 3, 2 * lookSteps / 3, lookSteps}

func (t *timing) valid() bool {
	return len(t.Ratios) <= maxTimings && !slices.ContainsFunc(t.Ratios, func(r float64) bool { return !finite(r) || math.Abs(r) > maxRatio }) &&
		validTimes(t.Began) && finite(t.Ahead) && t.Ahead >= 0 && finite(t.Level) && t.Next >= 0 && t.Next < len(timingSteps) && t.Seen >= 0
}

// follow compares a value with the level that is waited for. Once that is settled and the point has been without a trend, the next trend
// gives the next level: a limit, too, is foreseen soon after a trend has begun.
func (t *timing) follow(look *glance, at instant.Instant, v float64) {
	if t.Ahead != 0 {
		passed := at.Sub(t.Began).Seconds()
		switch {
		case passed > 0 && t.Upward == (v >= t.Level):
			t.note(math.Log(passed / t.Ahead))
			t.Ahead = 0
		case passed < 0 || passed > patience*t.Ahead:
			t.Ahead = 0
		}
	}
	level := look.value(lookSteps)
	if look.trend.slope == 0 || !finite(level) || (level > v) != (look.trend.slope > 0) || math.Abs(level-v) < look.point.band.Deadband/2 {
		t.Seen = 0
		return
	}
	if t.Seen++; t.Seen != 2 || t.Ahead != 0 {
		return
	}
	k := timingSteps[t.Next]
	if level = look.value(k); (level > v) != (look.trend.slope > 0) {
		return
	}
	t.Began, t.Ahead, t.Level, t.Upward = at, (time.Duration(k) * look.point.band.Foresee / lookSteps).Seconds(), level, level > v
	t.Next = (t.Next + 1) % len(timingSteps)
}

// drop forgets the level that is waited for, after a gap.
func (t *timing) drop() { t.Ahead = 0 }

func (t *timing) note(ratio float64) {
	if len(t.Ratios) == maxTimings {
		t.Ratios = slices.Delete(t.Ratios, 0, 1)
	}
	t.Ratios = append(t.Ratios, min(max(math.Round(ratio*100)/100, -maxRatio), maxRatio)) // a hundredth is enough, and short in the record
}

// expect returns what is expected of a limit at a time so far ahead, if the value moves in so many seconds by what it may be off.
func (t *timing) expect(limit care.Limit, at instant.Instant, ahead time.Duration, off float64) *journal.Expectation {
	e := &journal.Expectation{Limit: limit.String(), At: at.Add(ahead)}
	n := len(t.Ratios)
	if n < minTimings {
		return e
	}
	ratios := slices.Sorted(slices.Values(t.Ratios))
	// The k-th smallest of n exceeds a further one with the probability k / (n + 1). A tenth is on the line between two of them.
	whole, share := math.Modf(float64(n+1)/10 - 1)
	k := int(whole)
	first, last := ratios[k]+share*(ratios[k+1]-ratios[k]), ratios[n-1-k]+share*(ratios[n-2-k]-ratios[n-1-k])
	from, to := at.Add(bound(ahead, first, -off)), at.Add(bound(ahead, last, off))
	e.From, e.To = &from, &to
	return e
}

// bound returns how far ahead a ratio, the logarithm of one, puts what is expected, and an error in seconds beside it: the two are
// independent.
func bound(ahead time.Duration, ratio, off float64) time.Duration {
	moved := ahead.Seconds() * (math.Exp(ratio) - 1)
	moved += math.Copysign(math.Hypot(moved, off)-math.Abs(moved), off)
	return time.Duration(max(ahead.Seconds()+moved, 0) * float64(time.Second)).Round(time.Second)
}

// when returns what is expected of a limit, if a value should reach its level so far ahead. The value may be off by its standard
// uncertainty, half of the stated one: where it moves slowly, that is a long time.
func (c *Core) when(p *point, limit care.Limit, level, v float64, at instant.Instant, ahead time.Duration) *journal.Expectation {
	speed := max(math.Abs(level-v)/max(ahead.Seconds(), 1), slowSlope)
	return p.Timing.expect(limit, at, ahead, c.accuracy(p)/2/speed)
}

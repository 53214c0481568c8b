package watch

import (
	"time"

	"dewline/internal/core/instant"
)

// condition follows one limit: how long the value has been beyond it, and, once that has become an alarm, how long it
// has been back inside by the deadband. Both are counted from the interpolated crossing.
type condition struct {
	Active  bool            `json:"active,omitempty"`
	Out     instant.Instant `json:"out"`     // beyond the limit without a break since then; None when it is not
	Back    instant.Instant `json:"back"`    // while active: inside by the deadband since then; None when it is not
	Extreme float64         `json:"extreme"` // furthest value since Out
}

// limitRule is one limit in force, with its delays.
type limitRule struct {
	level     float64 // the limit
	returning float64 // limit ∓ deadband
	sign      float64 // +1 for a limit from above, −1 from below
	present   bool
	on, off   time.Duration
}

// beyond reports whether v breaks the limit; the limit itself does not.
func (r *limitRule) beyond(v float64) bool { return r.present && r.sign*(v-r.level) > tolerance }

// inside reports whether v is inside the limit by the deadband, or the limit is gone.
func (r *limitRule) inside(v float64) bool { return !r.present || r.sign*(v-r.returning) <= tolerance }

// follow moves the condition along a segment on which the value was observed.
func (k *condition) follow(r *limitRule, n *segment) {
	if !k.Active {
		if !r.beyond(n.v1) {
			k.Out = instant.None
			return
		}
		if k.Out.IsNone() {
			k.Out, k.Extreme = n.t0, n.v1
			if !r.beyond(n.v0) {
				k.Out = n.crossing(r.level)
			}
		}
	} else {
		switch {
		case !r.inside(n.v1):
			k.Back = instant.None
		case k.Back.IsNone():
			k.Back = n.t0
			if !r.inside(n.v0) {
				k.Back = n.crossing(r.returning)
			}
		}
	}
	k.push(r, n.v1)
}

// push updates the extreme.
func (k *condition) push(r *limitRule, v float64) {
	if r.sign*(v-k.Extreme) > 0 {
		k.Extreme = v
	}
}

// interrupt forgets running delays: what happened in a gap is not known. An active condition stays active.
func (k *condition) interrupt() { k.Out, k.Back = instant.None, instant.None }

// enter restarts the condition at time t with the first value after a gap or under a changed limit.
func (k *condition) enter(r *limitRule, t instant.Instant, v float64) {
	if k.Active {
		switch {
		case !r.inside(v):
			k.Back = instant.None
		case k.Back.IsNone():
			k.Back = t
		}
		k.push(r, v)
		return
	}
	switch {
	case !r.beyond(v):
		k.Out = instant.None
	case k.Out.IsNone():
		k.Out, k.Extreme = t, v
	default:
		k.push(r, v)
	}
}

// verdict is the change of a condition by a reading.
type verdict uint8

const (
	nothing verdict = iota
	becomesActive
	becomesNormal
)

// judge decides at the time of a reading, after follow has processed the segment that ends there.
func (k *condition) judge(r *limitRule, on time.Duration, now instant.Instant) verdict {
	switch {
	case !k.Active && !k.Out.IsNone() && now.Sub(k.Out) >= on:
		k.Active, k.Back = true, instant.None
		return becomesActive
	case k.Active && !k.Back.IsNone() && now.Sub(k.Back) >= r.off:
		k.Active, k.Out, k.Back = false, instant.None, instant.None
		return becomesNormal
	}
	return nothing
}

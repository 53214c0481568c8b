package quality

import (
	"time"

	"dewline/internal/core/instant"
)

// The numbers of an erratic channel: engineering judgement, no published source.
const (
	// maxJumps is how many changes that are too fast a channel may make within erraticWindow.
	maxJumps      = 3
	erraticWindow = 30 * time.Minute
	// Settled is how long a channel must be free of such changes, and sensors of a point must agree, before they are believed again.
	Settled = time.Hour
	// minAgreeing is how many readings in a row of an erratic channel must follow each other without a jump before one is used. They
	// must last for twice the time that the rate test spreads a change over as well.
	minAgreeing = 3
)

// erratic counts the jumps of a channel: changes that fail the rate test against the reading just before, whatever its flag. A lone
// spike is one jump, and so are several steps in the same direction, such as those of a water change or of a misting: only a jump in
// the other direction, or the next spike, is another one. There is at most one in the time that the rate test spreads a change over.
type erratic struct {
	before, last  sample
	counted       []instant.Instant // jumps within the window, at most maxJumps+1
	up            bool              // the direction of the last counted jump
	spiked        bool              // the last counted jump was a lone spike, whose way back has come
	active        bool
	jumped        instant.Instant // the last jump of any direction; meaningless unless active
	agreeing      int             // readings in a row without a jump
	agreeingSince instant.Instant // the first of them
}

// follow takes the next value of the channel, and reports whether the channel is erratic and the value does not agree with those
// before it.
func (e *erratic) follow(at instant.Instant, value float64, rate *Rate, gap time.Duration) (wrong bool) {
	if e.last.known && (at <= e.last.at || at.Sub(e.last.at) > gap) {
		e.before, e.last, e.agreeing = sample{}, sample{}, 0
	}
	if e.active && at.Sub(e.jumped) >= Settled {
		e.active = false
	}
	jump := e.last.known && rate.exceeded(value-e.last.value, at.Sub(e.last.at))
	if jump {
		e.jump(at, value, rate)
	}
	if jump || e.agreeing == 0 {
		e.agreeing, e.agreeingSince = 0, at
	}
	e.agreeing++
	e.before, e.last = e.last, sample{known: true, at: at, value: value}
	return e.active && (e.agreeing < minAgreeing || at.Sub(e.agreeingSince) < 2*rate.Over)
}

// jump counts a change that is too fast.
func (e *erratic) jump(at instant.Instant, value float64, rate *Rate) {
	e.jumped = at
	for len(e.counted) > 0 && at.Sub(e.counted[0]) >= erraticWindow {
		e.counted = e.counted[1:]
	}
	if !e.spiked && e.before.known && !rate.exceeded(value-e.before.value, at.Sub(e.before.at)) {
		e.spiked = true // it is back where it was before the last value
		return
	}
	up, none := value > e.last.value, len(e.counted) == 0
	if !none && (at.Sub(e.counted[len(e.counted)-1]) < rate.Over || !e.spiked && up == e.up) {
		return
	}
	e.up, e.spiked = up, false
	if e.counted = append(e.counted, at); len(e.counted) > maxJumps {
		e.active, e.counted = true, e.counted[1:]
	}
}

// shift moves all remembered times by a step of the clock.
func (e *erratic) shift(by time.Duration) {
	instant.Shift(by, &e.before.at, &e.last.at, &e.jumped, &e.agreeingSince)
	for i := range e.counted {
		instant.Shift(by, &e.counted[i])
	}
}

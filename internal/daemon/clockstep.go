package daemon

import (
	"time"

	"dewline/internal/core/watch"
)

// checkClock handles a step of the wall clock, and the moment at which the clock becomes confirmed.
func (l *loop) checkClock() {
	synchronised := l.confirmed || l.clock.synchronised()
	absurd := l.clock.absurd
	if by := l.clock.look(synchronised); by != 0 {
		l.stepped(by)
	}
	if l.clock.absurd && !absurd {
		l.warnAbsurd()
	}
	if synchronised && !l.confirmed {
		l.confirmed = true
		l.recorder.correct(l.chain.Core.Doubt())
		l.pass(l.chain.Core.ClockConfirmed(l.now()))
	}
}

// warnAbsurd says that the wall clock is not followed.
func (l *loop) warnAbsurd() {
	l.options.Log.Warn("the clock of this machine shows a time that cannot be, and is not followed until it is set: "+
		"is its time service running, and the battery of its clock good?", "shows", l.options.Clock.Now().UTC())
}

// resumeClock continues the time of earlier runs. If the clock was set between the last run and this one, that is a step like
// any other. The records of an earlier run with an unconfirmed clock are corrected if the clock is confirmed now.
func (l *loop) resumeClock() {
	doubt := l.chain.Core.Doubt()
	l.clock.resume(doubt.Clock)
	by := l.clock.look(l.confirmed)
	if by == 0 {
		by = l.clock.resumeFrom(l.chain.Core.Now(), l.confirmed)
	}
	if by != 0 {
		l.stepped(by)
	}
	if doubt = l.chain.Core.Doubt(); l.confirmed && doubt.Any() {
		l.recorder.correct(doubt)
	}
}

// stepped passes a step of the clock to everything that remembers times.
func (l *loop) stepped(by time.Duration) {
	by = by.Round(time.Millisecond) // the history keeps times to the millisecond, and moves them by as much
	l.steps += by.Abs()
	l.options.Log.Warn("the clock was set", "by", by)
	if l.sources != nil {
		for _, f := range l.sources.fed.feeds {
			f.Shift(by)
		}
	}
	l.shiftNotifiers(by)
	for i := range l.health {
		if h := &l.health[i]; !h.LastSuccess.IsZero() {
			h.LastSuccess = h.LastSuccess.Add(by)
		}
	}
	mark := l.recorder.stepped()
	l.step(watch.Event{Kind: watch.ClockStepEvent, At: l.now(), By: by, Mark: mark, Clock: l.clock.clockOffset()})
	l.mqtt.refresh() // what is retained carries times
}

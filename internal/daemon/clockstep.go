package daemon

import (
	"time"

	"dewline/internal/core/watch"
)

// checkClock handles a step of the wall clock, and the moment at which the clock becomes confirmed.
func (l *loop) checkClock() {
	synchronised := l.clock.confirmed || l.clock.synchronised()
	absurd := l.clock.absurd
	if by := l.clock.look(synchronised); by != 0 {
		l.stepped(by)
	}
	if l.clock.absurd && !absurd {
		l.clock.warnAbsurd(l.options.Log)
	}
	if synchronised && !l.clock.confirmed {
		l.clock.confirmed = true
		l.recorder.correct(l.chain.Core.Doubt())
		l.pass(l.chain.Core.ClockConfirmed(l.now()))
	}
}

// resumeClock continues the time of earlier runs. If the clock was set between the last run and this one, that is a step like
// any other. The records of an earlier run with an unconfirmed clock are corrected if the clock is confirmed now.
func (l *loop) resumeClock() {
	doubt := l.chain.Core.Doubt()
	l.clock.resume(doubt.Clock)
	by := l.clock.look(l.clock.confirmed)
	if by == 0 {
		by = l.clock.resumeFrom(l.chain.Core.Now(), l.clock.confirmed)
	}
	if by != 0 {
		l.stepped(by)
	}
	if doubt = l.chain.Core.Doubt(); l.clock.confirmed && doubt.Any() {
		l.recorder.correct(doubt)
	}
}

// stepped passes a step of the clock to everything that remembers times.
func (l *loop) stepped(by time.Duration) {
	by = by.Round(time.Millisecond) // the history keeps times to the millisecond, and moves them by as much
	l.clock.steps += by.Abs()
	l.options.Log.Warn("the clock was set", "by", by)
	if l.sources != nil {
		for _, f := range l.sources.fed.feeds {
			f.Shift(by)
		}
	}
	l.notifiers.shift(by)
	l.export.shift(by)
	l.health.shift(by)
	mark := l.recorder.stepped()
	l.step(watch.Event{Kind: watch.ClockStepEvent, At: l.now(), By: by, Mark: mark, Clock: l.clock.clockOffset()})
	l.mqtt.refresh() // what is retained carries times
}

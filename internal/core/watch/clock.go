package watch

import (
	"fmt"
	"slices"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
)

// UnconfirmedClock describes what was recorded by a clock that is not confirmed: everything from Since on, by these runs. It
// outlives the process, so that a run that was cut short is corrected together with the one in which the clock is confirmed.
type UnconfirmedClock struct {
	Since instant.Instant // None while the clock is confirmed
	Runs  []string
	Steps []Correction // that the clock has made since then
	Clock ClockOffset  // after the latest of them
}

// ClockOffset is the offset between the wall clock and the monotonic one, for the next run of the daemon. The core only stores it.
type ClockOffset struct {
	Boot    string        // of the machine: the monotonic clock is the same one as long as this is; "" = not known
	Wall    time.Duration // wall clock less monotonic clock
	Guarded time.Duration // times in events less monotonic clock
}

// Correction is a step of an unconfirmed clock: when the clock is confirmed, what had been recorded before it moves by it.
type Correction struct {
	By   time.Duration
	Seq  uint64 // of the last entry of the journal before the step
	Mark int64  // Event.Mark of the step
}

func noDoubt() UnconfirmedClock { return UnconfirmedClock{Since: instant.None} }

// Any reports whether anything is in doubt.
func (d *UnconfirmedClock) Any() bool { return !d.Since.IsNone() }

// Doubt returns what is in doubt now.
func (c *Core) Doubt() UnconfirmedClock {
	d := c.doubt
	d.Runs, d.Steps = slices.Clone(d.Runs), slices.Clone(d.Steps)
	return d
}

// Now returns the time of the latest event; None while there was none.
func (c *Core) Now() instant.Instant { return c.now }

// doubtRun notes at a start whether the clock of the run is in doubt. Times of earlier runs stay in doubt until a run starts with a
// confirmed clock.
func (c *Core) doubtRun(ev Event) {
	c.expect(ev.At) // whether the light is certain may have changed
	if !ev.Unconfirmed {
		c.doubt = noDoubt()
		return
	}
	if !c.doubt.Any() {
		c.doubt.Since = ev.At
	}
	c.doubt.Runs, c.doubt.Clock = append(c.doubt.Runs, c.run), ev.Clock
	for i := range c.pairState { // the length of the pause is not known: nothing is paired across it
		c.pairState[i] = pairingState{Waiting: c.pairState[i].Waiting[:0]}
	}
}

// ClockConfirmed records that the clock is known to be right from now on. The caller first corrects what was in [Core.Doubt].
func (c *Core) ClockConfirmed(at instant.Instant) []Effect {
	c.doubt, c.unsaved.all = noDoubt(), true
	c.expect(at) // the light is certain from now on
	return []Effect{{Kind: Record, Point: -1, Entry: c.newEntry(journal.ClockConfirmed, at)}}
}

// clockStep shifts all open times by a step of the wall clock, so that no delay and no exposure counts it. Times from a confirmed
// clock before a doubtful run stay: the time between the two then gets longer.
func (c *Core) clockStep(ev Event, out []Effect) []Effect {
	s := step{by: ev.By, from: c.doubt.Since}
	if c.doubt.Any() {
		c.doubt.Steps = append(c.doubt.Steps, Correction{ev.By, c.seq, ev.Mark})
		c.doubt.Since, c.doubt.Clock = c.doubt.Since.Add(ev.By), ev.Clock
	}
	for i := range c.points {
		c.points[i].clockStep(s)
	}
	for i := range c.pairState {
		p := &c.pairState[i]
		for _, k := range []*sample{&p.Last[0], &p.Last[1], &p.Base} {
			if k.Known {
				s.all(&k.At)
			}
		}
		for k := range p.Waiting {
			s.all(&p.Waiting[k].At)
		}
	}
	for _, m := range c.misters {
		m.Step(ev.By)
	}
	for i := range c.faults {
		s.late(&c.faults[i].Failing, &c.faults[i].GoodSince, &c.faults[i].Called)
	}
	for i := range c.alarms {
		a := &c.alarms[i]
		s.all(&a.ShelfUntil)
		if a.Active || !s.from.IsNone() { // in a doubtful run recorded times of ended alarms will be corrected as well
			s.late(&a.Since, &a.Raised, &a.Cleared)
		}
	}
	if c.doubt.Any() {
		c.record.Shift(c.doubt.Runs, ev.By)
		c.site.Intervals = c.record.Intervals()
		c.sensors.Shift(c.doubt.Runs, ev.By)
		c.settleCalibrations()
	}
	c.now, c.deadline = ev.At, instant.None
	e := c.newEntry(journal.ClockStepped, ev.At)
	before := ev.At.Add(-ev.By)
	e.Since, e.Text = &before, fmt.Sprintf("the clock was set by %s", ev.By)
	return append(out, Effect{Kind: Record, Point: -1, Entry: e})
}

// step is a step of the clock.
type step struct {
	by   time.Duration
	from instant.Instant // earlier times are certain; None = all have the clock that has stepped
}

// all shifts times.
func (s step) all(times ...*instant.Instant) { instant.Shift(s.by, times...) }

// late shifts those times that come from the clock that has stepped.
func (s step) late(times ...*instant.Instant) {
	for _, t := range times {
		if *t >= s.from {
			s.all(t)
		}
	}
}

// clockStep shifts the times of a point.
func (p *point) clockStep(s step) {
	shift := s.late
	if s.by < 0 {
		// The gap before a doubtful run may be shorter than the step: so that no time in the ledgers is negative, they
		// move as a whole.
		shift = s.all
	} else if p.Accounted >= s.from {
		p.widenGap(s)
	}
	shift(&p.Last, &p.Accounted, &p.Waiting, &p.ZoneSince, &p.Looked, &p.Excursion.From, &p.Ledger.From, &p.Day.From, &p.Day.To)
	if p.Saturated {
		shift(&p.SaturatedSince)
	}
	for k := range p.Conditions {
		shift(&p.Conditions[k].Out, &p.Conditions[k].Back, &p.Tightened[k], &p.Said[k])
		for n := range p.SaidOften[k] {
			shift(&p.SaidOften[k][n])
		}
	}
	for k := range p.Ahead {
		shift(&p.Ahead[k].Out, &p.Ahead[k].Back)
	}
	for k := range p.Leads {
		shift(&p.Leads[k].At)
	}
	p.boundary = p.Accounted // another day, another light: looked up at the next reading
}

// widenGap adds the step to the unknown time between the last reading of a confirmed clock and the doubtful run, where a ledger
// spans both. The totals of this run do not count it.
func (p *point) widenGap(s step) {
	switch {
	case p.Ledger.From < s.from:
		p.Ledger.InZone[UnknownZone] += s.by
		p.totalBase[UnknownZone] += s.by
	case p.Day.From < s.from:
		p.Day.InZone[UnknownZone] += s.by
	}
	if p.Side != Inside && p.Excursion.From < s.from && p.Last >= s.from {
		p.Excursion.Unknown += s.by
	}
}

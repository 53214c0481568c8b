package watch

import (
	"fmt"
	"math"
	"time"

	"dewline/internal/core/instant"
)

// due is a change that the passing of time alone causes.
type due struct {
	at    instant.Instant
	what  dueKind
	index int // of a point, a fault or an alarm
}

type dueKind uint8

const (
	dueNothing dueKind = iota
	dueShelf
	dueFault
	dueStale
	dueFaultCall
)

// nextDue returns the earliest change that time causes; ties are settled by kind and index.
func (c *Core) nextDue() due {
	first := due{at: math.MaxInt64}
	consider := func(at instant.Instant, what dueKind, index int) {
		if at < first.at {
			first = due{at, what, index}
		}
	}
	for i := range c.alarms {
		if until := c.alarms[i].ShelfUntil; !until.IsNone() {
			consider(until, dueShelf, i)
		}
	}
	for i := range c.faults {
		if f := &c.faults[i]; !f.Failing.IsNone() && !c.alarms[f.alarm].Active {
			consider(f.due(), dueFault, i)
		} else if a := &c.alarms[f.alarm]; a.Active && a.Priority < onFault.priority() && !f.Failing.IsNone() {
			consider(max(c.faultCalls(f), a.Raised), dueFaultCall, i)
		}
	}
	for i := range c.points {
		p := &c.points[i]
		if p.staleAfter > 0 && !p.Waiting.IsNone() && !c.pointAlarm(int32(i), onStale).Active {
			consider(p.Waiting.Add(p.staleAfter), dueStale, i)
		}
	}
	return first
}

// Due reports whether a tick at time t would change anything. Readings may be folded in without ticks as long as it
// returns false; the call is cheap.
func (c *Core) Due(t instant.Instant) bool {
	if c.deadline.IsNone() {
		c.deadline = c.nextDue().at
	}
	if t <= c.deadline {
		return false
	}
	c.deadline = c.nextDue().at // readings may have moved it
	return t > c.deadline
}

// tick advances time to t: every change that is due before t happens at its own time, in order.
func (c *Core) tick(t instant.Instant, out []Effect) []Effect {
	if c.Due(t) {
		for next := c.nextDue(); next.at < t; next = c.nextDue() {
			out = c.handleDue(next, out)
		}
		c.deadline = instant.None
	}
	for i := range c.points {
		p := &c.points[i]
		if p.Accounted.IsNone() || p.Known && t.Sub(p.Last) <= p.gap {
			continue
		}
		if known := min(t, c.waitsFrom(p, t)); !p.Known || known.Sub(p.Last) > p.gap {
			out = c.settleUnknown(int32(i), p, known, out)
		}
	}
	return out
}

// waitsFrom returns the time of the first reading that a derived point can still get once its second input arrives; t if there is
// none.
func (c *Core) waitsFrom(p *point, t instant.Instant) instant.Instant {
	first := t
	for _, input := range p.inputs {
		first = min(first, c.waitsFrom(&c.points[input], t))
	}
	if len(p.inputs) == 0 {
		return first
	}
	state := &c.pairState[p.pairing]
	if len(state.Waiting) > 0 {
		other := 1 - state.Port
		last := state.Last[other]
		if last.Known && t.Sub(last.At) <= c.points[c.pairings[p.pairing].inputs[other]].gap {
			first = min(first, state.Waiting[0].At)
		}
	}
	return first
}

func (c *Core) handleDue(d due, out []Effect) []Effect {
	switch d.what {
	case dueShelf:
		a := &c.alarms[d.index]
		return c.unshelve(a, d.at, "", "the time has passed", out)
	case dueFault:
		return c.raiseFault(int32(d.index), d.at, out)
	case dueFaultCall:
		return c.worsenFault(int32(d.index), d.at, out)
	case dueStale:
		p := &c.points[d.index]
		p.Good = 0
		out = c.raiseCauseOfStale(p, d.at, out)
		nan := math.NaN()
		return c.raise(c.pointAlarm(int32(d.index), onStale), occurrence{
			since: p.Waiting, at: d.at, value: nan, setpoint: nan, extreme: nan, priority: onStale.priority(),
			reason: fmt.Sprintf("no usable reading for %s", p.staleAfter),
		}, out)
	}
	return out
}

// settleUnknown counts time up to t as unknown: the last reading is further back than the gap, so no reading can change that. A reading at t
// itself may still come: a boundary there is left for it.
func (c *Core) settleUnknown(i int32, p *point, t instant.Instant, out []Effect) []Effect {
	for !p.boundary.IsNone() && t > p.boundary && t >= p.Accounted {
		edge := max(p.boundary, p.Accounted)
		p.Ledger.InZone[UnknownZone] += time.Duration(edge - p.Accounted)
		p.Accounted = edge
		out = c.pass(i, p, edge, 0, false, out)
	}
	if t > p.Accounted {
		p.Ledger.InZone[UnknownZone] += time.Duration(t - p.Accounted)
		p.Accounted = t
	}
	if p.Zone != UnknownZone {
		p.Zone, p.ZoneSince = UnknownZone, p.Last
	}
	return out
}

// notStale counts the good readings that end a stale alarm.
func (c *Core) notStale(i int32, p *point, at instant.Instant, v float64, out []Effect) []Effect {
	p.Good++
	if a := c.pointAlarm(i, onStale); a.Active && p.Good >= 2 {
		c.deadline = instant.None
		return c.clear(a, max(at, a.Raised), v, out) // a reading may have been on its way while the alarm was raised
	}
	return out
}

// Finish closes all ledgers and excursions at time t, the end of a replay. The time between a point's last reading and t is
// unknown. An open excursion ends with the last reading.
func (c *Core) Finish(t instant.Instant, out []Effect) []Effect {
	for i := range c.points {
		p := &c.points[i]
		if p.Accounted.IsNone() {
			c.begin(p, t)
		}
		if t > p.Accounted {
			out = c.settleUnknown(int32(i), p, t, out)
		}
		if p.Side != Inside {
			out = c.leave(int32(i), p, p.Last, out)
		}
		out = c.closeLedger(int32(i), p, p.Accounted, p.Last, out)
		p.Ledger = c.newLedger(p, p.Accounted)
	}
	return out
}

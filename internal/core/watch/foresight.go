package watch

import (
	"fmt"
	"math"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
)

// foresight is the condition of an outlook alarm in one direction.
type foresight struct {
	Active bool            `json:"active,omitempty"`
	Out    instant.Instant `json:"out"`
	Back   instant.Instant `json:"back"`
}

// lookAhead updates the outlook of a point, and its alarms, after a reading.
func (c *Core) lookAhead(i int32, p *point, dt time.Duration, joined bool, at instant.Instant, v float64, out []Effect) []Effect {
	if !joined {
		p.Outlook.reset()
		for d := range p.Ahead {
			p.Ahead[d].Out, p.Ahead[d].Back = instant.None, instant.None
		}
	}
	horizon := p.band.Foresee
	p.Outlook.add(dt, v, horizon)
	now, fitted := p.Outlook.fit(horizon)
	for d, kind := range [2]alarmKind{onRising, onFalling} {
		ahead, target, meets := p.meets(now, kind, at, v)
		holds := fitted && meets && ahead <= horizon
		releases := fitted && (!meets || ahead > horizon*3/2)
		out = c.followAhead(i, p, &p.Ahead[d], kind, target, holds, releases, at, v, out)
	}
	return out
}

// meets returns when a trend meets the next limit, and which one; false when it never does. It takes the next change of light or
// stage into account: a room that warms up shortly before its light goes on is not about to leave the band of the day.
func (p *point) meets(now trend, kind alarmKind, at instant.Instant, v float64) (ahead time.Duration, level float64, meets bool) {
	limit, sign := p.limits.next(kind, v)
	level = p.limits.at[limit]
	ahead, meets = now.reaches(level, sign)
	until := p.changes.Sub(at)
	if p.changes.IsNone() || until <= 0 || until > p.band.Foresee*3/2 {
		return ahead, level, meets
	}
	before := meets && ahead < until
	if before && ahead+p.rules[limit].on <= until { // it would be an alarm by then
		return ahead, level, true
	}
	then := now.after(until)
	limit, _ = p.after.next(kind, now.value)
	switch later := p.after.at[limit]; {
	case sign*(then.value-later) < 0:
		ahead, meets = then.reaches(later, sign)
		return until + ahead, later, meets
	case before:
		return ahead, level, true
	default:
		return until, later, sign*now.slope > 0
	}
}

// next returns the limit that a rising or falling value meets next (at infinity when there is none left), and the direction.
func (l *limits) next(kind alarmKind, v float64) (limit care.Limit, sign float64) {
	inner, outer, sign := care.High, care.CriticalHigh, 1.0
	if kind == onFalling {
		inner, outer, sign = care.Low, care.CriticalLow, -1
	}
	if sign*(v-l.at[inner]) <= 0 && !math.IsInf(l.at[inner], 0) {
		return inner, sign
	}
	return outer, sign
}

func (c *Core) followAhead(i int32, p *point, f *foresight, kind alarmKind, target float64, holds, releases bool, at instant.Instant, v float64, out []Effect) []Effect {
	a := c.pointAlarm(i, kind)
	if !f.Active {
		if !holds {
			f.Out = instant.None
			return out
		}
		if f.Out.IsNone() {
			f.Out = at
		}
		if at.Sub(f.Out) < min(p.band.OnDelay, p.band.Foresee/9) {
			return out
		}
		f.Active, f.Back = true, instant.None
		return c.raise(a, occurrence{
			since: f.Out, at: at, value: v, setpoint: target, extreme: math.NaN(), priority: kind.priority(),
			reason: fmt.Sprintf("the limit is expected within %s if the trend goes on", p.band.Foresee),
		}, out)
	}
	if !releases {
		f.Back = instant.None
		return out
	}
	if f.Back.IsNone() {
		f.Back = at
	}
	if at.Sub(f.Back) < p.band.OffDelay {
		return out
	}
	f.Active, f.Out, f.Back = false, instant.None, instant.None
	return c.clear(a, at, v, out)
}

// endOutlook clears the outlook alarms when the new band has no outlook.
func (c *Core) endOutlook(i int32, p *point, at instant.Instant, out []Effect) []Effect {
	p.Outlook.reset()
	for d, kind := range [2]alarmKind{onRising, onFalling} {
		if p.Ahead[d].Active {
			p.Ahead[d] = foresight{Out: instant.None, Back: instant.None}
			out = c.clear(c.pointAlarm(i, kind), at, math.NaN(), out)
		}
	}
	return out
}

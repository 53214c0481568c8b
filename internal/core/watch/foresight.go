package watch

import (
	"fmt"
	"math"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// foresight is the condition of an outlook alarm in one direction.
type foresight struct {
	Active bool            `json:"active,omitempty"`
	Outer  bool            `json:"outer,omitempty"` // it is about the critical limit
	Out    instant.Instant `json:"out"`
	Back   instant.Instant `json:"back"`
}

// The outlook of a point goes in steps of a fifteenth of its horizon.
const (
	lookSteps = 15
	// fadeHorizons is after how many horizons 1/e of a trend is left: so slowly that on a straight line a limit is foreseen at least
	// four fifths of the horizon before it is met.
	fadeHorizons = 6
	// furtherSteps is how far the critical limit is foreseen once that of the band is foreseen or passed. Each is looked for over
	// stayingSteps, and stays foreseen until it is further away.
	furtherSteps = lookSteps * 13 / 10
	stayingSteps = lookSteps * 8 / 5
	// Before a limit is foreseen, the trend must have gone on for a share of the time until it is met, and the limit must have been expected for
	// half as long: a door that is open for ten minutes makes a steep trend. While nothing is known of any day it is more. Engineering judgement,
	// no published source.
	confirming      = 1. / 3
	confirmingFirst = 1. / 2
	// again is how many half horizons must pass before the same limit is foreseen again; engineering judgement, no published source.
	again = 5
	// After it was foreseen so many times in a week a limit of the band is not foreseen until it has stayed away: what comes each day is no
	// news, and a probe that strays would be foreseen each night. What was not said for that reason counts as well. Engineering judgement, no
	// published source; the same as of alarms that are heard.
	oftenAhead     = 3
	oftenAheadSpan = 7 * 24 * time.Hour
	// slowMemory is how many times as far a trend looks back while nothing is known of any day: the conditioner that begins its first day is
	// steep, and no news.
	slowMemory = 2
	// lookTolerance lets readings that come each minute, but for some seconds, be looked at in time.
	lookTolerance = 20 * time.Second
)

// lookAhead updates the outlook of a point, and its alarms, after a reading. What it follows is the deviation from the usual day, once that
// is known: what comes back every morning is no trend.
func (c *Core) lookAhead(i int32, p *point, dt time.Duration, joined bool, at instant.Instant, v float64, out []Effect) []Effect {
	if !joined || math.Abs(v-p.Outlook.Last) > maxSpeed(p.name.Quantity)*max(dt.Minutes(), 1) {
		p.Outlook.reset() // after a gap, and after a jump, the trend is another one
		p.Turning.reset()
		p.Timing.drop()
		for d := range p.Ahead {
			if !joined {
				p.Ahead[d].Out, p.Ahead[d].Back = instant.None, instant.None
			}
		}
	}
	horizon := p.band.Foresee
	day, minute := c.localTime(at)
	usually, known := 0.0, false
	if !c.doubt.Any() { // what time it is must be known
		usually, known = p.learn(day, minute, v)
	}
	if known != p.Outlook.Deviates {
		p.Outlook.reset()
	}
	p.Outlook.Last, p.Outlook.Deviates = v, known
	memory := horizon
	if !p.dayKnown() {
		memory = slowMemory * horizon
	}
	p.Outlook.add(dt, v-usually, memory)
	if !p.Looked.IsNone() && at >= p.Looked && at.Sub(p.Looked) < horizon/lookSteps/2-lookTolerance {
		return out
	}
	since := dt
	if !p.Looked.IsNone() && at > p.Looked && joined {
		since = at.Sub(p.Looked)
	}
	p.Looked = at
	look := c.look(p, at, minute, since, known)
	if look.fitted {
		p.Timing.follow(&look, at, v)
	}
	for d, kind := range [2]alarmKind{onRising, onFalling} {
		out = c.followAhead(i, p, &p.Ahead[d], kind, &look, at, v, out)
	}
	return out
}

// look fits the trend of a point, and works out by what it may be expected to go on.
func (c *Core) look(p *point, at instant.Instant, minute float64, since time.Duration, learned bool) (g glance) {
	g = glance{point: p, at: at, minute: minute, learned: learned, doubtful: c.doubt.Any()}
	g.trend, g.fitted = p.Outlook.fit(p.band.Foresee)
	p.Turning.pass(since, p.band.Foresee)
	if learned && !g.doubtful {
		c.learnRate(p)
	}
	if g.fitted {
		seen := g.trend.slope
		g.trend.slope = p.Slopes.unusual(minute, seen, since)
		p.Turning.bend(&g.trend)
		if learned && p.Turning.returns(g.trend.value) {
			g.trend.slope = 0
		}
		if learned {
			c.follow(&g, seen)
		}
	}
	if p.leads {
		p.Leads = [...]lead{{at, g.trend.value, g.trend.slope, g.trend.horizon, g.fitted && learned}, p.Leads[0]}
	}
	return g
}

// maxSpeed returns the change in a minute beyond which a value jumps: a lid, a water change, a misting. Common practice, no published
// source.
func maxSpeed(q quantity.Quantity) float64 {
	switch {
	case q == quantity.WaterTemperature:
		return 0.2
	case q.IsTemperature():
		return 0.5
	case q == quantity.RelativeHumidity:
		return 3
	}
	return math.Inf(1)
}

// learn takes in a value, and returns what is usual at its time; false where that is not known yet. When a day has ended what is usual
// changes, and the trend moves with it.
func (p *point) learn(day int64, minute, v float64) (usually float64, known bool) {
	step := stepOf(p.name.Quantity)
	p.settleCourse()
	if before := p.course.at(minute); p.Usual.learn(day, minute, v, step) {
		p.courseKnown = false
		p.settleCourse()
		if after := p.course.at(minute); !math.IsNaN(after) && !math.IsNaN(before) {
			p.Outlook.move(before - after)
		}
	}
	usually = p.course.at(minute)
	if math.IsNaN(usually) {
		return 0, false
	}
	return usually, true
}

// settleCourse makes the usual day of what was learned.
func (p *point) settleCourse() {
	if !p.courseKnown {
		p.course, p.courseKnown = p.Usual.course(stepOf(p.name.Quantity)), true
		p.lowest, p.highest, p.anyDay = p.course.span()
	}
}

// dayKnown reports whether anything is known of the usual day.
func (p *point) dayKnown() bool {
	p.settleCourse()
	return p.anyDay
}

// glance is a look at the course that a point is expected to take, in steps of the outlook.
type glance struct {
	point    *point
	at       instant.Instant
	minute   float64
	trend    trend
	fitted   bool // there is a trend
	learned  bool // it is one of the deviation from the usual day
	doubtful bool // what time it is is in doubt: of the usual day only its range counts
	ready    int  // how many of the values are worked out
	left     float64
	fade     float64 // what is left of the trend after each step
	values   [maxLook]float64

	now       float64 // the value now, by the trend
	low, high float64 // of the usual day about now; see [course.about]

	// Of an enclosure that follows its room; see [Core.follow].
	follows bool
	using   bool // this course is looked at
	drawn   [maxLook]float64
}

// maxLook is how many steps are looked ahead at most: to the end of a stay of an hour that begins after one and a half horizons; a
// longer one is cut short.
const maxLook = 3 * lookSteps

// value returns the value that is expected after so many steps; NaN where it cannot be said.
func (g *glance) value(k int) float64 {
	k = min(k, maxLook-1)
	if g.using {
		return g.drawn[k]
	}
	step := g.point.band.Foresee / lookSteps
	if g.ready == 0 {
		g.left, g.fade = 1, math.Exp(-step.Seconds()/g.trend.horizon)
	}
	for ; g.ready <= k; g.ready++ {
		v := g.trend.value + g.trend.slope*g.trend.horizon*(1-g.left)
		switch {
		case g.learned:
			if v*g.trend.value < 0 {
				v = 0 // what comes back to the usual day stays there
			}
			usually := g.point.course.at(g.minute + (time.Duration(g.ready) * step).Minutes())
			if g.ready == 0 {
				g.now = v + usually
				g.low, g.high = g.point.course.about(g.minute)
			}
			v = g.bounded(v+usually, min(g.low, usually), max(g.high, usually), usualExtra*(g.high-g.low))
		case g.doubtful && g.point.anyDay: // what is usual at some time of the day may be usual now
			g.now = g.trend.value
			v = g.bounded(v, g.point.lowest, g.point.highest, 0)
		}
		g.values[g.ready] = v
		g.left *= g.fade
	}
	return g.values[k]
}

// bounded ends a trend where it usually ends: it is not expected beyond a usual range before the value has passed the end to which it moves
// by some extra.
func (g *glance) bounded(v, low, high, extra float64) float64 {
	switch {
	case g.trend.slope > 0 && g.now <= high+extra:
		return min(v, max(high, g.now))
	case g.trend.slope < 0 && g.now >= low-extra:
		return max(v, min(low, g.now))
	}
	return v
}

// later returns the time after so many steps.
func (g *glance) later(k int) instant.Instant {
	return g.at.Add(time.Duration(k) * g.point.band.Foresee / lookSteps)
}

// meets returns how long from now a stay beyond a limit is expected to begin that lasts longer than it may, and the level of the limit
// when it will have; false where none begins within so many steps.
func (g *glance) meets(limit care.Limit, within int) (ahead time.Duration, level float64, meets bool) {
	step := g.point.band.Foresee / lookSteps
	for k := 0; k <= within; k++ {
		if !(g.over(limit, k) > 0) {
			continue
		}
		allowed, follows := g.allowed(limit, g.later(k))
		due := k + int((allowed+step-1)/step)
		margin := 0.0
		if follows {
			margin = math.Abs(g.point.rules[limit].level - g.point.rules[limit].returning)
		}
		if g.over(limit, (k+due)/2) > 0 && g.over(limit, due) > margin {
			begins := float64(k)
			if before := g.over(limit, max(k-1, 0)); k > 0 && before <= 0 && finite(before) {
				begins += before/(before-g.over(limit, k)) - 1 // on the line between the two steps
			}
			return time.Duration(begins * float64(step)), g.level(limit, due), true
		}
	}
	return 0, 0, false
}

// level returns the limit that will be in force after so many steps.
func (g *glance) level(limit care.Limit, k int) float64 {
	if p := g.point; !p.changes.IsNone() && g.later(k) >= p.changes {
		return p.after.at[limit]
	}
	return g.point.limits.at[limit]
}

// over returns how far the value will be beyond a limit after so many steps; an absent limit is infinitely far.
func (g *glance) over(limit care.Limit, k int) float64 {
	return g.point.rules[limit].sign * (g.value(k) - g.level(limit, k))
}

// allowed returns how long a stay may last that begins at a time to come, and whether it follows a switch of the light or the stage: then
// the value is on its way to the new band, and must be beyond it by the deadband when that time is over.
func (g *glance) allowed(limit care.Limit, begins instant.Instant) (allowed time.Duration, follows bool) {
	p := g.point
	tightened := p.Tightened[limit]
	if !p.changes.IsNone() && begins >= p.changes && p.rules[limit].sign*(p.limits.at[limit]-p.after.at[limit]) > tolerance {
		tightened = p.changes
	}
	if tightened.IsNone() || begins < tightened || begins.Sub(tightened) >= care.SwitchWindow {
		return p.rules[limit].on, false
	}
	return max(p.rules[limit].on, care.SwitchDelayOf(limit, p.name.Quantity)), true
}

// finds is [glance.meets] of the course that the trend gives, or of the one that an enclosure draws after its room. By a trend, a value
// that moves away from a limit is not on its way there; nor, before any day is known, is one that stays where it is.
func (g *glance) finds(limit care.Limit, within int, drawn bool) (ahead time.Duration, level float64, meets bool) {
	toward := g.trend.slope * g.point.rules[limit].sign
	if !g.fitted || !drawn && (toward < 0 || toward == 0 && !g.learned) {
		return 0, 0, false
	}
	g.using = drawn
	ahead, level, meets = g.meets(limit, within)
	g.using = false
	return ahead, level, meets
}

// followAhead follows one direction: the limit of the band first, then the critical one anew. Of the critical limits it looks at the
// course after the room, where that is known: it shows them sooner. Of the band it does not: there it would say more than comes true.
func (c *Core) followAhead(i int32, p *point, f *foresight, kind alarmKind, look *glance, at instant.Instant, v float64, out []Effect) []Effect {
	inner, outer := care.High, care.CriticalHigh
	if kind == onFalling {
		inner, outer = care.Low, care.CriticalLow
	}
	step, passed := p.band.Foresee/lookSteps, p.rules[inner].beyond(v)
	reach, limit := time.Duration(lookSteps), inner
	var ahead time.Duration
	var level float64
	holds := false
	if !passed {
		ahead, level, holds = look.finds(inner, stayingSteps, false)
	}
	if (!holds || f.Active && !f.Outer) && !p.rules[outer].beyond(v) {
		if further, at, meets := look.finds(outer, stayingSteps, look.follows); meets {
			ahead, level, holds, limit = further, at, true, outer
			if f.Active || passed {
				reach = furtherSteps
			}
		}
	}
	if limit == outer && look.follows && !f.Active && !passed && !p.lately(inner, at) { // that of the band comes first
		if first, at, meets := look.finds(inner, stayingSteps, true); meets {
			ahead, level, limit = first, at, inner
		}
	}
	critical := limit == outer
	if !holds || f.Active && (f.Outer || !critical) {
		f.Out = instant.None
	} else {
		if f.Out.IsNone() {
			f.Out = at
		}
		share := confirming
		if !look.learned {
			share = confirmingFirst
		}
		held, wait := at.Sub(f.Out), share*ahead.Seconds()-lookTolerance.Seconds()
		confirmed := held.Seconds() >= wait/2 && max(held.Seconds(), p.Turning.Held) >= wait
		if ahead <= reach*step && held >= step-lookTolerance && confirmed && !p.lately(limit, at) {
			return c.foresee(i, f, kind, limit, ahead, level, at, v, out)
		}
	}
	if !f.Active {
		return out
	}
	if holds || !look.fitted {
		if f.Back = instant.None; holds && critical == f.Outer {
			c.pointAlarm(i, kind).Expected = c.when(p, limit, level, v, at, ahead)
		}
		return out
	}
	if f.Back.IsNone() {
		f.Back = at
	}
	if at.Sub(f.Back) < p.band.OffDelay {
		return out
	}
	*f = foresight{Out: instant.None, Back: instant.None}
	return c.clear(c.pointAlarm(i, kind), at, v, out)
}

// lately reports whether a limit was foreseen so lately, or so often, that it is not foreseen now. What is held back for being frequent
// counts as foreseen.
func (p *point) lately(limit care.Limit, at instant.Instant) bool {
	last, often := p.Said[limit], p.SaidOften[limit][0]
	if !last.IsNone() && at.Sub(last) < again*p.band.Foresee/2 {
		return true
	}
	if limit.Critical() || often.IsNone() || at.Sub(often) >= oftenAheadSpan {
		return false
	}
	p.say(limit, at)
	return true
}

// say notes that a limit is foreseen.
func (p *point) say(limit care.Limit, at instant.Instant) {
	p.SaidOften[limit] = [...]instant.Instant{p.SaidOften[limit][1], p.Said[limit]}
	p.Said[limit] = at
}

// foresee raises an outlook alarm, anew if it was about another limit.
func (c *Core) foresee(i int32, f *foresight, kind alarmKind, limit care.Limit, ahead time.Duration, level float64, at instant.Instant, v float64, out []Effect) []Effect {
	a, since := c.pointAlarm(i, kind), f.Out
	if f.Active {
		out = c.clear(a, at, v, out)
	}
	*f = foresight{Active: true, Outer: limit.Critical(), Out: instant.None, Back: instant.None}
	p := &c.points[i]
	p.say(limit, at)
	return c.raise(a, occurrence{
		since: since, at: at, value: v, setpoint: level, extreme: math.NaN(), priority: kind.priority(),
		expected: c.when(p, limit, level, v, at, ahead),
		reason:   fmt.Sprintf("the limit is expected in about %d min, and for longer than is allowed", int(ahead.Round(time.Minute).Minutes())),
	}, out)
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

package watch

import (
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
)

// Resident is a cohort at the stage that it has reached.
type Resident struct {
	Cohort string
	Stage  care.Stage
}

// Residents lists the cohorts that live in a place at a time, in the order of the site.
func (c *Core) Residents(place string, at instant.Instant) []Resident {
	var list []Resident
	for _, r := range c.site.ResidentsAt(place, at) {
		list = append(list, Resident{r.Cohort, r.Stage})
	}
	return list
}

// firstOf returns the resident by which a ledger is named.
func firstOf(residents []Resident) Resident {
	if len(residents) == 0 {
		return Resident{}
	}
	return residents[0]
}

// sameCohorts reports whether the same cohorts live there, at whatever stage.
func sameCohorts(a, b []Resident) bool {
	return slices.EqualFunc(a, b, func(a, b Resident) bool { return a.Cohort == b.Cohort })
}

// enterBand puts in force the band that holds for the point from time t on, and finds its next change.
func (c *Core) enterBand(p *point, t instant.Instant) {
	q, place := p.name.Quantity, p.name.Place
	p.bandAt = t
	p.residents = c.Residents(place, t)
	holding := c.site.BandAt(p.name, t.Time())
	p.day, p.band, p.owners = holding.Day, holding.Band, holding.Owners
	p.limits = limitsOf(&p.band)
	certain, doubtful := &p.band, &p.band
	if c.lightInDoubt(t) {
		wider := c.widestBand(p, t)
		doubtful = &wider
	}
	for limit := care.CriticalLow; limit <= care.CriticalHigh; limit++ {
		band := doubtful
		if p.Conditions[limit].Active { // an active alarm keeps its limit
			band = certain
		}
		of := p.band.RuleOf(limit, q)
		rule := limitRule{
			level: band.Limits[limit], present: band.Has(limit), sign: -1,
			on: of.OnDelay, off: of.OffDelay,
		}
		if limit.Above() {
			rule.sign = 1
		}
		rule.returning = rule.level - rule.sign*of.Deadband
		p.rules[limit] = rule
	}
	p.boundary = c.nextBoundary(place, t)
	if c.lightInDoubt(t) {
		p.boundary = min(p.boundary, c.doubt.Since.Add(lightDoubt))
	}
	if p.band.Foresee > 0 {
		c.lookUpNext(p, t)
	}
}

// lightDoubt is how long an unconfirmed clock is taken to confuse day and night. After a power cut a board without a battery starts
// with a clock that is late by the length of the cut. A clock that has not been set after this time will hardly be set at all, and
// may be right without confirmation. Engineering judgement, no published source.
const lightDoubt = 12 * time.Hour

// lightInDoubt reports whether the clock is too uncertain at time t to distinguish day from night.
func (c *Core) lightInDoubt(t instant.Instant) bool {
	return c.doubt.Any() && t >= c.doubt.Since && t.Sub(c.doubt.Since) < lightDoubt
}

// widestBand returns the band in force with the wider of the day's and the night's low and high limits, so that a value raises an
// alarm only if it leaves both. Critical limits follow the clock, since there a false alarm is the lesser evil. So do ledgers.
func (c *Core) widestBand(p *point, t instant.Instant) care.Band {
	band := p.band
	other := c.site.residence().BandBy(p.name, t.Time(), !p.day).Band
	if !other.Has(care.Low) || other.Limits[care.Low] < band.Limits[care.Low] {
		band.Limits[care.Low] = other.Limits[care.Low]
	}
	if !other.Has(care.High) || other.Limits[care.High] > band.Limits[care.High] {
		band.Limits[care.High] = other.Limits[care.High]
	}
	return band
}

// lookUpNext looks up the next change of the limits of a point, and the limits after it.
func (c *Core) lookUpNext(p *point, t instant.Instant) {
	p.changes = c.nextChange(p.name.Place, t)
	if !p.changes.IsNone() {
		holding := c.site.BandAt(p.name, p.changes.Time())
		p.after = limitsOf(&holding.Band)
	}
}

// nextBoundary returns the first time after t at which the band or the ledger of a point at the place changes.
func (c *Core) nextBoundary(place string, t instant.Instant) instant.Instant {
	next := instant.Of(care.NextMidnight(t.Time(), c.site.Location))
	if change := c.nextChange(place, t); !change.IsNone() {
		next = min(next, change)
	}
	for _, cut := range c.cuts {
		if cut > t {
			next = min(next, cut)
		}
	}
	return next
}

// nextChange returns the first time after t at which the light, or the stage of a cohort there, changes; None for never.
func (c *Core) nextChange(place string, t instant.Instant) instant.Instant {
	next := instant.None
	sooner := func(at instant.Instant) {
		if at > t && at != cohort.Open && (next.IsNone() || at < next) {
			next = at
		}
	}
	if at := c.site.Light.NextSwitch(t.Time()); !at.IsZero() {
		sooner(instant.Of(at))
	}
	for i := range c.site.Intervals {
		if n := &c.site.Intervals[i]; n.Place == place {
			sooner(n.From)
			sooner(n.To)
		}
	}
	return next
}

// pass moves a point across a boundary: its ledger closes if the day, the cohort or the stage changes, and the next band comes into
// force. Where the value is known (joined), delays and excursions continue under the new limits. Where other animals live there from
// now on, the excursion of those before them ends.
func (c *Core) pass(i int32, p *point, edge instant.Instant, value float64, joined bool, out []Effect) []Effect {
	before := p.limits.at
	newDay := c.localDay(p.Day.From) != c.localDay(edge)
	residents := c.Residents(p.name.Place, edge)
	seen := p.Last
	if joined {
		seen = edge
	}
	moved := !sameCohorts(residents, p.residents)
	if moved && p.Side != Inside {
		out = c.leave(i, p, max(seen, p.Excursion.From), out)
	}
	if newDay || firstOf(residents) != firstOf(p.residents) || slices.Contains(c.cuts, edge) {
		out = c.closeLedger(i, p, edge, seen, out)
		if newDay {
			p.Day = Ledger{From: edge, To: edge}
		}
		c.enterBand(p, edge)
		p.Ledger = c.newLedger(p, edge)
	} else {
		c.enterBand(p, edge)
	}
	for limit, level := range p.limits.at { // an absent limit is infinite
		if !moved && p.rules[limit].sign*(before[limit]-level) > tolerance {
			p.Tightened[limit] = edge
		}
	}
	if joined {
		if side := p.limits.side(value); side != p.Side {
			if p.Side != Inside {
				out = c.leave(i, p, edge, out)
			}
			if side != Inside {
				p.depart(edge, side, value)
			}
		}
		for limit := range p.Conditions {
			p.Conditions[limit].enter(&p.rules[limit], edge, value)
		}
		p.settleQuiet()
	}
	if p.band.Foresee <= 0 {
		out = c.endOutlook(i, p, edge, out)
	}
	return out
}

// onDelay returns how long the value must have been beyond a limit. A stay that began soon after the limit became tighter has more
// time: the enclosure follows its light or its new stage.
func (c *Core) onDelay(p *point, limit care.Limit) time.Duration {
	on, out, tightened := p.rules[limit].on, p.Conditions[limit].Out, p.Tightened[limit]
	if out.IsNone() || tightened.IsNone() || out < tightened || out.Sub(tightened) >= care.SwitchWindow {
		return on
	}
	return max(on, care.SwitchDelayOf(limit, p.name.Quantity))
}

// localDay numbers the local days.
func (c *Core) localDay(t instant.Instant) int {
	year, month, day := t.Time().In(c.site.Location).Date()
	return (year*12+int(month))*31 + day
}

// newLedger opens a ledger for the cohort that lives there.
func (c *Core) newLedger(p *point, from instant.Instant) Ledger {
	first := firstOf(p.residents)
	return Ledger{From: from, To: from, Cohort: first.Cohort, Stage: first.Stage.String()}
}

// closeLedger completes the ledger of a point at time t. The value is known up to the time seen.
func (c *Core) closeLedger(i int32, p *point, t, seen instant.Instant, out []Effect) []Effect {
	done := p.Ledger
	done.To = t
	if p.Side != Inside {
		done.stay(&p.Excursion, max(seen, done.From))
	}
	for z := range done.InZone {
		p.total[z] += done.InZone[z] - p.totalBase[z]
	}
	p.totalBase = [ZoneCount]time.Duration{}
	p.degree, p.degreeBase = p.totalDegree(), [3]float64{}
	p.Day.Add(&done)
	if done.To == done.From && done.Readings == 0 {
		return out
	}
	return append(out, Effect{Kind: LedgerClosed, Point: i, Ledger: &done})
}

// Add merges a later ledger of the same point into l. Sums add up; Longest is the longest of the parts.
func (l *Ledger) Add(later *Ledger) {
	for z := range later.InZone {
		l.InZone[z] += later.InZone[z]
	}
	if later.Readings > 0 {
		if l.Readings == 0 {
			l.Min, l.Max = later.Min, later.Max
		}
		l.Min, l.Max = min(l.Min, later.Min), max(l.Max, later.Max)
		l.Readings += later.Readings
	}
	l.Integral += later.Integral
	l.DegreeAbove += later.DegreeAbove
	l.DegreeBelow += later.DegreeBelow
	l.Kinetic += later.Kinetic
	l.Excursions += later.Excursions
	l.Longest = max(l.Longest, later.Longest)
	l.To = max(l.To, later.To)
}

// cut makes all ledgers close at a time, so that a range can begin or end there.
func (c *Core) cut(at instant.Instant) {
	c.cuts = append(c.cuts, at)
	slices.Sort(c.cuts)
	c.cuts = slices.Compact(c.cuts)
	c.expect(at)
}

// expect makes a time a boundary of all points, since what holds may change there.
func (c *Core) expect(at instant.Instant) {
	for i := range c.points {
		p := &c.points[i]
		if p.Accounted.IsNone() {
			continue
		}
		if edge := max(at, p.Accounted); p.boundary.IsNone() || edge < p.boundary {
			p.boundary = edge
		}
		if p.band.Foresee > 0 {
			c.lookUpNext(p, p.Accounted)
		}
	}
}

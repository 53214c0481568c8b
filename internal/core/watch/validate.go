package watch

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// The times that a state may hold: far beyond any clock that a board shows, and far within what an [instant.Instant] can,
// so that no sum of two overflows.
var (
	minTime = instant.Of(time.Date(1950, 1, 1, 0, 0, 0, 0, time.UTC))
	maxTime = instant.Of(time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC))
)

// maxCuts bounds the stage changes and requested cuts of a state; a site that has run for years has some hundred.
const maxCuts = 100_000

// validate returns an error for a state that no core can have written. The state comes from a file, which may be damaged: a core that
// loaded an unknown alarm state or a time in the next century would stop raising alarms without a sign.
func (s *snapshot) validate() error {
	var problems []error
	check := func(what string, ok bool) {
		if !ok && len(problems) < 3 {
			problems = append(problems, errors.New(what))
		}
	}
	check("the time", validTimes(s.Now))
	check("the list of cuts", len(s.Cuts) <= maxCuts && validTimes(s.Cuts...) && slices.IsSorted(s.Cuts) && !slices.Contains(s.Cuts, instant.None))
	check("the list of stages", len(s.Stages) <= maxCuts)
	for _, set := range s.Stages {
		check("a stage of cohort "+set.Cohort, set.Stage <= care.Adult && validTimes(set.At) && !set.At.IsNone())
	}
	check("the record of the animals", len(s.Record) <= maxCuts)
	for i := range s.Record {
		e := &s.Record[i]
		check("entry "+e.ID+" of the record of the animals", e.Stage <= care.Adult && e.Count >= cohort.NotCounted && validTimes(e.At, e.Since) && !e.Since.IsNone())
	}
	check("the record of the sensors", len(s.Calibrations) <= maxCuts)
	for i := range s.Calibrations {
		e := &s.Calibrations[i]
		check("entry "+e.ID+" of the record of the sensors", validTimes(e.At, e.Since) && !e.Since.IsNone())
	}
	for _, seed := range s.Cohorts {
		for _, entry := range seed.Stages {
			check("a stage of cohort "+seed.ID, entry.Stage <= care.Adult)
		}
	}
	check("what is in doubt of the clock", s.Doubt == nil || s.Doubt.valid())
	for i := range s.Points {
		p := &s.Points[i]
		check("point "+p.Point, p.Memory.valid(s.Now) && validTimes(p.Boundary, p.BandAt))
	}
	for i := range s.Pairings {
		p := &s.Pairings[i]
		check("the pairing of "+p.Inputs[0]+" and "+p.Inputs[1], p.State.valid())
	}
	for i := range s.Alarms {
		a := &s.Alarms[i]
		check("alarm "+a.Name, a.Lifecycle.valid() && a.Memory.valid())
	}
	for i := range s.Sensors {
		m := &s.Sensors[i].Memory
		check("sensor "+s.Sensors[i].ID, validTimes(m.Failing, m.GoodSince, m.Called) && m.Wrong >= 0 && m.Good >= 0)
	}
	for i := range s.Misters {
		check("the mister of "+s.Misters[i].Place, s.Misters[i].Memory.Valid(validTimes))
	}
	if problems == nil {
		return nil
	}
	return fmt.Errorf("the state of the core is damaged, beginning with %w", errors.Join(problems...))
}

func validTimes(times ...instant.Instant) bool {
	return !slices.ContainsFunc(times, func(t instant.Instant) bool {
		return !t.IsNone() && (t < minTime || t > maxTime)
	})
}

// maxDoubts bounds how many runs and steps of the clock can be in doubt.
const maxDoubts = 100_000

func (d *UnconfirmedClock) valid() bool {
	for i := range d.Steps {
		if by := d.Steps[i].By; by.Abs() > maxTime.Sub(minTime) {
			return false
		}
	}
	return validTimes(d.Since) && len(d.Runs) <= maxDoubts && len(d.Steps) <= maxDoubts
}

func finite(values ...float64) bool {
	return !slices.ContainsFunc(values, func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) })
}

func (m *pointMemory) valid(now instant.Instant) bool {
	ok := validTimes(m.Last, m.Accounted, m.Waiting, m.ZoneSince, m.SaturatedSince, m.Looked) && m.Last <= now && m.Accounted <= now &&
		finite(m.Value) && m.Zone < ZoneCount && m.Side <= AboveBand && m.Good >= 0 &&
		(m.Flag == quantity.Flag(0) || m.Flag.Valid()) &&
		(!m.Known || !m.Last.IsNone() && !m.Accounted.IsNone()) &&
		m.Excursion.valid() && m.Ledger.valid() && m.Day.valid() && m.Outlook.valid() && m.Usual.valid() &&
		m.Slopes.valid() && m.Timing.valid() && m.Turning.valid() && m.Rate.valid() && m.Leads[0].valid() && m.Leads[1].valid()
	for i := range m.Conditions {
		c := &m.Conditions[i]
		ok = ok && validTimes(c.Out, c.Back, m.Tightened[i], m.Said[i]) && validTimes(m.SaidOften[i][:]...) && finite(c.Extreme)
	}
	for i := range m.Ahead {
		ok = ok && validTimes(m.Ahead[i].Out, m.Ahead[i].Back)
	}
	return ok
}

func (o *outlook) valid() bool {
	return finite(o.Weight, o.T, o.TT, o.V, o.TV, o.VV, o.Span, o.Last) && o.Weight >= 0 && o.Span >= 0
}

func (s *slopes) valid() bool {
	for hour := range s.Square {
		if !finite(s.Square[hour], s.Seen[hour]) || s.Square[hour] < 0 || s.Seen[hour] < 0 {
			return false
		}
	}
	return s.Hour >= 0 && s.Hour < len(s.Square) && finite(s.Sum, s.Length) && s.Sum >= 0 && s.Length >= 0
}

func (e *Excursion) valid() bool {
	return validTimes(e.From, e.To) && e.Side <= AboveBand && finite(e.Extreme) && e.Unknown >= 0
}

func (l *Ledger) valid() bool {
	for _, d := range l.InZone {
		if d < 0 || d > maxTime.Sub(minTime) {
			return false
		}
	}
	return validTimes(l.From, l.To) && finite(l.Min, l.Max, l.Integral, l.DegreeAbove, l.DegreeBelow, l.Kinetic) &&
		l.Readings >= 0 && l.Excursions >= 0 && l.Longest >= 0
}

func (s *pairingState) valid() bool {
	ok := (s.Port == 0 || s.Port == 1) && len(s.Waiting) <= maxWait && s.Base.valid() && s.Last[0].valid() && s.Last[1].valid()
	for i := range s.Waiting {
		ok = ok && s.Waiting[i].valid()
	}
	return ok
}

func (s *sample) valid() bool {
	return validTimes(s.At) && finite(s.Value) && (s.Flag == quantity.Flag(0) || s.Flag.Valid())
}

func (a *alarmMemory) valid() bool {
	for _, v := range []*float64{a.Setpoint, a.Extreme} {
		if v != nil && !finite(*v) {
			return false
		}
	}
	return validTimes(a.Since, a.Raised, a.Cleared) && a.Priority <= care.CriticalPriority && a.Repeats >= 0
}

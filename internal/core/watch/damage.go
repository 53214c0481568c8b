package watch

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// The times that a state may hold: far beyond any clock that a board shows, and far within what an [instant.Instant] can,
// so that no sum of two overflows.
var (
	earliestSound = instant.Of(time.Date(1950, 1, 1, 0, 0, 0, 0, time.UTC))
	latestSound   = instant.Of(time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC))
)

// mostCuts bounds the stage changes and asked cuts of a state; a site of long standing has some hundred.
const maxCuts = 100_000

// sound tells why a state cannot be that of a core. It came from a file that anything may have happened to, and a core that
// took over a letter beyond I or a time in the next century would watch nothing and say nothing.
func (s *snapshot) sound() error {
	var problems []error
	check := func(what string, ok bool) {
		if !ok && len(problems) < 3 {
			problems = append(problems, errors.New(what))
		}
	}
	check("the time", sound(s.Now))
	check("the list of cuts", len(s.Cuts) <= maxCuts && sound(s.Cuts...) && slices.IsSorted(s.Cuts) && !slices.Contains(s.Cuts, instant.None))
	check("the list of stages", len(s.Stages) <= maxCuts)
	for _, set := range s.Stages {
		check("a stage of cohort "+set.Cohort, set.Stage <= care.Adult && sound(set.At) && !set.At.IsNone())
	}
	check("what is in doubt of the clock", s.Doubt == nil || s.Doubt.sound())
	for i := range s.Points {
		p := &s.Points[i]
		check("point "+p.Point, p.Memory.sound(s.Now) && sound(p.Boundary, p.BandAt))
	}
	for i := range s.Pairings {
		p := &s.Pairings[i]
		check("the pairing of "+p.Inputs[0]+" and "+p.Inputs[1], p.State.sound())
	}
	for i := range s.Alarms {
		a := &s.Alarms[i]
		check("alarm "+a.Name, a.Lifecycle.sound() && a.Memory.sound())
	}
	for i := range s.Sensors {
		m := &s.Sensors[i].Memory
		check("sensor "+s.Sensors[i].ID, sound(m.Failing, m.GoodSince) && m.Wrong >= 0 && m.Good >= 0)
	}
	if problems == nil {
		return nil
	}
	return fmt.Errorf("the state of the core is damaged, beginning with %w", errors.Join(problems...))
}

func sound(times ...instant.Instant) bool {
	return !slices.ContainsFunc(times, func(t instant.Instant) bool {
		return !t.IsNone() && (t < earliestSound || t > latestSound)
	})
}

// mostDoubts bounds how many runs and steps of the clock can be in doubt.
const maxDoubts = 100_000

func (d *UnconfirmedClock) sound() bool {
	for i := range d.Steps {
		if by := d.Steps[i].By; by.Abs() > latestSound.Sub(earliestSound) {
			return false
		}
	}
	return sound(d.Since) && len(d.Runs) <= maxDoubts && len(d.Steps) <= maxDoubts
}

func finite(values ...float64) bool {
	return !slices.ContainsFunc(values, func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) })
}

func (m *pointMemory) sound(now instant.Instant) bool {
	ok := sound(m.Last, m.Accounted, m.Waiting, m.ZoneSince, m.SaturatedSince) && m.Last <= now && m.Accounted <= now &&
		finite(m.Value) && m.Zone < ZoneCount && m.Side <= AboveBand && m.Good >= 0 &&
		(m.Flag == quantity.Flag(0) || m.Flag.Valid()) &&
		(!m.Known || !m.Last.IsNone() && !m.Accounted.IsNone()) &&
		m.Excursion.sound() && m.Ledger.sound() && m.Day.sound() && m.Outlook.sound()
	for i := range m.Conditions {
		c := &m.Conditions[i]
		ok = ok && sound(c.Out, c.Back) && finite(c.Extreme)
	}
	for i := range m.Ahead {
		ok = ok && sound(m.Ahead[i].Out, m.Ahead[i].Back)
	}
	return ok
}

func (o *outlook) sound() bool {
	return finite(o.Weight, o.T, o.TT, o.V, o.TV, o.VV, o.Span) && o.Weight >= 0 && o.Span >= 0
}

func (e *Excursion) sound() bool {
	return sound(e.From, e.To) && e.Side <= AboveBand && finite(e.Extreme) && e.Unknown >= 0
}

func (l *Ledger) sound() bool {
	for _, d := range l.InZone {
		if d < 0 || d > latestSound.Sub(earliestSound) {
			return false
		}
	}
	return sound(l.From, l.To) && finite(l.Min, l.Max, l.Integral, l.DegreeAbove, l.DegreeBelow, l.Kinetic) &&
		l.Readings >= 0 && l.Excursions >= 0 && l.Longest >= 0
}

func (s *pairingState) sound() bool {
	ok := (s.Port == 0 || s.Port == 1) && len(s.Waiting) <= maxWait && s.Base.sound() && s.Last[0].sound() && s.Last[1].sound()
	for i := range s.Waiting {
		ok = ok && s.Waiting[i].sound()
	}
	return ok
}

func (s *sample) sound() bool {
	return sound(s.At) && finite(s.Value) && (s.Flag == quantity.Flag(0) || s.Flag.Valid())
}

func (s *lifecycle) sound() bool {
	return s.Letter >= Normal && s.Letter <= OutOfServiceState && sound(s.ShelfUntil)
}

func (a *alarmMemory) sound() bool {
	for _, v := range []*float64{a.Setpoint, a.Extreme} {
		if v != nil && !finite(*v) {
			return false
		}
	}
	return sound(a.Since, a.Raised, a.Cleared) && a.Priority <= care.CriticalPriority && a.Repeats >= 0
}

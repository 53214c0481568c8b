package report

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
	"dewline/internal/replay"
)

// Worst is one of the worst excursions of a report, with what the journal says was done about it.
type Worst struct {
	Point    quantity.Point   `json:"point"`
	Limit    *exposure.Number `json:"limit"`    // that was crossed
	Critical bool             `json:"critical"` // it went beyond a critical limit
	replay.ExcursionReport
	Done []Done `json:"done"`
}

// Done is an entry of the journal that answers an excursion: an acknowledgement, a note, a task, a misting, a move.
type Done struct {
	At   instant.Instant `json:"at"`
	Kind journal.Kind    `json:"kind"`
	By   string          `json:"by,omitempty"`
	Task string          `json:"task,omitempty"`
	Text string          `json:"text,omitempty"`
}

const (
	maxWorst = 10
	// answerTime is for how long after an excursion what people write at its place is taken to be about it: they write in the evening
	// what they did at noon. Engineering judgement, no published source.
	answerTime = 6 * time.Hour
)

// worst picks the worst excursions of all points: those beyond a critical limit come first, the longer ones before the shorter ones.
// They are listed in that order.
func (e *Exposure) worst(s *subject) []Worst {
	all := []Worst{}
	for i := range e.Points {
		p := &e.Points[i]
		for _, x := range p.Excursions {
			made := Worst{Point: p.Point, ExcursionReport: x}
			made.Limit, made.Critical = s.crossed(p.Point, &x)
			all = append(all, made)
		}
	}
	slices.SortStableFunc(all, func(a, b Worst) int {
		return cmp.Or(cmp.Compare(first(a.Critical), first(b.Critical)), cmp.Compare(b.To.Sub(b.From), a.To.Sub(a.From)), cmp.Compare(a.From, b.From))
	})
	all = all[:min(len(all), maxWorst)]
	for i := range all {
		all[i].Done = e.answers(&all[i])
	}
	return all
}

// crossed returns the limit that held where an excursion began, and whether it went beyond a critical one that held at either end.
func (s *subject) crossed(p quantity.Point, x *replay.ExcursionReport) (limit *exposure.Number, critical bool) {
	for _, at := range []instant.Instant{x.From, x.To} {
		band := s.watched.BandAt(p, at.Time()).Band
		limits := exposure.LimitsOf(&band)
		near, far, sign := limits.High, limits.CriticalHigh, 1.0
		if x.Side == watch.BelowBand.String() {
			near, far, sign = limits.Low, limits.CriticalLow, -1
		}
		near = cmp.Or(near, far)
		limit = cmp.Or(limit, near)
		critical = critical || far != nil && sign*float64(x.Extreme-*far) > 0
	}
	return limit, critical
}

// answers finds what was done about an excursion.
func (e *Exposure) answers(x *Worst) []Done {
	done := []Done{}
	for i := range e.Alarms {
		a := &e.Alarms[i]
		over := a.Raised > x.To || !a.Cleared.IsNone() && a.Cleared < x.From
		if over || !a.about(x.Point, x.Side) {
			continue
		}
		done = append(done, Done{At: a.Raised, Kind: journal.AlarmRaised, By: a.SuppressedBy, Text: a.Priority})
		if !a.Acknowledged.IsNone() {
			done = append(done, Done{At: a.Acknowledged, Kind: journal.AlarmAcknowledged, By: a.AcknowledgedBy})
		}
	}
	for i := range e.Journal {
		n := &e.Journal[i]
		at := n.sinceOf()
		late := at < x.From || at > x.To.Add(answerTime) || n.Kind != journal.Note && at > x.To
		here := n.Place == x.Point.Place || n.Place == "" && (n.Cohort == "" || n.Cohort == e.Cohort)
		if late || !here || n.Corrected || !n.answers() {
			continue
		}
		done = append(done, Done{At: at, Kind: n.Kind, By: n.By, Task: n.Task, Text: n.Text})
	}
	slices.SortStableFunc(done, func(a, b Done) int { return compare(a.At, b.At) })
	return done
}

// answers reports whether an entry says that a person, or a mister, has done something.
func (n *Note) answers() bool {
	switch n.Kind {
	case journal.Note, journal.Misting, journal.CohortMoved:
		return true
	case journal.CareDone:
		return n.Task != "feed" && n.Task != "look" // done every day
	}
	return false
}

// about reports whether an alarm is one of the limits of a point on a side, or that of the room which speaks for its place.
func (a *Alarm) about(p quantity.Point, side string) bool {
	name, limit := cutLast(a.Alarm)
	if !strings.HasSuffix(limit, side) {
		return false
	}
	if name == p.String() {
		return true
	}
	of, err := quantity.ParsePoint(name)
	return err == nil && of.Quantity == p.Quantity && slices.Contains(a.names, p.Place)
}

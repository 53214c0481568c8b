package report

import (
	"context"
	"slices"
	"strings"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/format/exposure"
)

// Alarm is one occurrence of an alarm, put together from its journal entries.
type Alarm struct {
	Alarm          string           `json:"alarm"`
	Priority       string           `json:"priority"`
	Unit           string           `json:"unit,omitempty"`
	Setpoint       *exposure.Number `json:"setpoint"`
	Extreme        *exposure.Number `json:"extreme"`
	Since          instant.Instant  `json:"since"`
	Raised         instant.Instant  `json:"raised"`
	Acknowledged   instant.Instant  `json:"acknowledged"`
	AcknowledgedBy string           `json:"acknowledged_by,omitempty"`
	Cleared        instant.Instant  `json:"cleared"`
	SuppressedBy   string           `json:"suppressed_by,omitempty"` // what covered it when it was raised

	id        string   // of the occurrence: what an acknowledgement names
	names     []string // enclosures that a room's alarm speaks for
	announced bool     // it was not suppressed when it was raised
}

// occurrencesOf follows the alarms through the journal, which is given from its beginning, the oldest entry first.
func occurrencesOf(entries []*journal.Entry) []Alarm {
	var all []Alarm
	current := map[string]int{} // by the alarm's name
	of := func(e *journal.Entry) *Alarm {
		if i, ok := current[e.Alarm]; ok && e.Occurrence == all[i].id {
			return &all[i]
		}
		return nil
	}
	for _, e := range entries {
		switch e.Kind {
		case journal.AlarmRaised:
			a := Alarm{
				Alarm: e.Alarm, Priority: e.Priority, Unit: e.Unit, Setpoint: pointed(e.Setpoint), Extreme: pointed(e.Extreme),
				Since: e.At, Raised: e.At, Acknowledged: instant.None, Cleared: instant.None,
				id: e.Occurrence, names: e.Names, announced: e.State == isa.Unacknowledged,
			}
			if e.Since != nil {
				a.Since = *e.Since
			}
			if e.State == isa.SuppressedByDesign {
				a.SuppressedBy = e.By
			}
			current[e.Alarm] = len(all)
			all = append(all, a)
		case journal.AlarmAcknowledged:
			if a := of(e); a != nil && a.Acknowledged.IsNone() {
				a.Acknowledged, a.AcknowledgedBy = e.At, e.By
			}
		case journal.AlarmCleared:
			if a := of(e); a != nil {
				a.Cleared = e.At
				if e.Extreme != nil {
					a.Extreme = pointed(e.Extreme)
				}
			}
		}
	}
	return all
}

func pointed(v *float64) *exposure.Number {
	if v == nil {
		return nil
	}
	return exposure.NumberOf(*v)
}

// alarms picks the occurrences of which a part lies in the range and that concern the subject.
func (s *subject) alarms(entries []*journal.Entry) []Alarm {
	kept := []Alarm{}
	for _, a := range occurrencesOf(entries) {
		if a.Raised <= s.To && (a.Cleared.IsNone() || a.Cleared >= s.From) && s.concerns(&a) {
			kept = append(kept, a)
		}
	}
	return kept
}

// completeExtremes finds out how far the alarms have gone that had not cleared when the range ended: the journal has the extreme of
// the moment at which each was raised only.
func (s *subject) completeExtremes(ctx context.Context, h History, alarms []Alarm) error {
	for i := range alarms {
		a := &alarms[i]
		name, limit := cutLast(a.Alarm)
		p, err := quantity.ParsePoint(name)
		end := s.To.Add(time.Millisecond) // the columns leave out their end
		if err != nil || a.Extreme == nil || !a.Cleared.IsNone() || a.Since >= end {
			continue
		}
		columns, err := h.Columns(ctx, p, a.Since, end, 1)
		if err != nil {
			return err
		}
		switch c := columns[0]; {
		case c.Count == 0:
		case strings.HasSuffix(limit, "high"):
			*a.Extreme = max(*a.Extreme, exposure.Number(c.Max))
		default:
			*a.Extreme = min(*a.Extreme, exposure.Number(c.Min))
		}
	}
	return nil
}

// cutLast parts the name of an alarm into that of what it watches and its limit.
func cutLast(name string) (of, limit string) {
	i := strings.LastIndexByte(name, '/')
	if i < 0 {
		return name, ""
	}
	return name[:i], name[i+1:]
}

// concerns reports whether an alarm is about the subject's place: on a point of it, on a sensor that feeds it, or of a room
// that speaks for it.
func (s *subject) concerns(a *Alarm) bool {
	if s.place == "" && s.Cohort == "" {
		return true
	}
	place, _, _ := strings.Cut(a.Alarm, "/")
	if s.metBy(a, place) || slices.ContainsFunc(a.names, func(name string) bool { return s.metBy(a, name) }) {
		return true
	}
	sensor, isFault := strings.CutPrefix(a.Alarm, journal.FaultPlace+"/")
	if !isFault {
		return false
	}
	sensor, channel, _ := strings.Cut(strings.TrimSuffix(sensor, "/fault"), "/")
	return slices.ContainsFunc(s.Site.Sensors, func(c config.SensorConfig) bool {
		if c.ID != sensor {
			return false
		}
		for of, p := range c.Feeds {
			if s.metBy(a, p.Place) && (channel == "" || channel == string(of)) {
				return true
			}
		}
		return false
	})
}

// metBy reports whether an alarm of a place was one of the place of the report, or one that its cohort has lived through there.
func (s *subject) metBy(a *Alarm, place string) bool {
	if s.Cohort == "" {
		return place == s.place
	}
	over := a.Cleared
	if over.IsNone() {
		over = cohort.Open
	}
	return s.livedIn(place, a.Raised, over)
}

package web

import (
	"cmp"
	"context"
	"net/http"
	"slices"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/server/status"
	"dewline/internal/store"
)

// Marks are what happened in a range, for drawing beside the lines.
type Marks struct {
	From instant.Instant `json:"from"`
	To   instant.Instant `json:"to"`
	// Light holds the light hours; empty where the light never changes or the range is too long to draw them one by one.
	Light     []SpanJSON  `json:"light"`
	Alarms    []AlarmSpan `json:"alarms"`
	Events    []EventMark `json:"events"`    // mistings, stage changes, notes, starts and stops; oldest first
	Truncated bool        `json:"truncated"` // there was more than could be given: the oldest are missing
}

// SpanJSON is a stretch of time.
type SpanJSON struct {
	From instant.Instant `json:"from"`
	To   instant.Instant `json:"to"`
}

// AlarmSpan is the time for which the condition of an alarm held.
type AlarmSpan struct {
	Alarm    string          `json:"alarm"`
	Place    string          `json:"place"`
	Priority string          `json:"priority"`
	Since    instant.Instant `json:"since"`
	Raised   instant.Instant `json:"raised"`
	Cleared  instant.Instant `json:"cleared"` // null while it is active
}

// EventMark is a moment.
type EventMark struct {
	At     instant.Instant `json:"at"`
	Kind   journal.Kind    `json:"kind"`
	Place  string          `json:"place,omitempty"`
	Cohort string          `json:"cohort,omitempty"`
	Stage  string          `json:"stage,omitempty"`
	Text   string          `json:"text,omitempty"`
	By     string          `json:"by,omitempty"`
	Until  instant.Instant `json:"until"` // end of a misting that has a length
}

const (
	maxMarks = 2000
	maxAfter = 300
)

var eventKinds = []journal.Kind{
	journal.Misting, journal.StageSet, journal.CohortBegan, journal.CohortStage, journal.CohortMoved, journal.CohortCounted, journal.CareDone, journal.Note, journal.RunStarted, journal.RunStopped, journal.ClockStepped, journal.ConfigChanged,
}

func (s *site) serveMarks(w http.ResponseWriter, r *http.Request) {
	p := s.Current.Get()
	q := query{values: r.URL.Query()}
	from, to := q.span(p)
	if q.problem != "" {
		fail(w, r, http.StatusBadRequest, badRequest, q.problem)
		return
	}
	marks := Marks{From: from, To: to, Light: []SpanJSON{}, Alarms: []AlarmSpan{}, Events: []EventMark{}}
	if to.Sub(from) <= maxWithLight {
		marks.Light = lightSpans(&s.Site().Light, from, to)
	}
	if s.History != nil {
		if err := s.gatherMarks(r.Context(), &marks, p, q.values["place"]); err != nil {
			s.answerHistoryError(w, r, err)
			return
		}
	}
	answer(w, r, http.StatusOK, marks)
}

func (s *site) gatherMarks(ctx context.Context, m *Marks, p *status.Snapshot, places []string) error {
	wanted := func(place string) bool { return len(places) == 0 || place == "" || slices.Contains(places, place) }
	events, err := s.History.Journal(ctx, store.Filter{From: m.From, To: m.To, Kinds: eventKinds, Limit: maxMarks})
	if err != nil {
		return err
	}
	m.Truncated = len(events) == maxMarks
	for _, e := range events {
		if !wanted(e.Place) {
			continue
		}
		mark := EventMark{At: e.At, Kind: e.Kind, Place: e.Place, Cohort: e.Cohort, Stage: e.Stage, Text: e.Text, By: e.By, Until: instant.None}
		if e.Until != nil {
			mark.Until = *e.Until
		}
		if e.Dated() && *e.Since >= m.From { // written later
			mark.At = *e.Since
		}
		m.Events = append(m.Events, mark)
	}
	slices.Reverse(m.Events)
	alarms, truncated, err := s.alarmSpans(ctx, m.From, m.To, p)
	if err != nil {
		return err
	}
	m.Truncated = m.Truncated || truncated
	for _, a := range alarms {
		if wanted(a.Place) {
			m.Alarms = append(m.Alarms, a)
		}
	}
	return nil
}

// alarmSpans pairs raises with clears. An alarm that was raised before the range is known by its clear, in the range or
// after it, or by the picture while it is still active.
func (s *site) alarmSpans(ctx context.Context, from, to instant.Instant, p *status.Snapshot) ([]AlarmSpan, bool, error) {
	within, err := s.History.Journal(ctx, store.Filter{From: from, To: to, Kinds: []journal.Kind{journal.AlarmRaised, journal.AlarmCleared}, Limit: maxMarks})
	if err != nil {
		return nil, false, err
	}
	after, err := s.History.Journal(ctx, store.Filter{From: to, Kinds: []journal.Kind{journal.AlarmCleared}, Limit: maxAfter})
	if err != nil {
		return nil, false, err
	}
	spans := map[string]*AlarmSpan{}
	take := func(e *journal.Entry) {
		span := spans[e.Occurrence]
		if span == nil {
			span = &AlarmSpan{Alarm: e.Alarm, Place: e.Place, Priority: e.Priority, Since: e.At, Raised: raisedOf(e), Cleared: instant.None}
			spans[e.Occurrence] = span
		}
		if e.Since != nil {
			span.Since = *e.Since
		}
		if e.Kind == journal.AlarmCleared {
			span.Cleared = e.At
		}
	}
	for _, e := range within {
		take(e)
	}
	for _, e := range after {
		if raisedOf(e) < to {
			take(e)
		}
	}
	for i := range p.Alarms {
		if a := &p.Alarms[i]; a.Active && a.Raised < to && spans[a.Occurrence] == nil {
			spans[a.Occurrence] = &AlarmSpan{a.Name, a.Place, a.Priority.String(), a.Since, a.Raised, instant.None}
		}
	}
	list := make([]AlarmSpan, 0, len(spans))
	for _, span := range spans {
		list = append(list, *span)
	}
	slices.SortStableFunc(list, func(a, b AlarmSpan) int {
		return cmp.Or(cmp.Compare(a.Raised, b.Raised), cmp.Compare(a.Alarm, b.Alarm))
	})
	return list, len(within) == maxMarks, nil
}

// raisedOf returns the time at which the occurrence of an entry was raised, which its identity ends with.
func raisedOf(e *journal.Entry) instant.Instant {
	if n := len(e.Alarm) + 1; len(e.Occurrence) > n {
		if at, err := instant.Parse(e.Occurrence[n:]); err == nil {
			return at
		}
	}
	return e.At
}

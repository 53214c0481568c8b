package report

import (
	"cmp"
	"slices"
	"time"

	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
)

// Count is how many animals of a cohort there were, as the record has it.
type Count struct {
	Since  instant.Instant `json:"since"`
	Cohort string          `json:"cohort"`
	Count  int             `json:"count"`
	Change *int            `json:"change"` // since the count before it; null for the first one
	Why    string          `json:"why,omitempty"`
	By     string          `json:"by,omitempty"`
}

// record returns the entries of the record that no other one has corrected, by the time from which on they count, and the journal
// entries behind them by their IDs.
func record(entries []*journal.Entry) (holding []cohort.Entry, behind map[string]*journal.Entry) {
	behind = map[string]*journal.Entry{}
	for _, e := range entries {
		behind[e.ID()] = e
	}
	holding = cohort.InForce(cohort.Read(entries))
	slices.SortStableFunc(holding, func(a, b cohort.Entry) int { return cmp.Or(compare(a.Since, b.Since), cmp.Compare(a.Seq, b.Seq)) })
	return holding, behind
}

// counts returns the counts of the range, and for each cohort the last one before it.
func (s *subject) counts(entries []*journal.Entry) []Count {
	all := []Count{}
	holding, behind := record(entries)
	before := map[string]int{} // index into all of the latest count of a cohort
	for i := range holding {
		e := &holding[i]
		isCount := e.Kind == journal.CohortBegan || e.Kind == journal.CohortCounted
		if !isCount || e.Count == cohort.NotCounted || e.Since > s.To || !s.livesHere(e.Cohort, e.Since) {
			continue
		}
		made := Count{Since: e.Since, Cohort: e.Cohort, Count: e.Count, Why: e.Why, By: behind[e.ID].By}
		k, known := before[e.Cohort]
		if known {
			made.Change = new(e.Count - all[k].Count)
		}
		if known && all[k].Since < s.From && e.Since <= s.From {
			all[k] = made
			continue
		}
		before[e.Cohort] = len(all)
		all = append(all, made)
	}
	return all
}

// livesHere reports whether a cohort is one of the report: it lives there at a time, or has until then.
func (s *subject) livesHere(id string, at instant.Instant) bool {
	if s.Cohort != "" || s.place == "" {
		return s.Cohort == "" || id == s.Cohort
	}
	for _, t := range []instant.Instant{at, at - 1} {
		if in := cohort.At(s.watched.Intervals, id, t); in != nil && in.Place == s.place {
			return true
		}
	}
	return false
}

// sinceOf returns the time from which on a note counts.
func (n *Note) sinceOf() instant.Instant {
	if n.Since != nil && !n.Since.IsNone() && *n.Since != 0 {
		return *n.Since
	}
	return n.At
}

// dated reports whether a note counts from another time than that of its writing.
func (n *Note) dated() bool { return n.sinceOf().Sub(n.At).Abs() >= time.Minute }

package control

import (
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
)

// Cohort is what is in force for a cohort. The form is stable.
type Cohort struct {
	Cohort     string          `json:"cohort"`
	Profile    string          `json:"profile,omitempty"`
	Place      string          `json:"place,omitempty"`
	PlaceSince instant.Instant `json:"place_since"`
	PlaceEntry string          `json:"place_entry,omitempty"` // the entry that says so
	Stage      string          `json:"stage"`                 // "" before it begins and after it has ended
	Since      instant.Instant `json:"since"`                 // of the stage
	StageEntry string          `json:"stage_entry,omitempty"`
	Gosner     int             `json:"gosner,omitempty"`
	Count      *int            `json:"count,omitempty"` // absent where no count is on record
	CountSince instant.Instant `json:"count_since"`
	CountEntry string          `json:"count_entry,omitempty"`
	Began      instant.Instant `json:"began"`
	Ended      instant.Instant `json:"ended"`
	Next       string          `json:"next,omitempty"` // stage that the configuration has for later
	NextSince  instant.Instant `json:"next_since"`
}

// CohortOf shows a cohort at a time; nil where nothing is on record of it.
func CohortOf(intervals []cohort.Interval, id string, at instant.Instant) *Cohort {
	life := cohort.Life(intervals, id)
	if len(life) == 0 {
		return nil
	}
	first, last := &life[0], &life[len(life)-1]
	shown := &Cohort{
		Cohort: id, Profile: first.Profile, Began: first.From, Ended: instant.None, PlaceSince: instant.None, Since: instant.None,
		CountSince: instant.None, NextSince: instant.None,
	}
	if last.To != cohort.Open && last.To <= at {
		shown.Ended = last.To
	}
	if now := cohort.At(life, id, at); now != nil {
		shown.Place, shown.PlaceSince, shown.PlaceEntry = now.Place, now.PlaceBy.Since, now.PlaceBy.ID
		shown.Stage, shown.Since, shown.StageEntry, shown.Gosner = now.Stage.String(), now.StageBy.Since, now.StageBy.ID, now.Gosner
		if now.Count != cohort.NotCounted {
			shown.Count, shown.CountSince, shown.CountEntry = new(now.Count), now.CountBy.Since, now.CountBy.ID
		}
	}
	for i := range life {
		if next := &life[i]; next.From > at && next.Stage.String() != shown.Stage {
			shown.Next, shown.NextSince = next.Stage.String(), next.From
			break
		}
	}
	return shown
}

// Cohorts shows all cohorts at a time, those that have ended last.
func Cohorts(intervals []cohort.Interval, at instant.Instant) []*Cohort {
	var live, ended []*Cohort
	seen := map[string]bool{}
	for i := range intervals {
		id := intervals[i].Cohort
		if seen[id] {
			continue
		}
		seen[id] = true
		if shown := CohortOf(intervals, id, at); shown.Ended.IsNone() {
			live = append(live, shown)
		} else {
			ended = append(ended, shown)
		}
	}
	return append(live, ended...)
}

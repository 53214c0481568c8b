package report

import (
	"cmp"
	"maps"
	"slices"

	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/task"
	"dewline/internal/core/today/compose"
	"dewline/internal/format/exposure"
)

// Care is a task of care, and how often it was done in the range.
type Care struct {
	Task          string           `json:"task"`
	Place         string           `json:"place,omitempty"`
	Cohort        string           `json:"cohort,omitempty"`
	Times         int              `json:"times"`
	First         instant.Instant  `json:"first"`
	Last          instant.Instant  `json:"last"`
	LongestPauseS exposure.Seconds `json:"longest_pause_s"` // between two times; 0 for a single one
	// Missed is how many times of those that a profile asks for were late by more than half an interval, or never came; null where none asks.
	Missed *int `json:"missed"`
}

// Undone is a task that a profile asks for, which was not done once in the range.
type Undone struct {
	Task   string `json:"task"`
	Cohort string `json:"cohort"`
	Stage  string `json:"stage"`
	Missed int    `json:"missed"` // as in [Care]
}

// mistTask is the task that a misting is.
const mistTask = "mist"

// care sums up what was done in the range, task by task, and what was not.
func (s *subject) care(entries []*journal.Entry) (all []Care, undone []Undone) {
	all = []Care{}
	type task struct{ task, place, cohort string }
	index := map[task]int{}
	holding, _ := record(entries)
	for i := range holding {
		e := &holding[i]
		of := task{e.Task, e.Place, e.Cohort}
		switch e.Kind {
		case journal.Misting:
			of.task = mistTask
		case journal.CareDone:
		default:
			continue
		}
		here := s.place == "" || e.Place == s.place || e.Cohort != "" && s.livesHere(e.Cohort, e.Since)
		if s.Cohort != "" {
			here = s.tells(&journal.Entry{Cohort: e.Cohort, Place: e.Place}, e.Since)
		}
		if !here || e.Since < s.From || e.Since > s.To {
			continue
		}
		k, known := index[of]
		if !known {
			index[of] = len(all)
			all = append(all, Care{Task: of.task, Place: of.place, Cohort: of.cohort, Times: 1, First: e.Since, Last: e.Since})
			continue
		}
		done := &all[k]
		done.LongestPauseS = max(done.LongestPauseS, exposure.Seconds(e.Since.Sub(done.Last)))
		done.Times, done.Last = done.Times+1, e.Since
	}
	slices.SortStableFunc(all, func(a, b Care) int { return cmp.Or(cmp.Compare(a.Task, b.Task), cmp.Compare(a.Place, b.Place)) })
	return all, s.judge(all, holding)
}

// asked is what became in the range of a task that a profile asks for at a stage of a cohort.
type asked struct {
	do     string
	stage  *cohort.Interval // the last one of the stage
	places []string         // where the cohort lived at the stage
	missed int
}

// asked compares what was done with what the profiles ask for.
func (s *subject) asked(holding []cohort.Entry) (all []asked) {
	var stage []*cohort.Interval // of one cohort at one stage
	for i := range s.watched.Intervals {
		n := &s.watched.Intervals[i]
		stage = append(stage, n)
		if k := i + 1; k < len(s.watched.Intervals) && s.watched.Intervals[k].Cohort == n.Cohort && s.watched.Intervals[k].Stage == n.Stage {
			continue
		}
		if profile := s.watched.Profiles[n.Profile]; profile != nil {
			tasks := profile.Care[n.Stage].Tasks
			for k := range tasks {
				if a := (asked{do: tasks[k].Do, stage: n}); s.compare(&a, stage, tasks[k:k+1], holding) {
					all = append(all, a)
				}
			}
		}
		stage = nil
	}
	return all
}

// compare looks, at each time that a task was done, at how long it had been due just before, and likewise at the end of the range or of the
// stage. What was missed before the range does not count. It reports false where nothing was asked for.
func (s *subject) compare(a *asked, stage []*cohort.Interval, of []care.Task, holding []cohort.Entry) (was bool) {
	stay := task.Stay{Tasks: of, From: compose.Began(&s.watched, a.stage), To: instant.None}
	if a.stage.To != cohort.Open {
		stay.To = a.stage.To
	}
	judge := func(done []task.Done, now instant.Instant) {
		if now < s.From || now >= s.To {
			return
		}
		state := task.States(stay, done, now)[0]
		was = was || !state.Due.IsNone()
		switch every := of[0].Every; {
		case !state.IsDue(now):
		case every > 0:
			a.missed += int((now.Sub(max(state.Due, s.From)) + every/2) / every)
		case state.IsOverdue(now):
			a.missed++
		}
	}
	for k, n := range stage {
		if n.Place == "" || !s.shows(n.Place) || s.Cohort != "" && n.Cohort != s.Cohort {
			continue
		}
		a.places = append(a.places, n.Place)
		done := compose.DoneFor(&s.watched, n, holding)
		done = slices.DeleteFunc(done, func(d task.Done) bool { return d.Do != a.do })
		for _, d := range done {
			if n.Holds(d.At) {
				judge(done, d.At-1)
			}
		}
		if k == len(stage)-1 || n.Holds(s.To) {
			judge(done, min(n.To, s.To)-1)
		}
	}
	return was
}

// judge says of each task how often it was missed, for the cohort that was served worst, and lists what was not done at all.
func (s *subject) judge(done []Care, holding []cohort.Entry) []Undone {
	undone := []Undone{}
	of := map[int]map[string]int{} // missed, by row and cohort
	for _, a := range s.asked(holding) {
		row := -1
		for i := range done {
			c := &done[i]
			if c.Task == a.do && (c.Cohort == a.stage.Cohort || row < 0 && c.Cohort == "" && slices.Contains(a.places, c.Place)) {
				row = i
			}
		}
		switch {
		case row >= 0:
			if of[row] == nil {
				of[row] = map[string]int{}
			}
			of[row][a.stage.Cohort] += a.missed
		case a.missed > 0:
			undone = append(undone, Undone{Task: a.do, Cohort: a.stage.Cohort, Stage: a.stage.Stage.String(), Missed: a.missed})
		}
	}
	for row, sums := range of {
		done[row].Missed = new(slices.Max(slices.Collect(maps.Values(sums))))
	}
	return undone
}

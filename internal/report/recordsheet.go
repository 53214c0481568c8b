package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/format/exposure"
)

// recordSection has the counts, the care and the latest of what else the journal has.
func (w Words) recordSection(e *Exposure) Section {
	section := Section{Title: "From the journal"}
	for _, t := range []Table{
		latest(w.countTable(e.Counts), maxPrintedCounts, "counts"), latest(w.careTable(e.Care), maxPrintedTasks, "tasks"), w.noteTable(e.Journal),
	} {
		if len(t.Rows) > 0 {
			section.Tables = append(section.Tables, t)
		}
	}
	return section
}

// careSection has the counts and the care.
func (w Words) careSection(e *Exposure) Section {
	section := Section{Title: "Counts and care"}
	for _, t := range []Table{w.countTable(e.Counts), w.careTable(e.Care)} {
		if len(t.Rows) > 0 {
			section.Tables = append(section.Tables, t)
		}
	}
	return section
}

// noteTable lists the latest entries that are no counts and no care.
func (w Words) noteTable(notes []Note) Table {
	others := slices.DeleteFunc(slices.Clone(notes), func(n Note) bool {
		return n.Kind == journal.Misting || n.Kind == journal.CareDone || n.Kind == journal.CohortCounted
	})
	t := w.entryTable(others)
	for i := range t.Rows {
		t.Rows[i][2] = shortened(t.Rows[i][2])
	}
	return latest(t, maxPrintedNotes, "entries")
}

// countTable lists how many animals there were.
func (w Words) countTable(counts []Count) Table {
	t := Table{Caption: "Counts and losses", Head: []string{"since", "cohort", "animals", "change", "why", "by"}}
	for i := range counts {
		c := &counts[i]
		change := "–"
		if c.Change != nil {
			change = fmt.Sprintf("%+d", *c.Change)
		}
		t.Rows = append(t.Rows, []string{w.at(c.Since), c.Cohort, fmt.Sprint(c.Count), change, c.Why, c.By})
	}
	return t
}

// careTable sums up what was done again and again.
func (w Words) careTable(tasks []Care) Table {
	t := Table{Caption: "Care done", Head: []string{"task", "for", "times", "first", "last", "longest pause"}}
	for i := range tasks {
		c := &tasks[i]
		whom := c.Place
		if c.Cohort != "" {
			whom = c.Cohort
		}
		t.Rows = append(t.Rows, []string{strings.ReplaceAll(c.Task, "-", " "), whom, fmt.Sprint(c.Times), w.at(c.First), w.at(c.Last), pause(c)})
	}
	return t
}

// pause writes the longest time between two times that a task was done, in days where it lasted for two at least.
func pause(c *Care) string {
	hours := time.Duration(c.LongestPauseS).Hours()
	switch {
	case c.Times < 2:
		return "–"
	case hours < 48:
		return length(c.LongestPauseS)
	}
	return strings.TrimSuffix(fmt.Sprintf("%.1f", hours/24), ".0") + " d"
}

// alarmSummary has one line for each alarm that was raised, the most frequent ones first.
func (w Words) alarmSummary(e *Exposure) Section {
	alarms := e.Alarms
	section := Section{Title: "Alarms, as they were raised"}
	if len(alarms) == 0 {
		section.Lines = []string{"The journal has none in this range."}
		return section
	}
	var names []string
	of := map[string][]*Alarm{}
	for i := range alarms {
		name := alarms[i].Alarm
		if of[name] == nil {
			names = append(names, name)
		}
		of[name] = append(of[name], &alarms[i])
	}
	slices.SortStableFunc(names, func(a, b string) int { return len(of[b]) - len(of[a]) })
	t := Table{Head: []string{"alarm", "times", "first", "last", "longest", "acknowledged", "median answer"}}
	for _, name := range names {
		all := of[name]
		var longest exposure.Seconds
		var answers []float64
		active := ""
		for _, a := range all {
			if a.Cleared.IsNone() {
				active = ", one still active"
			} else {
				longest = max(longest, exposure.Seconds(a.Cleared.Sub(a.Raised)))
			}
			if !a.Acknowledged.IsNone() {
				answers = append(answers, float64(a.Acknowledged.Sub(a.Raised)))
			}
		}
		answer, acknowledged := "–", fmt.Sprint(len(answers))
		if m := medianOf(answers); m != nil {
			answer = length(exposure.Seconds(*m))
		}
		if asksForNothing(name) {
			acknowledged = "not needed"
		}
		t.Rows = append(t.Rows, []string{
			e.alarmed(name), fmt.Sprint(len(all)), w.date(all[0].Raised), w.date(all[len(all)-1].Raised) + active, length(longest), acknowledged, answer,
		})
	}
	if all := len(t.Rows); all > maxPrintedAlarms {
		t.Rows = t.Rows[:maxPrintedAlarms]
		section.Lines = []string{fmt.Sprintf("The %d most frequent of %d alarms; the text form lists every occurrence.", maxPrintedAlarms, all)}
	}
	section.Tables = []Table{t}
	return section
}

// alarmed names an alarm of a point as the other tables name the point; any other keeps its name.
func (e *Exposure) alarmed(name string) string {
	of, limit, _ := cutLast(name, "/")
	p, err := quantity.ParsePoint(of)
	if err != nil {
		return name
	}
	return e.where(p) + ": " + strings.ReplaceAll(limit, "-", " ")
}

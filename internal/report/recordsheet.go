package report

import (
	"cmp"
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
	return recordTables("From the journal", e, latest(w.countTable(e.Counts), maxPrintedCounts, "counts"), latest(w.careTable(e.Care), maxPrintedTasks, "tasks"),
		w.noteTable(e.Journal))
}

// careSection has the counts and the care.
func (w Words) careSection(e *Exposure) Section {
	return recordTables("Counts and care", e, w.countTable(e.Counts), w.careTable(e.Care))
}

// recordTables makes a section of tables, without those that have no rows, and of what was not done.
func recordTables(title string, e *Exposure, tables ...Table) Section {
	section := sectionOf(title, tables...)
	if undone := undoneLine(e.Undone); undone != "" {
		section.After = append(section.After, undone)
	}
	return section
}

// undoneLine lists what the profiles ask for and was not done; "" for none.
func undoneLine(undone []Undone) string {
	var parts []string
	for _, u := range undone {
		parts = append(parts, fmt.Sprintf("%s (%s, %s)", strings.ReplaceAll(u.Task, "-", " "), u.Cohort, u.Stage))
	}
	if parts == nil {
		return ""
	}
	return "Asked for by the profile and never on record: " + strings.Join(parts, "; ") + "."
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

// shownMistDays bounds the days of which each misting is listed; the JSON form has all of them.
const shownMistDays = 14

// mistTable lists mistings by place and day, or how many there were by place and week where that are many.
func (w Words) mistTable(mistings []Note) Table {
	t := Table{Caption: "Mistings", Head: []string{"day", "place", "times"}}
	byDay := map[[2]string]int{}
	for i := range mistings {
		n := &mistings[i]
		since := n.sinceOf()
		day := [2]string{w.date(since), n.Place}
		at := since.Time().In(w.Location).Format("15:04")
		if k, ok := byDay[day]; ok {
			t.Rows[k][2] += " " + at
			continue
		}
		byDay[day] = len(t.Rows)
		t.Rows = append(t.Rows, []string{day[0], day[1], at})
	}
	if len(t.Rows) <= shownMistDays {
		return t
	}
	t = Table{Caption: "Mistings by week from Monday (the JSON form has each)", Head: []string{"week of", "place", "times"}}
	byWeek := map[[2]string]int{}
	counts := []int{}
	for i := range mistings {
		week := [2]string{mondayOf(mistings[i].sinceOf(), w.Location), mistings[i].Place}
		k, ok := byWeek[week]
		if !ok {
			k = len(counts)
			byWeek[week], counts = k, append(counts, 0)
			t.Rows = append(t.Rows, []string{week[0], week[1], ""})
		}
		counts[k]++
		t.Rows[k][2] = fmt.Sprint(counts[k])
	}
	return t
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
	t := Table{Caption: "Care done (missed: never, or late by more than half of the interval that the profile asks for; –: it asks for none)", Head: []string{"task", "for", "times", "missed", "first", "last", "longest pause"}}
	for i := range tasks {
		c := &tasks[i]
		whom := cmp.Or(c.Cohort, c.Place)
		t.Rows = append(t.Rows, []string{strings.ReplaceAll(c.Task, "-", " "), whom, fmt.Sprint(c.Times), number(c.Missed), w.at(c.First), w.at(c.Last), pause(c)})
	}
	return t
}

// number writes a count; "–" where there is none.
func number(n *int) string {
	if n == nil {
		return "–"
	}
	return fmt.Sprint(*n)
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
	of, limit := cutLast(name)
	p, err := quantity.ParsePoint(of)
	if err != nil {
		return name
	}
	return e.where(p) + ": " + strings.ReplaceAll(limit, "-", " ")
}

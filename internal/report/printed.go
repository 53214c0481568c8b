package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
)

// What a printed report has at most, so that twelve weeks of one place or cohort fit on four pages. The other forms have everything.
const (
	maxPrintedNotes  = 8
	maxPrintedAlarms = 8
	maxPrintedWeeks  = 14
	maxPrintedCounts = 12
	maxPrintedTasks  = 12
	maxPrintedText   = 160 // runes of a note
)

// Printed lays the report out for a page to print and to hand over: a plot and a line for each week instead of one for each day, and
// the worst of what there are many of.
func (e *Exposure) Printed(w Words) *Sheet {
	s := &Sheet{Title: "Exposure report of " + e.Site}
	switch {
	case e.Cohort != "":
		s.Title = "Exposure report: cohort " + e.Cohort
	case e.Place != "":
		s.Title = "Exposure report: " + e.titleOf(e.Place)
	}
	s.Lines = append(s.Lines, w.within(max(e.From, min(e.begin, e.To)), e.To)+" ("+e.Timezone+")")
	s.Lines = append(s.Lines, e.animals(w)...)
	made := "Site " + e.Site + ". Judged by the limits listed below and the stages of the journal. What was not observed is unknown, never fine."
	if !e.Made.IsNone() {
		made += " Made on " + w.at(e.Made) + "."
	}
	s.Lines = append(s.Lines, made)
	s.Sections = append(s.Sections, Section{Title: "At a glance", Tables: []Table{w.summaryTable(e)}})
	key := []string{plotKey}
	for i := range e.Points {
		p := &e.Points[i]
		if len(p.InForce) == 0 || !daysShown(p) {
			continue
		}
		section := Section{Title: e.pointTitle(p) + ", " + p.Point.Quantity.Keeper(w.Temperature).Shown(), Plot: w.plotOf(p, e.begin, e.To), Lines: key}
		if p.late {
			section.Lines = append(section.Lines, w.firstReading(p))
		}
		if weeks := w.weekTable(p); len(weeks.Rows) > 0 {
			weeks.Caption = "" // the key has it
			section.Tables = append(section.Tables, latest(weeks, maxPrintedWeeks, "weeks"))
		}
		key = nil
		s.Sections = append(s.Sections, section)
	}
	s.add(w.worstSection(e), w.alarmSummary(e), w.recordSection(e), w.limitSection(e), w.sensorSection(e), adviceSection(e.Advice))
	s.Notes = append(s.Notes, e.Cautions...)
	return s
}

// latest keeps the last n rows of a table, and says so.
func latest(t Table, n int, what string) Table {
	if all := len(t.Rows); all > n {
		t.Rows = t.Rows[all-n:]
		t.Caption = strings.TrimSpace(fmt.Sprintf("%s (the last %d of %d %s; the JSON form has all)", t.Caption, n, all, what))
	}
	return t
}

// titleOf writes a place by its title, with its id where that is another.
func (e *Exposure) titleOf(place string) string {
	if title := e.titles[place]; title != "" && title != place {
		return title + " (" + place + ")"
	}
	return place
}

// pointTitle names a point, and its place where the report has several.
func (e *Exposure) pointTitle(p *Point) string {
	if e.onePlace() {
		return spoken(p.Point.Quantity)
	}
	return spoken(p.Point.Quantity) + ", " + e.titleOf(p.Point.Place)
}

// where is pointTitle for a line of a table.
func (e *Exposure) where(p quantity.Point) string {
	if e.onePlace() {
		return spoken(p.Quantity)
	}
	return p.Place + ", " + strings.ToLower(spoken(p.Quantity))
}

// onePlace reports whether all points are of one place, which the head of the report names.
func (e *Exposure) onePlace() bool {
	return (e.Place != "" || e.Cohort != "") && !slices.ContainsFunc(e.Points, func(p Point) bool { return p.Point.Place != e.Points[0].Point.Place })
}

// spoken writes a quantity with a capital and without hyphens.
func spoken(q quantity.Quantity) string {
	text := strings.ReplaceAll(q.String(), "-", " ")
	return strings.ToUpper(text[:1]) + text[1:]
}

// animals says who lived where at which stage.
func (e *Exposure) animals(w Words) []string {
	type life struct{ cohort, place string }
	var order []life
	stages := map[life][]string{}
	at := map[life]string{}
	for i := range e.Points {
		for k := range e.Points[i].held {
			h := &e.Points[i].held[k]
			of := life{h.cohort, e.Points[i].Point.Place}
			if h.cohort == "" || slices.ContainsFunc(stages[of], func(s string) bool { return strings.HasPrefix(s, h.stage) }) {
				continue
			}
			if at[of] == "" {
				order = append(order, of)
			}
			at[of] = h.stage
			if h.from == e.begin { // it may have begun before
				stages[of] = append(stages[of], h.stage)
			} else {
				stages[of] = append(stages[of], h.stage+" from "+h.from.Time().In(w.Location).Format("2 Jan 2006"))
			}
		}
	}
	var lines []string
	named := map[string]bool{}
	for _, of := range order {
		line := "Cohort " + of.cohort
		if profile := e.profiles[of.cohort]; profile != "" && !named[of.cohort] {
			line += " (" + profile + ")"
		}
		named[of.cohort] = true
		lines = append(lines, line+" in "+e.titleOf(of.place)+": "+strings.Join(stages[of], ", ")+".")
	}
	return lines
}

// firstReading says why a point has fewer days than the report.
func (w Words) firstReading(p *Point) string {
	return "The first reading is of " + w.at(p.Whole.From) + "; the time before it does not count."
}

func critical(r *Row) exposure.Seconds {
	return exposure.Milliseconds(r.Seconds[watch.CriticalLowZone] + r.Seconds[watch.CriticalHighZone])
}

// zones are the cells about the zones of a row.
func zones(r *Row) []string {
	unknown := []string{length(exposure.Milliseconds(r.Seconds[watch.UnknownZone])), observed(r)}
	if free := r.Seconds[watch.NoBand]; free > 0 && free+r.Seconds[watch.UnknownZone] == time.Duration(r.ElapsedS).Milliseconds() {
		return append([]string{"–", "–", "–", "–"}, unknown...)
	}
	return append([]string{
		length(exposure.Milliseconds(r.Seconds[watch.InBand])) + "  " + percent(r.Shares[watch.InBand]), length(r.OutsideS), length(critical(r)),
		fmt.Sprint(r.Excursions),
	}, unknown...)
}

var zoneHeads = []string{"in band", "outside", "of it critical", "times", "unknown", "observed"}

// summaryTable has one line for each point.
func (w Words) summaryTable(e *Exposure) Table {
	t := Table{Head: append([]string{"", "lowest", "median", "highest"}, zoneHeads...)}
	for i := range e.Points {
		p := &e.Points[i]
		q := p.Point.Quantity
		if q.Derived() && len(p.InForce) == 0 {
			continue // the text form has them
		}
		line := []string{e.where(p.Point), w.value(q, p.Whole.Min), w.value(q, p.Median), w.value(q, p.Whole.Max)}
		t.Rows = append(t.Rows, append(line, zones(&p.Whole)...))
	}
	return t
}

// weekTable has one line for each week of a point.
func (w Words) weekTable(p *Point) Table {
	q := p.Point.Quantity
	t := Table{
		Caption: "By week from Monday; values in " + q.Keeper(w.Temperature).Shown() + ", the median being that of the means of ten minutes",
		Head:    append([]string{"week of", "lowest", "median", "highest"}, zoneHeads...),
	}
	for i := range p.Weeks {
		k := &p.Weeks[i]
		t.Rows = append(t.Rows, append([]string{k.Week, w.bare(q, k.Min), w.bare(q, k.Median), w.bare(q, k.Max)}, zones(&k.Row)...))
	}
	return t
}

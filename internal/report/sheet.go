package report

import (
	"cmp"
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"
	"time"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
)

// Sheet is a report laid out for people, before it becomes text or a page.
type Sheet struct {
	Title    string
	Lines    []string // below the title
	Sections []Section
	Notes    []string // at the end
}

// Section is a part of a sheet with a title of its own.
type Section struct {
	Title  string
	Lines  []string
	Plot   template.HTML // of a page only; "" = none
	Tables []Table
	After  []string // below the tables
}

// Table is a table whose first column names the row.
type Table struct {
	Caption string
	Head    []string
	Rows    [][]string
}

// sectionOf makes a section of tables, without those that have no rows.
func sectionOf(title string, tables ...Table) Section {
	tables = slices.DeleteFunc(tables, func(t Table) bool { return len(t.Rows) == 0 })
	return Section{Title: title, Tables: tables}
}

// add adds the sections that say anything.
func (s *Sheet) add(sections ...Section) {
	for _, section := range sections {
		if len(section.Tables)+len(section.Lines)+len(section.After) > 0 {
			s.Sections = append(s.Sections, section)
		}
	}
}

// Words are how the keeper reads values and times.
type Words struct {
	Temperature quantity.Unit
	Location    *time.Location
}

// WordsOf returns those of a site.
func WordsOf(site *config.Site) Words {
	return Words{site.Display.Temperature, assemble.Site(site).Location}
}

// at writes a time at the site.
func (w Words) at(t instant.Instant) string {
	return t.Time().In(w.Location).Format("2006-01-02 15:04")
}

// date writes the day of a time at the site.
func (w Words) date(t instant.Instant) string {
	return t.Time().In(w.Location).Format(time.DateOnly)
}

// within writes a range, with the time zone at both ends, which may differ.
func (w Words) within(from, to instant.Instant) string {
	const long = "Mon 2006-01-02 15:04 MST"
	return from.Time().In(w.Location).Format(long) + " to " + to.Time().In(w.Location).Format(long)
}

// value writes a value of a quantity.
func (w Words) value(q quantity.Quantity, v *exposure.Number) string {
	if v == nil {
		return "–"
	}
	return q.Keeper(w.Temperature).Print(float64(*v), q.Decimals())
}

// bare is value without the unit.
func (w Words) bare(q quantity.Quantity, v *exposure.Number) string {
	if v == nil {
		return "–"
	}
	return fmt.Sprintf("%.*f", q.Decimals(), q.Keeper(w.Temperature).FromCanonical(float64(*v)))
}

// difference is the unit in which a difference of two values of q is written.
func (w Words) difference(q quantity.Quantity) quantity.Unit {
	return q.KeeperDifference(w.Temperature)
}

func (w Words) degreeHours(q quantity.Quantity, v exposure.Number) string {
	return fmt.Sprintf("%.*f", q.Decimals()+1, w.difference(q).FromCanonical(float64(v)))
}

// length writes a time in hours and minutes. What is less than a minute and more than nothing shows as such.
func length(s exposure.Seconds) string {
	d := time.Duration(s)
	if d > 0 && d < time.Minute {
		return "<0:01"
	}
	minutes := int64(d.Round(time.Minute) / time.Minute)
	return fmt.Sprintf("%d:%02d", minutes/60, minutes%60)
}

// percent writes a share; only nothing is 0 and only everything is 100.
func percent(share float64) string {
	p := 100 * share
	switch {
	case math.IsNaN(p):
		return "–"
	case p > 0 && p < 0.05:
		return "<0.1 %"
	case p < 100 && p >= 99.95:
		return ">99.9 %"
	}
	return fmt.Sprintf("%.1f %%", p)
}

// Sheet lays the report out.
func (e *Exposure) Sheet(w Words) *Sheet {
	s := &Sheet{Title: "Exposure report of " + e.Site}
	s.Lines = append(s.Lines, w.within(e.From, e.To)+" ("+e.Timezone+")")
	switch {
	case e.Cohort != "":
		s.Lines = append(s.Lines, "Only cohort "+e.Cohort+", from place to place.")
	case e.Place != "":
		s.Lines = append(s.Lines, "Only "+e.Place+".")
	}
	s.Lines = append(s.Lines, "Judged by the bands of the configuration and the stages of the journal. What was not observed is unknown, never fine.")
	if !e.Made.IsNone() {
		s.Lines = append(s.Lines, "Made on "+w.at(e.Made)+".")
	}
	s.add(sectionOf("Who lived where", w.livesTable(e.Lives)))
	for i := range e.Points {
		s.add(w.pointSection(&e.Points[i]))
	}
	s.add(w.alarmSection(e.Alarms), w.journalSection(e.Journal), w.careSection(e), w.worstSection(e), w.limitSection(e), w.sensorSection(e),
		adviceSection(e.Advice))
	s.Notes = append(s.Notes, e.HeatLoad)
	s.Notes = append(s.Notes, e.Cautions...)
	return s
}

// livesTable lists who lived where.
func (w Words) livesTable(lives []Life) Table {
	t := Table{Head: []string{"cohort", "place", "stage", "count", "from", "to"}}
	for _, l := range lives {
		stage, count := l.Stage, "–"
		if l.Gosner > 0 {
			stage += fmt.Sprintf(" (Gosner %d)", l.Gosner)
		}
		if l.Count != nil {
			count = fmt.Sprint(*l.Count)
		}
		t.Rows = append(t.Rows, []string{l.Cohort, l.Place, stage, count, w.at(l.From), w.at(l.To)})
	}
	return t
}

// shownStays bounds the stays that a sheet lists; the JSON form has all of them.
const shownStays = 20

func (w Words) pointSection(p *Point) Section {
	section := Section{Title: p.Point.String()}
	q := p.Point.Quantity
	for _, b := range p.Bands {
		section.Lines = append(section.Lines, w.band(q, b))
	}
	if len(p.Bands) == 0 {
		section.Lines = append(section.Lines, "No band is in force here: there is nothing to be outside of.")
	}
	if p.Whole.Coverage != nil && *p.Whole.Coverage == 0 {
		section.Lines = append(section.Lines, "Nothing was observed: all of the time is unknown.")
	}
	if p.late {
		section.Lines = append(section.Lines, w.firstReading(p))
	}
	labels, rows := w.rows(p)
	if len(p.Bands) == 0 { // nothing is in or out of it
		section.Tables = append(section.Tables, w.valueTable(p, labels, rows))
		return section
	}
	section.Tables = append(section.Tables, zoneTable(p, labels, rows), w.valueTable(p, labels, rows))
	if len(p.Weeks) > 1 {
		section.Tables = append(section.Tables, w.weekTable(p))
	}
	if stays := w.stayTable(p); len(stays.Rows) > 0 {
		section.Tables = append(section.Tables, stays)
	}
	return section
}

// rows are the whole, the stages and the days of a point under their labels.
func (w Words) rows(p *Point) (labels []string, rows []*Row) {
	labels, rows = append(labels, "whole range"), append(rows, &p.Whole)
	for i := range p.Stages {
		if len(p.Stages) == 1 { // that is the whole
			break
		}
		s := &p.Stages[i]
		label := "no animals"
		if s.Cohort != "" {
			label = s.Stage + ", " + s.Cohort
		}
		labels, rows = append(labels, label), append(rows, &s.Row)
	}
	for i := range p.Days {
		d := &p.Days[i]
		label := d.From.Time().In(w.Location).Format("Mon ") + d.Day
		if d.Hours != 24 {
			label += fmt.Sprintf(" (%g h)", d.Hours)
		}
		labels, rows = append(labels, label), append(rows, &d.Row)
	}
	return labels, rows
}

// band writes what values are judged by.
func (w Words) band(q quantity.Quantity, b Band) string {
	text := "Band"
	if b.Cohort != "" {
		text += " of " + b.Cohort + " as " + b.Stage
	}
	if b.When != "always" {
		text += ", by " + b.When
	}
	text += ": "
	switch {
	case b.Low != nil && b.High != nil:
		text += w.bare(q, b.Low) + " to " + w.value(q, b.High)
	case b.Low != nil:
		text += "from " + w.value(q, b.Low)
	case b.High != nil:
		text += "up to " + w.value(q, b.High)
	default:
		text += "open"
	}
	var critical []string
	if b.CriticalLow != nil {
		critical = append(critical, "below "+w.value(q, b.CriticalLow))
	}
	if b.CriticalHigh != nil {
		critical = append(critical, "above "+w.value(q, b.CriticalHigh))
	}
	if critical != nil {
		text += "; critical " + strings.Join(critical, " and ")
	}
	return text + "."
}

// zoneTable has a column for each zone that occurs.
func zoneTable(p *Point, labels []string, rows []*Row) Table {
	t := Table{Caption: "Time in each zone, in hours:minutes and as a share", Head: []string{""}}
	var zones []watch.Zone
	for _, z := range watch.Zones() {
		always := z == watch.InBand && len(p.Bands) > 0 || z == watch.UnknownZone
		if always || p.Whole.Seconds[z] > 0 {
			zones = append(zones, z)
			t.Head = append(t.Head, strings.ReplaceAll(z.String(), "-", " "))
		}
	}
	t.Head = append(t.Head, "observed")
	for i, r := range rows {
		line := []string{labels[i]}
		for _, z := range zones {
			line = append(line, length(exposure.Milliseconds(r.Seconds[z]))+"  "+percent(r.Shares[z]))
		}
		t.Rows = append(t.Rows, append(line, observed(r)))
	}
	return t
}

func observed(r *Row) string {
	if r.Coverage == nil {
		return "–"
	}
	return percent(float64(*r.Coverage))
}

func (w Words) valueTable(p *Point, labels []string, rows []*Row) Table {
	q := p.Point.Quantity
	unit, difference := q.Keeper(w.Temperature).Shown(), w.difference(q).Shown()
	t := Table{
		Caption: fmt.Sprintf("Outside the band, and values in %s", unit),
		Head:    []string{"", "outside", "longest", "stays", "above, " + difference + "·h", "below, " + difference + "·h", "min", "mean", "max"},
	}
	if len(p.Bands) == 0 {
		t.Caption, t.Head = "Values in "+unit, []string{"", "observed", "min", "mean", "max"}
	}
	if exposure.Loads(q) {
		t.Head = append(t.Head, "MKT over this time")
	}
	for i, r := range rows {
		line := []string{labels[i]}
		if len(p.Bands) > 0 {
			line = append(line, length(r.OutsideS), length(r.LongestExcursionS), fmt.Sprint(r.Excursions),
				w.degreeHours(q, r.DegreeHoursAbove), w.degreeHours(q, r.DegreeHoursBelow))
		} else {
			line = append(line, observed(r))
		}
		line = append(line, w.bare(q, r.Min), w.bare(q, r.Mean), w.bare(q, r.Max))
		if exposure.Loads(q) {
			var mkt *exposure.Number
			if r.MeanKinetic != nil {
				mkt = &r.MeanKinetic.Value
			}
			line = append(line, w.bare(q, mkt))
		}
		t.Rows = append(t.Rows, line)
	}
	return t
}

// stayTable lists the stays outside the band: all of them, or the longest.
func (w Words) stayTable(p *Point) Table {
	q := p.Point.Quantity
	t := Table{Caption: "Stays outside the band", Head: []string{"from", "to", "length", "side", "furthest", "not observed"}}
	least := exposure.Seconds(0)
	if n := len(p.Excursions); n > shownStays {
		least = nthLongest(p.Excursions, shownStays)
		t.Caption = fmt.Sprintf("Stays outside the band: the %d longest of %d (all are in the JSON form)", shownStays, n)
	}
	for _, e := range p.Excursions {
		lasted := exposure.Seconds(e.To.Sub(e.From))
		if lasted < least || len(t.Rows) == shownStays {
			continue
		}
		side, unknown := "above", "–"
		if e.Side == watch.BelowBand.String() {
			side = "below"
		}
		if e.UnknownS > 0 {
			unknown = length(e.UnknownS)
		}
		t.Rows = append(t.Rows, []string{w.at(e.From), w.at(e.To), length(lasted), side, w.value(q, &e.Extreme), unknown})
	}
	return t
}

// alarmSection lists the alarms of the range.
func (w Words) alarmSection(alarms []Alarm) Section {
	section := Section{Title: "Alarms"}
	if len(alarms) == 0 {
		section.Lines = []string{"The journal has none in this range."}
		return section
	}
	t := Table{Head: []string{"raised", "alarm", "priority", "limit", "furthest", "cleared", "acknowledged"}}
	for _, a := range alarms {
		cleared, answered := "still active", "no"
		if !a.Cleared.IsNone() {
			cleared = "after " + length(exposure.Seconds(a.Cleared.Sub(a.Raised)))
		}
		switch {
		case !a.Acknowledged.IsNone():
			answered = "after " + length(exposure.Seconds(a.Acknowledged.Sub(a.Raised)))
			if a.AcknowledgedBy != "" {
				answered += " by " + a.AcknowledgedBy
			}
		case asksForNothing(a.Alarm):
			answered = "not needed"
		case a.SuppressedBy != "":
			answered = "covered by " + a.SuppressedBy
		}
		q := quantityOf(a.Alarm)
		t.Rows = append(t.Rows, []string{
			w.at(a.Raised), a.Alarm, a.Priority, w.value(q, a.Setpoint), w.value(q, a.Extreme), cleared, answered,
		})
	}
	section.Tables = []Table{t}
	return section
}

// quantityOf returns the quantity that an alarm watches; none for a fault.
func quantityOf(alarm string) quantity.Quantity {
	name, _ := cutLast(alarm)
	p, err := quantity.ParsePoint(name)
	if err != nil {
		return quantity.None
	}
	return p.Quantity
}

// journalSection lists the entries about the animals and notes, and the mistings by place and day. Care is summed up elsewhere: here is of
// it what was remarked or corrected.
func (w Words) journalSection(notes []Note) Section {
	var mistings, others []Note
	for _, n := range notes {
		switch {
		case n.Kind == journal.Misting && !n.Corrected:
			mistings = append(mistings, n)
		case n.Kind != journal.CareDone || n.Text != "" || n.Reason != "" || n.Corrected:
			others = append(others, n)
		}
	}
	return sectionOf("From the journal", w.entryTable(others), w.mistTable(mistings))
}

// entryTable lists entries of the journal, each in a line.
func (w Words) entryTable(notes []Note) Table {
	t := Table{Caption: "Changes and notes", Head: []string{"time", "about", "what", "by"}}
	for i := range notes {
		n := &notes[i]
		about, what := cmp.Or(n.Cohort, n.Place, "the site"), n.Text
		switch n.Kind {
		case journal.StageSet, journal.CohortStage:
			what = "stage " + n.Stage
		case journal.CohortBegan:
			what = strings.TrimSuffix("began as "+n.Stage+" in "+n.Place, " in ")
		case journal.CohortMoved:
			what = strings.TrimSuffix("moved to "+n.Place, " to ")
		case journal.CohortCounted:
			what = "counted"
		case journal.Misting:
			what = strings.TrimSuffix("misted: "+n.Text, ": ")
		case journal.CareDone:
			what = strings.TrimSuffix(strings.ReplaceAll(n.Task, "-", " ")+": "+n.Text, ": ")
		}
		if n.Count != nil {
			what += fmt.Sprintf(", %d animals", *n.Count)
		}
		if n.Why != "" {
			what += ", " + n.Why
		}
		if n.dated() {
			what += " since " + w.at(n.sinceOf())
		}
		if n.Reason != "" {
			what += " (" + n.Reason + ")"
		}
		if n.Corrected {
			what += "; corrected later, does not count"
		}
		t.Rows = append(t.Rows, []string{w.at(n.At), about, what, n.By})
	}
	return t
}

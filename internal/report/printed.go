package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
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
		if p.beganLate() {
			section.Lines = append(section.Lines, w.firstReading(p))
		}
		if weeks := w.weekTable(p); len(weeks.Rows) > 0 {
			weeks.Caption = "" // the key has it
			section.Tables = append(section.Tables, latest(weeks, maxPrintedWeeks, "weeks"))
		}
		key = nil
		s.Sections = append(s.Sections, section)
	}
	for _, section := range []Section{
		w.worstSection(e), w.alarmSummary(e.Alarms), w.recordSection(e), w.limitSection(e), w.sensorSection(e),
	} {
		if len(section.Tables) > 0 || len(section.Lines) > 0 {
			s.Sections = append(s.Sections, section)
		}
	}
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
	for _, of := range order {
		line := "Cohort " + of.cohort
		if profile := e.profiles[of.cohort]; profile != "" {
			line += " (" + profile + ")"
		}
		lines = append(lines, line+" in "+e.titleOf(of.place)+": "+strings.Join(stages[of], ", ")+".")
	}
	return lines
}

func (p *Point) beganLate() bool { return p.Whole.From > p.after && p.Whole.ElapsedS > 0 }

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

// worstSection lists the worst excursions and what was done about them.
func (w Words) worstSection(e *Exposure) Section {
	section := Section{Title: "The worst times outside the band, and what was done"}
	t := Table{Head: []string{"from", "where", "length", "worst", "limit", "on record"}}
	for i := range e.Worst {
		x := &e.Worst[i]
		q := x.Point.Quantity
		worst := w.value(q, &x.Extreme)
		if x.Critical {
			worst += ", critical"
		}
		lasted := length(exposure.Seconds(x.To.Sub(x.From)))
		if x.UnknownS > 0 {
			lasted += " (" + length(x.UnknownS) + " unknown)"
		}
		t.Rows = append(t.Rows, []string{w.at(x.From), e.where(x.Point), lasted, worst, w.value(q, x.Limit), w.answered(x)})
	}
	switch all := e.excursions(); {
	case all > len(e.Worst):
		section.Lines = []string{fmt.Sprintf("%d of %d: those beyond a critical limit first, then the longest.", len(e.Worst), all)}
	case all > 1:
		section.Lines = []string{"All there were: those beyond a critical limit first, then the longest."}
	}
	if len(t.Rows) > 0 {
		section.Tables = []Table{t}
	}
	return section
}

func (e *Exposure) excursions() (n int) {
	for i := range e.Points {
		n += len(e.Points[i].Excursions)
	}
	return n
}

// answered writes what was done about an excursion.
func (w Words) answered(x *Worst) string {
	parts := []string{w.alarmed(x)}
	mistings := 0
	for _, d := range x.Done {
		after := w.after(x, d.At)
		switch d.Kind {
		case journal.Misting:
			mistings++
		case journal.CareDone:
			parts = append(parts, strings.ReplaceAll(d.Task, "-", " ")+" after "+after+by(d.By))
		case journal.CohortMoved:
			parts = append(parts, "moved after "+after+by(d.By))
		case journal.Note:
			parts = append(parts, "note "+w.at(d.At)+by(d.By)+": "+shortened(d.Text))
		}
	}
	switch {
	case mistings == 1:
		parts = append(parts, "misted once meanwhile")
	case mistings > 1:
		parts = append(parts, fmt.Sprintf("misted %d times meanwhile", mistings))
	}
	return strings.Join(parts, "; ")
}

// alarmed writes how many alarms an excursion had, when the first was raised, and when one was acknowledged.
func (w Words) alarmed(x *Worst) string {
	alarms, first, answer, covered := 0, instant.None, "not acknowledged", ""
	for _, d := range slices.Backward(x.Done) {
		switch d.Kind {
		case journal.AlarmRaised:
			alarms++
			first, covered = d.At, d.By
		case journal.AlarmAcknowledged:
			answer = "acknowledged after " + w.after(x, d.At) + by(d.By)
			if d.At < x.From {
				answer = "acknowledged before" + by(d.By)
			}
		}
	}
	if alarms == 0 {
		return "no alarm"
	}
	text := "alarm after " + w.after(x, first)
	switch {
	case first < x.From:
		text = "alarm active before"
	case alarms > 1:
		text = fmt.Sprintf("%d alarms, the first after %s", alarms, w.after(x, first))
	}
	if covered != "" && answer == "not acknowledged" {
		return text + ", covered by " + covered
	}
	return text + ", " + answer
}

// after writes how long after the begin of an excursion something was.
func (w Words) after(x *Worst, at instant.Instant) string {
	return length(exposure.Seconds(max(0, at.Sub(x.From))))
}

func by(whom string) string {
	if whom == "" {
		return ""
	}
	return " by " + whom
}

// shortened cuts a long text at a word.
func shortened(text string) string {
	runes := []rune(text)
	if len(runes) <= maxPrintedText {
		return text
	}
	cut := string(runes[:maxPrintedText])
	if i := strings.LastIndexByte(cut, ' '); i > 0 {
		cut = cut[:i]
	}
	return cut + " …"
}

// alarmSummary has one line for each alarm that was raised, the most frequent ones first.
func (w Words) alarmSummary(alarms []Alarm) Section {
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
			name, fmt.Sprint(len(all)), w.date(all[0].Raised), w.date(all[len(all)-1].Raised) + active, length(longest), acknowledged, answer,
		})
	}
	if all := len(t.Rows); all > maxPrintedAlarms {
		t.Rows = t.Rows[:maxPrintedAlarms]
		section.Lines = []string{fmt.Sprintf("The %d most frequent of %d alarms; the text form lists every occurrence.", maxPrintedAlarms, all)}
	}
	section.Tables = []Table{t}
	return section
}

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
		t.Rows = append(t.Rows, []string{strings.ReplaceAll(c.Task, "-", " "), whom, fmt.Sprint(c.Times), w.at(c.First), w.at(c.Last), length(c.LongestPauseS)})
	}
	return t
}

// limitSection lists the limits that held, each with the number of its source.
func (w Words) limitSection(e *Exposure) Section {
	section := Section{Title: "Limits in force, and where they come from"}
	var sources []string
	number := func(source string) int {
		i := slices.Index(sources, source)
		if i < 0 {
			i, sources = len(sources), append(sources, source)
		}
		return i + 1
	}
	t := Table{Head: []string{"", "whose", "when", "from", "to", "critical low", "low", "high", "critical high", "sources"}}
	for i := range e.Points {
		p := &e.Points[i]
		for k := range p.InForce {
			f := &p.InForce[k]
			var whose []string
			for _, owner := range f.owners {
				if owner != "" && !slices.Contains(whose, owner) {
					whose = append(whose, owner)
				}
			}
			line := []string{e.where(p.Point), strings.Join(whose, ", "), f.When, w.date(f.From), w.date(f.To)}
			var used []int
			for l, v := range each(&f.Limits) {
				line = append(line, w.value(p.Point.Quantity, v))
				if source := f.Sources[care.Limit(l).String()]; source != "" {
					used = append(used, number(source))
				}
			}
			slices.Sort(used)
			t.Rows = append(t.Rows, append(line, numbers(slices.Compact(used))))
		}
	}
	for i, source := range sources {
		section.After = append(section.After, fmt.Sprintf("[%d] %s", i+1, source))
	}
	if len(t.Rows) > 0 {
		section.Tables = []Table{t}
	}
	return section
}

func numbers(list []int) string {
	var text []string
	for _, n := range list {
		text = append(text, fmt.Sprintf("[%d]", n))
	}
	return strings.Join(text, " ")
}

// sensorSection lists what has measured, how well, and when that was last compared with a reference.
func (w Words) sensorSection(e *Exposure) Section {
	section := Section{Title: "Sensors and their calibration, as configured now"}
	t := Table{Head: []string{"", "sensor", "driver", "uncertainty (k = 2)", "calibrated", "state"}}
	for i := range e.Sensors {
		s := &e.Sensors[i]
		q := s.Point.Quantity
		uncertainty, date, state := "not known", "–", "not compared with a reference"
		if s.Uncertainty != nil {
			uncertainty = "±" + w.difference(q).Print(float64(*s.Uncertainty), q.Decimals()+1)
		}
		if s.Method != "none" {
			date, state = "without a date", "by "+s.Method
			if s.Method == "offset" {
				state = "by an offset"
			}
		}
		if !s.Calibrated.IsNone() {
			date = w.date(s.Calibrated)
		}
		if s.Due {
			state += ", due again: older than 12 months"
		}
		t.Rows = append(t.Rows, []string{e.where(s.Point), s.Sensor, s.Driver, uncertainty, date, state})
	}
	if len(t.Rows) > 0 {
		section.Tables = []Table{t}
	}
	return section
}

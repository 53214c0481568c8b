package text

import (
	"fmt"
	"strings"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/today"
)

// Section is a part of the words for a day.
type Section struct {
	Title string
	Lines []string
}

// maxTasks is how many tasks of a state a message names.
const maxTasks = 12

// Day puts a day into words: its headline, and its sections that have something to say, what presses most first. The digest, and the
// page without scripts, have the same. Of each state at most so many tasks are named, and the others counted.
func (f *Formatter) Day(t *today.Today, tasks int) (headline string, sections []Section) {
	add := func(title string, lines []string) {
		if len(lines) > 0 {
			sections = append(sections, Section{title, lines})
		}
	}
	add("Out of band", f.outOfBand(t))
	add("Last night, "+f.clock(t.Night.From, t.At)+" to "+f.clock(t.Night.To, t.At), f.extremes(t))
	add("Overdue", f.tasks(t, today.Overdue, tasks))
	add("Due", f.tasks(t, today.Due, tasks))
	add("Within a day", f.tasks(t, today.Later, tasks))
	add("Stages to come", f.windows(t))
	add("Calibrations due", f.calibrations(t))
	if t.Missing != "" {
		add("Missing here", []string{OneLine(t.Missing)})
	}
	return f.dayHeadline(t), sections
}

// dayHeadline sums up a day in one line.
func (f *Formatter) dayHeadline(t *today.Today) string {
	out, unknown := 0, 0
	for i := range t.OutOfBand {
		if t.OutOfBand[i].Value == nil {
			unknown++
		} else {
			out++
		}
	}
	parts := []string{"nothing out of band"}
	if out > 0 {
		parts[0] = fmt.Sprintf("%d out of band", out)
	}
	if unknown > 0 {
		parts = append(parts, fmt.Sprintf("%d not measured", unknown))
	}
	switch due, overdue := t.Count(); {
	case overdue > 0 && overdue == due:
		parts = append(parts, fmt.Sprintf("%d overdue", overdue))
	case overdue > 0:
		parts = append(parts, fmt.Sprintf("%d to do, %d of them overdue", due, overdue))
	case due > 0:
		parts = append(parts, fmt.Sprintf("%d to do", due))
	default:
		parts = append(parts, "nothing to do")
	}
	return strings.Join(parts, ", ")
}

func (f *Formatter) outOfBand(t *today.Today) (lines []string) {
	for i := range t.OutOfBand {
		p := &t.OutOfBand[i]
		limit := p.Zone
		if p.Value == nil {
			limit = "stale"
		}
		line := f.Headline(&journal.Entry{Alarm: p.Point.String() + "/" + limit, State: "B"})
		if value := f.pointer(p.Point.Quantity, p.Value); value != "" {
			line += ", " + value
		}
		if limit := f.pointer(p.Point.Quantity, p.Limit); limit != "" {
			line += " (limit " + limit + ")"
		}
		if !p.Since.IsNone() {
			line += ", since " + f.clock(p.Since, t.At)
		}
		lines = append(lines, line)
	}
	return lines
}

func (f *Formatter) extremes(t *today.Today) (lines []string) {
	for i := range t.Night.Extremes {
		e := &t.Night.Extremes[i]
		q := e.Point.Quantity
		line := fmt.Sprintf("%s: %s %s to %s", f.place(e.Point.Place), strings.ReplaceAll(q.String(), "-", " "), f.Value(q, e.Min), f.Value(q, e.Max))
		_, above, below := phrase(q)
		switch {
		case e.Below && e.Above:
			line += fmt.Sprintf(", at times too %s and too %s", below, above)
		case e.Below:
			line += ", at times too " + below
		case e.Above:
			line += ", at times too " + above
		}
		lines = append(lines, line)
	}
	return lines
}

// tasks lists the tasks of a state; of those that come later the ones of the next day.
func (f *Formatter) tasks(t *today.Today, state today.State, most int) (lines []string) {
	more := 0
	for i := range t.Tasks {
		task := &t.Tasks[i]
		if task.State != state || state == today.Later && task.Due.Sub(t.At) > 24*time.Hour {
			continue
		}
		if len(lines) == most {
			more++
			continue
		}
		what := strings.ReplaceAll(OneLine(task.Do), "-", " ")
		if task.Turn != "" {
			what += ", this time " + OneLine(task.Turn)
		}
		last := "never on record"
		if !task.Last.IsNone() {
			last = "last " + f.clock(task.Last, t.At)
		}
		switch {
		case state == today.Later:
			what += ", at " + f.clock(task.Due, t.At)
		case state == today.Overdue || !task.Last.IsNone(): // what was never on record may have been done
			what += ", since " + f.clock(task.Due, t.At)
		}
		lines = append(lines, fmt.Sprintf("%s (%s): %s; %s", f.place(task.Place), OneLine(strings.Join(task.Cohorts, ", ")), what, last))
	}
	if more > 0 {
		lines = append(lines, fmt.Sprintf("and %d more", more))
	}
	return lines
}

// homes are what has to be ready when a stage begins.
var homes = map[care.Stage]string{
	care.Larva: "its tub", care.Metamorph: "shallow water with a way out", care.Juvenile: "the grow-out", care.Adult: "the vivarium",
}

func (f *Formatter) windows(t *today.Today) (lines []string) {
	for i := range t.Windows {
		lines = append(lines, f.Window(&t.Windows[i], t.At))
	}
	return lines
}

// Window says when the next stage of a cohort comes, and what has to be ready then.
func (f *Formatter) Window(w *today.Window, now instant.Instant) string {
	line := fmt.Sprintf("%s, %s since %s: ", OneLine(w.Cohort), w.Stage, f.day(w.Began, now))
	switch {
	case w.Overdue && w.Late.IsNone():
		return line + fmt.Sprintf("%d days, which is long. Look at the animals, and put the next stage on record if it has come.", int(w.For(now)/(24*time.Hour)))
	case w.Overdue:
		return line + fmt.Sprintf("%s was expected by %s. Look at the animals, and put the stage on record if it has come.", w.Next, f.day(w.Late, now))
	case w.Early.IsNone():
		return line + fmt.Sprintf("%s is more than a year away in this water.", w.Next)
	case w.Late.IsNone():
		line += fmt.Sprintf("%s not before %s.", w.Next, f.day(w.Early, now))
	case w.Early <= now:
		line += fmt.Sprintf("%s any day, by %s at the latest.", w.Next, f.day(w.Late, now))
	default:
		line += fmt.Sprintf("%s between %s and %s.", w.Next, f.day(w.Early, now), f.day(w.Late, now))
	}
	if home := homes[w.Next]; home != "" {
		by := "now"
		if w.Early > now {
			by = "by " + f.day(w.Early, now)
		}
		line += fmt.Sprintf(" Have %s ready %s.", home, by)
	}
	if home := homes[w.Then]; home != "" && !w.ThenBy.IsNone() && w.ThenBy > now {
		line += fmt.Sprintf(" Have %s ready by %s.", home, f.day(w.ThenBy, now))
	}
	if !w.Measured {
		line += " Its water is not measured: the temperature of the profile is assumed."
	}
	return line
}

func (f *Formatter) calibrations(t *today.Today) (lines []string) {
	for _, c := range t.Calibration {
		lines = append(lines, fmt.Sprintf("%s: its %s was last calibrated on %s", OneLine(c.Sensor), c.Channel, f.day(c.Last, t.At)))
	}
	return lines
}

// day writes a date; the year where it is another one than now.
func (f *Formatter) day(i, now instant.Instant) string {
	if at := f.local(i); at.Year() != f.local(now).Year() {
		return at.Format("2 Jan 2006")
	}
	return f.local(i).Format("Mon 2 Jan")
}

// Digest writes a day as the text of a [journal.DailyDigest]: its headline, then its sections.
func (f *Formatter) Digest(t *today.Today) string {
	headline, sections := f.Day(t, maxTasks)
	var b strings.Builder
	b.WriteString(headline)
	for _, s := range sections {
		fmt.Fprintf(&b, "\n\n%s:", s.Title)
		for _, line := range s.Lines {
			fmt.Fprintf(&b, "\n- %s", line)
		}
	}
	return b.String()
}

// digest writes the message of a daily digest, whose entry has the text already.
func (f *Formatter) digest(m *Message, entry *journal.Entry) {
	of := &m.Fields
	if f.PublicURL != "" {
		of.Link = strings.TrimSuffix(f.PublicURL, "/") + "/today"
	}
	headline, rest, _ := strings.Cut(entry.Text, "\n")
	m.Title = "TODAY: " + OneLine(headline)
	var b strings.Builder
	b.WriteString(capital(OneLine(headline)) + ".\n")
	for line := range strings.SplitSeq(rest, "\n") {
		b.WriteString(OneLine(line) + "\n")
	}
	fmt.Fprintf(&b, "\nTime: %s\n", of.Time)
	if of.Link != "" {
		fmt.Fprintf(&b, "Say what is done: %s\n", of.Link)
	}
	f.foot(&b, entry)
	m.Text = b.String()
}

package control

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// Words writes what is on record of animals and sensors for people.
type Words struct {
	Location    *time.Location
	Title       func(place string) string // what people call a place; "" for no other name than its id
	Temperature quantity.Unit             // in which temperatures are shown
}

// Date writes a time with its day and year; at midnight without the hour.
func (w Words) Date(i instant.Instant) string {
	location := w.Location
	if location == nil {
		location = time.UTC
	}
	at := i.Time().In(location)
	if at.Hour() == 0 && at.Minute() == 0 {
		return at.Format("2 Jan 2006")
	}
	return at.Format("2 Jan 2006 15:04")
}

func (w Words) place(id string) string {
	if id == "" {
		return "no place"
	}
	return cmp.Or(w.Title(id), id)
}

// Confirm says what is in force after a command about animals, their care or sensors, and how to take it back.
func (w Words) Confirm(cmd *watch.Command, r *Response) string {
	if cmd.Verb == watch.Calibrate || cmd.Verb == watch.ReplaceSensor {
		return w.confirmSensor(cmd, r)
	}
	if !r.Changed {
		return "That was on record already, and nothing has changed. " + w.Now(r.Cohort)
	}
	back := fmt.Sprintf("To put it right later: --correct %s", r.Entry)
	switch cmd.Verb {
	case watch.DoTask:
		return fmt.Sprintf("%s of %s is on record as done. %s", cmd.Task, cmp.Or(cmd.Cohort, w.place(cmd.Place)), back)
	case watch.RecordMist:
		return fmt.Sprintf("A misting of %s is on record. %s", w.place(cmd.Place), back)
	case watch.WriteNote:
		if cmd.Corrects != "" {
			return fmt.Sprintf("%s is withdrawn; what it said does not count any more.", cmd.Corrects)
		}
		return "The note is on record. " + back
	}
	parts := []string{w.Now(r.Cohort)}
	if later := w.later(cmd, r); later != "" {
		parts = []string{later}
	}
	return strings.Join(append(parts, back), " ")
}

// Now says what is in force for a cohort; "" for none.
func (w Words) Now(c *Cohort) string {
	switch {
	case c == nil:
		return ""
	case !c.Ended.IsNone():
		return fmt.Sprintf("%s ended on %s; what is on record of it stays.", c.Cohort, w.Date(c.Ended))
	case c.Stage == "":
		return fmt.Sprintf("%s begins as %s on %s.", c.Cohort, c.Next, w.Date(c.NextSince))
	}
	stage := c.Stage
	if c.Gosner > 0 {
		stage += fmt.Sprintf(" (Gosner %d)", c.Gosner)
	}
	text := fmt.Sprintf("%s is %s since %s, in %s since %s", c.Cohort, stage, w.Date(c.Since), w.place(c.Place), w.Date(c.PlaceSince))
	if c.Count != nil {
		text += fmt.Sprintf(", %d animals since %s", *c.Count, w.Date(c.CountSince))
	}
	if c.Next != "" {
		text += fmt.Sprintf("; it becomes %s on %s", c.Next, w.Date(c.NextSince))
	}
	return text + "."
}

// later says what holds in place of what was asked, since an entry that counts from a later time on says something else; "" where what
// was asked is in force.
func (w Words) later(cmd *watch.Command, r *Response) string {
	c := r.Cohort
	if c == nil || cmd.At == 0 || cmd.At.IsNone() || c.Stage == "" {
		return ""
	}
	stays, since, entry, verb := "", instant.None, "", ""
	switch {
	case cmd.Verb == watch.SetStage && c.StageEntry != r.Entry && c.Since > cmd.At:
		stays, since, entry, verb = c.Stage, c.Since, c.StageEntry, "stage "+c.Cohort+" STAGE"
	case cmd.Verb == watch.MoveCohort && c.PlaceEntry != r.Entry && c.PlaceSince > cmd.At:
		stays, since, entry, verb = "in "+w.place(c.Place), c.PlaceSince, c.PlaceEntry, "move "+c.Cohort+" PLACE"
	case cmd.Verb == watch.CountCohort && c.CountEntry != r.Entry && c.CountSince > cmd.At:
		stays, since, entry, verb = fmt.Sprintf("%d animals", *c.Count), c.CountSince, c.CountEntry, "count "+c.Cohort+" N"
	default:
		return ""
	}
	text := fmt.Sprintf("%s stays %s: a later entry of %s holds. What you said counts from %s until then.", c.Cohort, stays, w.Date(since), w.Date(cmd.At))
	if cohort.Configured(entry) {
		return text + " The later one is that of the configuration: if it is wrong, change it there."
	}
	return text + fmt.Sprintf(" If the later one is wrong, correct it: dewline cohort %s --at DATE --correct %s.", verb, entry)
}

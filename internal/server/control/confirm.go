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
	Titles      map[string]string // what people call a place, by its id; "" for no other name
	Temperature quantity.Unit     // in which temperatures are shown
}

// Date writes a time with its day and year; at midnight without the hour.
func (w Words) Date(i instant.Instant) string {
	location := cmp.Or(w.Location, time.UTC)
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
	return cmp.Or(w.Titles[id], id)
}

// Confirm says what is in force after a command about animals, their care or sensors, and how to take it back on the command line.
func (w Words) Confirm(cmd *watch.Command, r *Response) string {
	if cmd.Verb == watch.Calibrate || cmd.Verb == watch.ReplaceSensor {
		return w.confirmSensor(cmd, r)
	}
	if r.Changed && cmd.Verb == watch.WriteNote && cmd.Corrects != "" {
		return cmd.Corrects + " is withdrawn; what it said does not count any more."
	}
	parts := []string{w.InForce(cmd, r)}
	if r.Changed {
		if _, remedy := w.later(cmd, r); remedy != "" {
			parts = append(parts, remedy)
		}
		parts = append(parts, "To put it right later: --correct "+r.Entry)
	}
	return strings.Join(parts, " ")
}

// InForce says what is in force after a command about animals, their care or sensors.
func (w Words) InForce(cmd *watch.Command, r *Response) string {
	switch {
	case cmd.Verb == watch.Calibrate || cmd.Verb == watch.ReplaceSensor:
		return strings.Join(w.inForce(r), " ")
	case !r.Changed:
		return strings.TrimSpace("That was on record already, and nothing has changed. " + w.Now(r.Cohort))
	case cmd.Verb == watch.WriteNote && cmd.Corrects != "":
		return strings.TrimSpace("It is withdrawn, and does not count any more. " + w.Now(r.Cohort))
	case cmd.Verb == watch.DoTask:
		return fmt.Sprintf("%s of %s is on record as done%s.", strings.ReplaceAll(cmd.Task, "-", " "), cmp.Or(cmd.Cohort, w.place(cmd.Place)), w.on(cmd))
	case cmd.Verb == watch.RecordMist:
		return fmt.Sprintf("A misting of %s is on record%s.", w.place(cmd.Place), w.on(cmd))
	case cmd.Verb == watch.WriteNote:
		return "The note is on record" + w.on(cmd) + "."
	}
	if stays, _ := w.later(cmd, r); stays != "" {
		return stays
	}
	return w.Now(r.Cohort)
}

// on says when it was that a command speaks of; "" for now.
func (w Words) on(cmd *watch.Command) string {
	if cmd.At == 0 || cmd.At.IsNone() {
		return ""
	}
	return " for " + w.Date(cmd.At)
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

// later says what holds in place of what was asked, since an entry that counts from a later time on says something else, and how to put
// that one right on the command line; "" where what was asked is in force.
func (w Words) later(cmd *watch.Command, r *Response) (stays, remedy string) {
	c := r.Cohort
	if c == nil || cmd.At == 0 || cmd.At.IsNone() || c.Stage == "" {
		return "", ""
	}
	what, since, entry, verb := "", instant.None, "", ""
	switch {
	case cmd.Verb == watch.SetStage && c.StageEntry != r.Entry && c.Since > cmd.At:
		what, since, entry, verb = c.Stage, c.Since, c.StageEntry, "stage "+c.Cohort+" STAGE"
	case cmd.Verb == watch.MoveCohort && c.PlaceEntry != r.Entry && c.PlaceSince > cmd.At:
		what, since, entry, verb = "in "+w.place(c.Place), c.PlaceSince, c.PlaceEntry, "move "+c.Cohort+" PLACE"
	case cmd.Verb == watch.CountCohort && c.CountEntry != r.Entry && c.CountSince > cmd.At:
		what, since, entry, verb = fmt.Sprintf("%d animals", *c.Count), c.CountSince, c.CountEntry, "count "+c.Cohort+" N"
	default:
		return "", ""
	}
	stays = fmt.Sprintf("%s stays %s: a later entry of %s holds. What you said counts from %s until then.", c.Cohort, what, w.Date(since), w.Date(cmd.At))
	if cohort.Configured(entry) {
		return stays + " The later one is that of the configuration: if it is wrong, change it there.", ""
	}
	return stays, fmt.Sprintf("If the later one is wrong, correct it: dewline cohort %s --at DATE --correct %s.", verb, entry)
}

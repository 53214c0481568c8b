package control

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"time"

	"dewline/internal/core/calibration"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// Calibration is what is in force for a channel of a sensor. Values are in the canonical unit of the point, uncertainties expanded (k = 2).
// The form is stable.
type Calibration struct {
	Sensor      string             `json:"sensor"`
	Channel     string             `json:"channel"`
	Point       quantity.Point     `json:"point"`
	Origin      calibration.Origin `json:"origin"` // configuration or journal; "" where there is no calibration
	Entry       string             `json:"entry,omitempty"`
	Since       instant.Instant    `json:"since"` // its date
	Method      string             `json:"method"`
	Gain        *float64           `json:"gain,omitempty"`
	Offset      *float64           `json:"offset,omitempty"`
	Correction  *float64           `json:"correction,omitempty"` // what is added to what the sensor reads, where it was compared
	Residual    *float64           `json:"residual,omitempty"`
	Uncertainty *float64           `json:"uncertainty,omitempty"`
	Due         instant.Instant    `json:"due"`
	Overdue     bool               `json:"overdue"`
	Drift       *Drift             `json:"drift,omitempty"`
	Replaced    instant.Instant    `json:"replaced"` // when the part was last replaced
	Lapsed      bool               `json:"lapsed"`   // the configuration has a calibration of the part before, which does not count
}

// Drift is how far a channel has moved from one calibration to the next.
type Drift struct {
	Since       instant.Instant `json:"since"` // the date of the calibration before
	Of          float64         `json:"of"`    // how much more the sensor reads than then
	Uncertainty *float64        `json:"uncertainty,omitempty"`
	Significant bool            `json:"significant"` // more than two calibrations can differ by without any drift
}

// CalibrationsOf shows what is in force at a time.
func CalibrationsOf(states []calibration.State, at instant.Instant) []Calibration {
	list := make([]Calibration, 0, len(states))
	for i := range states {
		list = append(list, CalibrationOf(&states[i], at))
	}
	return list
}

// CalibrationOf shows what is in force for a channel at a time.
func CalibrationOf(s *calibration.State, at instant.Instant) Calibration {
	shown := Calibration{
		Sensor: s.Sensor, Channel: s.Channel, Point: s.Point, Origin: s.Origin, Entry: s.Entry, Since: s.At, Method: s.Method, Due: s.Due,
		Overdue: s.Overdue(at), Replaced: s.Replaced, Lapsed: s.Lapsed, Uncertainty: positive(s.Uncertainty), Residual: positive(s.Residual),
	}
	if c := s.Calibration; c != nil {
		shown.Gain, shown.Offset, shown.Correction = new(c.Gain), new(c.Offset), new(s.Correction())
	}
	if d := s.Drift; d != nil {
		shown.Drift = &Drift{Since: d.Since, Of: d.Of, Uncertainty: positive(d.Uncertainty), Significant: d.Significant()}
	}
	return shown
}

func positive(v float64) *float64 {
	if !(v > 0) {
		return nil
	}
	return &v
}

// Calibration says what is in force for a channel, with where it comes from.
func (w Words) Calibration(c *Calibration) string {
	unit := c.Point.Quantity.KeeperDifference(w.Temperature)
	name := fmt.Sprintf("the %s of %s", c.Channel, c.Sensor)
	text := name + " has no calibration"
	if c.Lapsed {
		text += fmt.Sprintf(", since the sensor was replaced on %s, after that of the configuration", w.Date(c.Replaced))
	}
	if c.Origin != calibration.None {
		text = fmt.Sprintf("%s is corrected by %s", name, Signed(unit, *c.Correction))
		if c.Uncertainty != nil {
			text += fmt.Sprintf(" (±%s)", unit.Print(*c.Uncertainty, differenceDecimals))
		}
		if !c.Since.IsNone() {
			text += " since " + w.Date(c.Since)
		}
		text += fmt.Sprintf(": %s, from the %s", c.Method, c.Origin)
	}
	if d := c.Drift; d != nil {
		text += "; " + w.drift(d, unit)
	}
	if c.Overdue {
		return text + "; it was due again on " + w.day(c.Due)
	}
	if !c.Due.IsNone() {
		text += "; due again on " + w.day(c.Due)
	}
	return text
}

// day writes the day of a time.
func (w Words) day(i instant.Instant) string {
	location := cmp.Or(w.Location, time.UTC)
	return i.Time().In(location).Format("2 Jan 2006")
}

func (w Words) drift(d *Drift, unit quantity.Unit) string {
	since := "before"
	if !d.Since.IsNone() {
		since = "on " + w.Date(d.Since)
	}
	direction := "more"
	if d.Of < 0 {
		direction = "less"
	}
	text := fmt.Sprintf("it reads %s %s than %s", unit.Print(math.Abs(d.Of), differenceDecimals), direction, since)
	if d.Uncertainty != nil && !d.Significant {
		text += ", which is less than can be told apart"
	}
	return text
}

// differenceDecimals is how finely a correction is shown to people.
const differenceDecimals = 2

// Signed prints a difference with its sign.
func Signed(unit quantity.Unit, v float64) string {
	text := unit.Print(math.Abs(v), differenceDecimals)
	switch {
	case strings.Trim(text[:strings.IndexAny(text+" ", " ")], "0.") == "":
		return text
	case v < 0:
		return "−" + text
	}
	return "+" + text
}

// confirmSensor says what is in force after a command about a sensor, and how to take it back.
func (w Words) confirmSensor(cmd *watch.Command, r *Response) string {
	if !r.Changed {
		parts := []string{"That was on record already, and nothing has changed."}
		return strings.Join(append(parts, w.inForce(r)...), " ")
	}
	parts := w.inForce(r)
	if cmd.Verb == watch.ReplaceSensor {
		parts = append([]string{fmt.Sprintf("That %s was replaced is on record; the history of its points goes on.", cmd.Sensor)}, parts...)
	}
	for i := range r.Calibrations {
		if c := &r.Calibrations[i]; cmd.Verb == watch.Calibrate && c.Entry != r.Entry {
			parts = append(parts, "What you said does not hold: a later calibration, or one of another part, is in force.")
		}
	}
	parts = append(parts, "Readings that were recorded before stay as they are.")
	return strings.Join(append(parts, "To put it right later: --correct "+r.Entry), " ")
}

func (w Words) inForce(r *Response) (sentences []string) {
	for i := range r.Calibrations {
		text := w.Calibration(&r.Calibrations[i])
		sentences = append(sentences, strings.ToUpper(text[:1])+text[1:]+".")
	}
	return sentences
}

// CalibrationsAbout are those of the channels that a command was about.
func CalibrationsAbout(states []calibration.State, cmd *watch.Command, at time.Time) (list []Calibration) {
	for i := range states {
		if s := &states[i]; s.Sensor == cmd.Sensor && (cmd.Channel == "" || s.Channel == cmd.Channel) {
			list = append(list, CalibrationOf(s, instant.Of(at)))
		}
	}
	return list
}

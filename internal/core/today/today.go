// Package today holds what a keeper has to know once a day, as data: what is out of band, the extremes of the last night, which tasks are
// due, when the next stages come, and which sensors are due for a calibration. The JSON and the digest show the same. Package
// compose makes it.
//
//	t := compose.Day(&compose.Facts{Now: now, Site: site, Points: points, Care: entries, …})
//	t.Tasks    // what is overdue first, then what is due, then what comes
package today

import (
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// Today is a day as its keeper sees it. Values are in the canonical unit of their quantity. Its JSON is stable.
type Today struct {
	At          instant.Instant `json:"at"`
	OutOfBand   []OutOfBand     `json:"out_of_band"` // the worst first, then what is not known
	Night       Night           `json:"night"`
	Tasks       []Task          `json:"tasks"` // the most overdue first, what comes last
	Windows     []Window        `json:"windows"`
	Calibration []Calibration   `json:"calibrations_due"`
	Missing     string          `json:"missing,omitempty"` // why a part of this could not be had
}

// OutOfBand is a point whose value is outside its band, or not known.
type OutOfBand struct {
	Point quantity.Point  `json:"point"`
	Zone  string          `json:"zone"`
	Since instant.Instant `json:"since"`
	Value *float64        `json:"value"` // null where it is not known
	Limit *float64        `json:"limit"` // the one that it is beyond; null where it is not known
}

// Night is the last night, where a limit held or animals live.
type Night struct {
	From     instant.Instant `json:"from"`
	To       instant.Instant `json:"to"`
	Extremes []Extreme       `json:"extremes"`
}

// Extreme is how far a point went in the night.
type Extreme struct {
	Point quantity.Point `json:"point"`
	Min   float64        `json:"min"`
	Max   float64        `json:"max"`
	Below bool           `json:"below"` // beyond the lower limit of the night
	Above bool           `json:"above"` // beyond the upper one
}

// State says how soon a task has to be done.
type State string

// The states of tasks.
const (
	Overdue State = "overdue" // late by more than half its interval
	Due     State = "due"
	Later   State = "later"
)

// Task is something to do for the animals of a place.
type Task struct {
	Do      string          `json:"do"`
	Place   string          `json:"place"`
	Cohort  string          `json:"cohort,omitempty"` // whose it is; "" for what is done for the whole place
	Cohorts []string        `json:"cohorts"`          // whose profiles ask for it
	State   State           `json:"state"`
	Due     instant.Instant `json:"due"`
	Last    instant.Instant `json:"last"` // null: never on record
	EveryS  float64         `json:"every_s,omitempty"`
	Turn    string          `json:"turn,omitempty"` // what is next in the rotation
	Note    string          `json:"note,omitempty"`
	Source  string          `json:"source,omitempty"`
}

// Window is when the next stage of a cohort comes. An end that lies more than 400 days ahead is null.
type Window struct {
	Cohort   string          `json:"cohort"`
	Place    string          `json:"place"`
	Stage    care.Stage      `json:"stage"` // now
	Began    instant.Instant `json:"began"`
	Next     care.Stage      `json:"next"`
	Early    instant.Instant `json:"early"`
	Late     instant.Instant `json:"late"`
	Overdue  bool            `json:"overdue"` // it should have come: look at the animals
	Then     care.Stage      `json:"then"`    // the stage after the next, where the profile knows when it comes; else ""
	ThenBy   instant.Instant `json:"then_early"`
	Measured bool            `json:"measured"` // from temperatures of its own water; false: that of the profile is assumed
}

// Calibration is a channel of a sensor that is due for one.
type Calibration struct {
	Sensor  string          `json:"sensor"`
	Channel string          `json:"channel"`
	Last    instant.Instant `json:"last"`
	Due     instant.Instant `json:"due"`
}

// Count returns how many tasks are due, those that are overdue included, and how many are overdue.
func (t *Today) Count() (due, overdue int) {
	for i := range t.Tasks {
		switch t.Tasks[i].State {
		case Overdue:
			due, overdue = due+1, overdue+1
		case Due:
			due++
		}
	}
	return due, overdue
}

// For returns how long the present stage has lasted.
func (w *Window) For(now instant.Instant) time.Duration { return now.Sub(w.Began) }

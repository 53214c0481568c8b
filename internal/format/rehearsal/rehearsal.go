// Package rehearsal holds the JSON shapes of limits that are tried on past readings: what may be tried, what is asked, and what came of it.
package rehearsal

import (
	"dewline/internal/core/instant"
	"dewline/internal/format/exposure"
)

// Range is how much of the past is taken.
type Range string

// The ranges: so many days up to now.
const (
	Week  Range = "week"
	Month Range = "month"
	Year  Range = "year"
)

// Days returns the length of a range; 0 for an unknown one.
func (r Range) Days() int { return map[Range]int{Week: 7, Month: 30, Year: 365}[r] }

// Request is what is to be tried. Values are written as in a configuration: "75 degF", "80 %", "10m"; "" leaves a key out.
type Request struct {
	Range    Range     `json:"range"`
	Bands    []Band    `json:"bands"`
	Profiles []Profile `json:"profiles"`
}

// Band is the band of a quantity at a place. It holds instead of those of the animals that live there.
type Band struct {
	Place    string  `json:"place"`
	Quantity string  `json:"quantity"`
	Day      Limits  `json:"day"`
	Night    *Limits `json:"night"` // null: those of the day

	OnDelay         string `json:"on_delay"`
	CriticalOnDelay string `json:"critical_on_delay"`
	OffDelay        string `json:"off_delay"`
	Deadband        string `json:"deadband"`
	Priority        string `json:"priority"`
	Foresee         string `json:"foresee"`
}

// Limits are the four limits of a band.
type Limits struct {
	CriticalLow  string `json:"critical-low"`
	Low          string `json:"low"`
	High         string `json:"high"`
	CriticalHigh string `json:"critical-high"`
}

// Profile gives a cohort another care profile.
type Profile struct {
	Cohort  string `json:"cohort"`
	Profile string `json:"profile"`
}

// Choices are what there is to change, as it is in force.
type Choices struct {
	Points   []Point   `json:"points"`
	Cohorts  []Profile `json:"cohorts"`
	Profiles []string  `json:"profiles"` // those of the site and those that the program brings
}

// Point is a point with the band in force. Values are in the canonical unit, and absent ones null.
type Point struct {
	Point string          `json:"point"`
	Unit  string          `json:"unit"`
	Day   exposure.Limits `json:"day"`
	Night exposure.Limits `json:"night"`

	OnDelayS         exposure.Seconds `json:"on_delay_s"`
	CriticalOnDelayS exposure.Seconds `json:"critical_on_delay_s"`
	OffDelayS        exposure.Seconds `json:"off_delay_s"`
	Deadband         exposure.Number  `json:"deadband"`
	Priority         string           `json:"priority"` // "" where each limit has its own
}

// The states of a rehearsal.
const (
	None    = "none"    // nothing was tried since the start of the program
	Running = "running" // see Done
	Done    = "done"    // see Result
	Failed  = "failed"  // see Problem
	Ended   = "ended"   // by a person
)

// State is how far the rehearsal is that was asked for last.
type State struct {
	State   string          `json:"state"`
	By      string          `json:"by,omitempty"`
	Request *Request        `json:"request"`
	Done    exposure.Number `json:"done"` // 0 to 1
	Problem string          `json:"problem,omitempty"`
	Result  *Result         `json:"result"`
}

// Result is what the limits in force and those that were tried make of the same readings.
type Result struct {
	From    instant.Instant `json:"from"`
	To      instant.Instant `json:"to"`
	InForce Side            `json:"in_force"`
	Tried   Side            `json:"tried"`
	Points  []PointPair     `json:"points"` // on which the two differ
	Same    int             `json:"same"`   // the number of the others
	Alarms  []AlarmPair     `json:"alarms"` // that differ, in the order of their times, the latest ones
	More    int             `json:"more"`   // the number of earlier ones
	Lines   string          `json:"lines"`  // of the configuration, as YAML
}

// Side sums up one side.
type Side struct {
	Alarms     int              `json:"alarms"`
	ByPriority map[string]int   `json:"by_priority"`
	OutsideS   exposure.Seconds `json:"outside_s"` // of all points together
	Heard      map[string]int   `json:"heard"`     // messages with a sound, by notifier
	Silent     map[string]int   `json:"silent"`
}

// PointPair is a point on both sides.
type PointPair struct {
	Point   string       `json:"point"`
	InForce PointFigures `json:"in_force"`
	Tried   PointFigures `json:"tried"`
}

// PointFigures are those of a point on one side.
type PointFigures struct {
	Alarms   int              `json:"alarms"`
	BelowS   exposure.Seconds `json:"below_s"` // critical limits included
	AboveS   exposure.Seconds `json:"above_s"`
	LongestS exposure.Seconds `json:"longest_s"` // time outside without a break
}

// AlarmPair is an alarm on both sides; null where that side has none at that time.
type AlarmPair struct {
	Alarm   string `json:"alarm"`
	InForce *Alarm `json:"in_force"`
	Tried   *Alarm `json:"tried"`
}

// Alarm is an occurrence of an alarm.
type Alarm struct {
	Priority string          `json:"priority"`
	Raised   instant.Instant `json:"raised"`
	Cleared  instant.Instant `json:"cleared"` // null while active
}

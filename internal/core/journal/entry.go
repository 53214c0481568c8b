// Package journal defines the entries of the append-only record: every alarm transition, stage change, acknowledgement,
// misting and note. The core makes entries, the store keeps them, and the notifiers send them; the JSON form is stable. The package
// holds no journal itself.
package journal

import (
	"strconv"

	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
)

// Kind is what happened.
type Kind string

// The kinds of entries.
const (
	AlarmRaised       Kind = "alarm.raised"
	AlarmCleared      Kind = "alarm.cleared"
	AlarmAcknowledged Kind = "alarm.acknowledged"
	AlarmReset        Kind = "alarm.reset"
	AlarmRepeated     Kind = "alarm.repeated"
	AlarmReminded     Kind = "alarm.reminded" // a critical alarm ended unacknowledged after one message, which may have got lost: it is heard once more
	AlarmWorsened     Kind = "alarm.worsened" // an active alarm has got a higher priority: a fault that has left a point without readings
	AlarmShelved      Kind = "alarm.shelved"
	AlarmUnshelved    Kind = "alarm.unshelved"
	AlarmSuppressed   Kind = "alarm.suppressed"
	AlarmReturned     Kind = "alarm.returned" // suppression by design ended
	AlarmDisabled     Kind = "alarm.disabled" // out of service
	AlarmEnabled      Kind = "alarm.enabled"
	CommandRefused    Kind = "command.refused"
	StageSet          Kind = "stage.set" // written by versions before there was a record of the animals; read as cohort.stage
	Misting           Kind = "misting"
	Note              Kind = "note"
	ClockStepped      Kind = "clock.stepped"
	ClockConfirmed    Kind = "clock.confirmed"
	RunStarted        Kind = "run.started"
	RunStopped        Kind = "run.stopped"
	ConfigChanged     Kind = "config.changed"

	// The animals' record. Since is the time from which on an entry counts, Corrects the entry whose place it takes.
	CohortBegan   Kind = "cohort.began"   // Cohort, Profile, Place, Stage, Count
	CohortStage   Kind = "cohort.stage"   // Cohort, Stage, Gosner
	CohortMoved   Kind = "cohort.moved"   // Cohort, Place
	CohortCounted Kind = "cohort.counted" // Cohort, Count, Why
	CareDone      Kind = "care.done"      // Task, Place or Cohort, Text

	// The record of the sensors. Since and Corrects are as in the record of the animals.
	SensorCalibrated Kind = "sensor.calibrated" // Sensor, Channel, Part, Calibration
	SensorReplaced   Kind = "sensor.replaced"   // Sensor, Part, Text: another part answers under the same id
	SensorAssigned   Kind = "sensor.assigned"   // Sensor, Place, Text: a point is measured by another sensor from now on

	FloodBegan   Kind = "flood.began"      // more alarms than a person can follow
	FloodEnded   Kind = "flood.ended"      //
	Summary      Kind = "alarm.summary"    // sent instead of a message for each alarm
	Chattering   Kind = "alarm.chattering" // the alarm comes and goes faster than a person can act
	Fleeting     Kind = "alarm.fleeting"   // the alarm ended before a person could act
	Frequent     Kind = "alarm.frequent"   // the alarm comes so often that it is not heard for a while
	DailyDigest  Kind = "daily.digest"     // what a keeper has to know once a day, in Text
	NotifierTest Kind = "outlet.test"      // a test notification; never an alarm
	TestTaken    Kind = "outlet.taken"     // the service behind a notifier has accepted a test
	Lost         Kind = "outlet.lost"      // a notifier has given up a message; if its alarm is still active, another one is sent
)

// FaultPlace takes the position of the place in the names and topics of faults, such as "sensor/tub-1-probe/fault". No place may have
// this id.
const FaultPlace = "sensor"

// The parts of dewline itself that can fail take the position of a sensor there, such as "sensor/outlet-mail/fault". No sensor may have
// such an id.
const (
	HistoryComponent   = "history-file" // the record, where it cannot be written
	NotifierComponents = "outlet-"      // followed by the name of a notifier
)

// NotifierFault returns the name of the alarm that a notifier does not deliver.
func NotifierFault(notifier string) string {
	return FaultPlace + "/" + NotifierComponents + notifier + "/fault"
}

// Entry is one line of the journal. Fields that do not apply are absent.
type Entry struct {
	Seq  uint64          `json:"seq"` // counts up by one within a site, over restarts
	Run  string          `json:"run"` // the run (boot) of the daemon that made it
	At   instant.Instant `json:"at"`  // when it happened, not when it was sent
	Kind Kind            `json:"kind"`

	Alarm      string           `json:"alarm,omitempty"`      // such as "tub-1/water-temperature/high"
	Occurrence string           `json:"occurrence,omitempty"` // one per raise; an acknowledgement names it
	State      isa.State        `json:"state,omitempty"`      // the state after it
	Was        isa.State        `json:"was,omitempty"`        // the state before it
	Priority   string           `json:"priority,omitempty"`
	Unit       string           `json:"unit,omitempty"`
	Setpoint   *float64         `json:"setpoint,omitempty"` // the limit in force then
	Value      *float64         `json:"value,omitempty"`
	Extreme    *float64         `json:"extreme,omitempty"`
	Since      *instant.Instant `json:"since,omitempty"` // the interpolated crossing; what a clock showed before it was set; the start of a flood
	Until      *instant.Instant `json:"until,omitempty"` // end of a shelf; when the alarm of a reminder ended
	Repeats    int              `json:"repeats,omitempty"`
	Names      []string         `json:"names,omitempty"`    // places that a room's alarm speaks for
	Expected   *Expectation     `json:"expected,omitempty"` // when the limit of an outlook alarm will be met

	Incident string `json:"incident,omitempty"` // of an alarm that has called: the occurrence of the first alarm of its incident
	Silent   bool   `json:"silent,omitempty"`   // it updates its incident, and needs no sound
	// Also names the other critical alarms of its incident that are active: a message that is heard speaks for them as well. That of a
	// reminder names those that are over as well.
	Also []string `json:"also,omitempty"`

	Notifiers []string `json:"outlets,omitempty"` // those that a summary, a test or a late call is for

	Cohort string `json:"cohort,omitempty"`
	Stage  string `json:"stage,omitempty"`
	Place  string `json:"place,omitempty"`

	// Of the animals' record.
	Profile  string `json:"profile,omitempty"`
	Gosner   int    `json:"gosner,omitempty"`   // stage after Gosner (1960), 1 to 46
	Count    *int   `json:"count,omitempty"`    // how many live on; with 0 the cohort has ended
	Why      string `json:"why,omitempty"`      // of a count: died, sold, split, found
	Task     string `json:"task,omitempty"`     // such as "feed"
	Corrects string `json:"corrects,omitempty"` // the ID of the entry whose place this one takes
	Seeded   bool   `json:"seeded,omitempty"`   // the configuration said it, not a person

	// Of the record of the sensors.
	Sensor      string       `json:"sensor,omitempty"`
	Channel     string       `json:"channel,omitempty"`
	Part        string       `json:"part,omitempty"` // which part it is, as far as its driver and address say
	Calibration *Calibration `json:"calibration,omitempty"`

	By     string `json:"by,omitempty"`     // the person or rule that caused it
	Reason string `json:"reason,omitempty"` // why, in words
	Doubt  string `json:"doubt,omitempty"`  // why the readings behind an alarm are in doubt: what is wrong with the sensor
	Text   string `json:"text,omitempty"`   // a note's text
}

// Expectation says when a limit will be met, provided that it will be.
type Expectation struct {
	Limit string          `json:"limit"` // such as "critical-high"
	At    instant.Instant `json:"at"`
	// From and To enclose it in four of five cases; nil while too little is known of how well the outlook of the point says when.
	From *instant.Instant `json:"from,omitempty"`
	To   *instant.Instant `json:"to,omitempty"`
}

// Calibration is what comparing a channel of a sensor with a reference has shown: a corrected value is Gain × measured + Offset. Values
// are in the canonical unit of the channel, uncertainties expanded (k = 2).
type Calibration struct {
	Method      string       `json:"method"` // such as "ice bath"
	Gain        float64      `json:"gain"`
	Offset      float64      `json:"offset"`
	Uncertainty float64      `json:"uncertainty,omitempty"` // of a corrected value; 0 where that of the sensor stays in force
	Residual    float64      `json:"residual,omitempty"`    // standard deviation of the readings around the reference once corrected
	Points      []Comparison `json:"points,omitempty"`      // the one or two comparisons that Gain and Offset follow from; none of a mere offset
}

// Comparison is the mean of the readings of a channel beside a reference.
type Comparison struct {
	Measured             float64 `json:"measured"`
	MeasuredUncertainty  float64 `json:"measured_uncertainty,omitempty"`
	Reference            float64 `json:"reference"`
	ReferenceUncertainty float64 `json:"reference_uncertainty,omitempty"`
}

// ID returns the identity of the entry: the same on every repeat of its delivery, different for every other entry.
func (e *Entry) ID() string { return e.Run + "-" + strconv.FormatUint(e.Seq, 10) }

// Dated reports whether Since is a date that a person has given, which a wrong clock has no part in.
func (e *Entry) Dated() bool {
	switch e.Kind {
	case StageSet, CohortBegan, CohortStage, CohortMoved, CohortCounted, CareDone, Misting, Note, SensorCalibrated, SensorReplaced:
		return e.Since != nil && *e.Since != e.At
	}
	return false
}

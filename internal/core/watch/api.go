package watch

import (
	"time"

	"dewline/internal/core/calibration"
	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

// Site is the part of a validated configuration that the core needs.
type Site struct {
	ID       string
	Location *time.Location
	Light    care.Light
	Places   []Place
	Points   []Point // derived points are added by [New] wherever their inputs are
	Cohorts  []Cohort
	Sensors  []SensorFeeds
	// Components are the parts of dewline itself whose failure is an alarm.
	Components []Component
	Profiles   map[string]*care.Profile
	// Calibrations are those of the configuration, one seed for each channel that feeds a point.
	Calibrations []calibration.Seed
	// Intervals say which animals live where, and when. A core makes them of Cohorts where there are none, and again with each entry
	// about animals. [Site.WithRecord] makes them of what is on record already.
	Intervals []cohort.Interval
	// Misted are the mistings that are on record of each place, in the order of their times, where a core is to take them in as it comes to
	// these times: in a replay. A core that runs takes them in as they are written down.
	Misted map[string][]instant.Instant
}

// Point is a measured point.
type Point struct {
	Point quantity.Point
	// Gap is the longest time between two readings that are still joined by a line; 0 means 60 s.
	Gap time.Duration
	// StaleAfter is the time without a usable reading after which the stale alarm is raised; 0 means never, which is
	// right for a point that no sensor has promised to feed.
	StaleAfter time.Duration
	// Accuracy is the expanded uncertainty (k = 2) of a reading in the unit of a difference; 0 where it is not known.
	Accuracy float64
}

// Cohort is a batch of animals as the configuration has it. Its Profile is a key of [Site.Profiles].
type Cohort = cohort.Seed

// SensorFeeds is a sensor with the points it feeds. A part that does not answer is a fault of the sensor; wrong values of one
// channel are a fault of that channel.
type SensorFeeds struct {
	ID string
	// Part says which part it is, as far as the configuration does; "" where it does not.
	Part string
	// Channels are what it delivers.
	Channels []Channel
	// FaultAfter is how long it, or one of its channels, may fail without a break before the fault alarm is raised.
	FaultAfter time.Duration
	// Recovery is how long its reads must have been good, at least two of them, before that alarm is over.
	Recovery time.Duration
}

// Component is a part of dewline itself: the history, a notifier. It feeds no point and covers no alarm, so that its fault calls for a
// person at once, and two reports that it works again end it.
type Component struct {
	ID         string        // takes the position of a sensor's in the name of its alarm: [journal.HistoryComponent] and those after it
	FaultAfter time.Duration // how long it may fail without a break before that alarm is raised
}

// Channel is one quantity that a sensor delivers, and the point it feeds.
type Channel struct {
	Name  string // such as "humidity"; unique within its sensor
	Feeds quantity.Point
}

// EventKind is the kind of an [Event].
type EventKind uint8

// The kinds of events.
const (
	ReadingEvent   EventKind = iota // Point, Value, Flag
	TickEvent                       // time passes
	SensorEvent                     // Sensor, Channel, Failure ("" = a good read), Flag, Unsteady
	ComponentEvent                  // Component, Failure ("" = it works), Flag
	CommandEvent                    // Command
	ClockStepEvent                  // By: all earlier times of this run are shifted by it; Mark
	CutEvent                        // ledgers are closed at this time, so that ranges begin or end there
	StartEvent                      // Run, Unconfirmed: the daemon started; points become stale if nothing comes
)

// Event is something that happened outside the core. At is its time; events come in the order of their times, except
// that readings of different points may be reordered freely.
type Event struct {
	Kind      EventKind
	Flag      quantity.Flag
	Point     int32 // index by Core.Index
	Sensor    int32 // index into Site.Sensors
	Channel   int32 // of a SensorEvent: 0 = the part itself, n = the n-th of its channels, counted from 1
	Component int32 // index into Site.Components
	At        instant.Instant
	Value     float64
	By        time.Duration
	Failure   string
	Run       string
	Command   *Command

	Unsteady    bool        // of a failure: it comes and goes, and its fault is over only after an hour without it
	Unconfirmed bool        // of a start: it is not known whether the clock is right
	Mark        int64       // of a step: how far the caller's record of readings reached; kept in [UnconfirmedClock]
	Clock       ClockOffset // of a start and of a step: the offset of the clock after it
}

// Verb is the action that a command asks for.
type Verb string

// The verbs of commands.
const (
	Acknowledge   Verb = "acknowledge"
	Reset         Verb = "reset"
	Shelve        Verb = "shelve"
	Unshelve      Verb = "unshelve"
	OutOfService  Verb = "out-of-service"
	InService     Verb = "in-service"
	BeginCohort   Verb = "begin"
	SetStage      Verb = "stage"
	MoveCohort    Verb = "move"
	CountCohort   Verb = "count"
	EndCohort     Verb = "end"
	DoTask        Verb = "done"
	RecordMist    Verb = "misting"
	Calibrate     Verb = "calibrate"
	ReplaceSensor Verb = "replace-sensor"
	WriteNote     Verb = "note"
	Repeat        Verb = "repeat" // re-alarm: sent by a repetition rule, not by a person
	Remind        Verb = "remind" // of a critical alarm that is over and waits for an acknowledgement: Notifiers; likewise
	Report        Verb = "report" // an entry about the alarms themselves: Kind, Text, Alarm, Priority, Notifiers
)

// Command is a request of a person, or of a rule that acts for one.
type Command struct {
	Verb        Verb                 `json:"verb"`
	Alarm       string               `json:"alarm,omitempty"`
	Occurrence  string               `json:"occurrence,omitempty"`
	For         time.Duration        `json:"for,omitempty"` // length of a shelf, or of a misting
	Reason      string               `json:"reason,omitempty"`
	By          string               `json:"by,omitempty"`
	Cohort      string               `json:"cohort,omitempty"`
	Stage       string               `json:"stage,omitempty"`
	Place       string               `json:"place,omitempty"`
	Text        string               `json:"text,omitempty"`
	At          instant.Instant      `json:"at"` // for what happened earlier; 0 = now
	Profile     string               `json:"profile,omitempty"`
	Gosner      int                  `json:"gosner,omitempty"`
	Count       *int                 `json:"count,omitempty"`
	Why         string               `json:"why,omitempty"`
	Task        string               `json:"task,omitempty"`
	Corrects    string               `json:"corrects,omitempty"` // the entry whose place the one of this command takes
	Sensor      string               `json:"sensor,omitempty"`
	Channel     string               `json:"channel,omitempty"`
	Calibration *journal.Calibration `json:"calibration,omitempty"`

	// Of a report, or of a repetition for notifiers that send late. Commands from outside cannot set them.
	Kind      journal.Kind     `json:"-"`
	Priority  care.Priority    `json:"-"`
	Notifiers []string         `json:"-"`
	Since     *instant.Instant `json:"-"`
}

// EffectKind is the kind of an [Effect].
type EffectKind uint8

// The kinds of effects, in the order in which the caller must carry them out for one event: entries are durable before
// any notifier sees them.
const (
	Record         EffectKind = iota // Entry goes to the journal and to the events topic
	Notify                           // Entry asks for a person
	Refused                          // a command was refused; Entry.Reason says why and goes to the journal as well
	LedgerClosed                     // Ledger of Point is complete
	ExcursionEnded                   // Excursion of Point is complete
	Derived                          // a derived Point has a reading; only after [Core.ReportDerived]
)

// Effect is what the core asks its caller to do.
type Effect struct {
	Kind      EffectKind
	Point     int32
	Entry     *journal.Entry
	Ledger    *Ledger
	Excursion *Excursion

	// Of a derived reading.
	At    instant.Instant
	Value float64
	Flag  quantity.Flag
}

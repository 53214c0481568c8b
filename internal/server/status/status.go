// Package status holds the snapshot of a site after an event, which metrics, pages, the control socket and the retained
// topics show. The daemon's loop makes a new snapshot after each event and swaps the pointer. A snapshot is never changed,
// so its readers need no lock and cannot delay the loop.
package status

import (
	"cmp"
	"sync/atomic"
	"time"

	"dewline/internal/core/calibration"
	"dewline/internal/core/cohort"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// Picture is a site at one moment.
type Snapshot struct {
	Site         string
	Run          string
	At           time.Time
	Started      time.Time
	Display      quantity.Unit // the keeper's unit of temperature
	Location     *time.Location
	Titles       map[string]string // what people call a place, by its id
	Panels       []Panel           // what the page of trends draws, by title
	Confirmed    bool              // the clock is known to be right
	Points       []watch.PointState
	Animals      []cohort.Interval // who lived where, and when
	Alarms       []watch.AlarmState
	Sensors      []SensorHealth
	Calibrations []calibration.State // of each channel that feeds a point
	Notifiers    []NotifierHealth
	Calls        Calls
	FloodSince   time.Time     // start of the flood of alarms that there is now; zero where there is none
	History      *History      // nil where nothing is kept
	Export       *Export       // nil where nothing is exported
	Late         uint64        // readings that came too late to count
	ClockSteps   time.Duration // sum of the sizes of all steps of the clock
	Reloaded     time.Time     // last time a configuration came into force
	ReloadOK     bool          // the last attempt to load one succeeded
	// Overview returns as sentences what is watched and within which limits now, and what a keeper should look at. It is nil before
	// the first configuration.
	Overview func() (watched, unwatched []string)
}

// Zone returns the time zone of the site; UTC where none is known.
func (s *Snapshot) Zone() *time.Location { return cmp.Or(s.Location, time.UTC) }

// Panel is what the page of trends draws under one title.
type Panel struct {
	Title  string             `json:"title"`
	Span   string             `json:"span"`   // 1d, 1w, 1m or 1y
	Charts [][]quantity.Point `json:"charts"` // from top to bottom; the points of one are drawn together, with the band of the first
}

// Calls counts how often a person was asked for, by the priority's name, since the start of the run.
type Calls map[string]uint64

// History is the state of the store. Its form in JSON is stable.
type History struct {
	Bytes       int64  `json:"bytes"`
	Pending     int    `json:"pending"` // readings that are in memory only
	LastError   string `json:"error,omitempty"`
	WriteErrors uint64 `json:"-"`
}

// Sensor is the health of a sensor.
type SensorHealth struct {
	ID          string
	Driver      string
	Where       string
	Part        string
	LastSuccess time.Time
	LastError   string
	LastKind    string            // kind of the last error, "" after a success
	Failures    int               // in a row
	Reads       map[string]uint64 // by result
}

// NotifierHealth is the state of a notifier.
type NotifierHealth struct {
	Name      string
	Connected bool
	Opening   bool // its first connection is being made, and nothing is known against it yet
	LastError string
	Pending   int
	Oldest    time.Time // of what is pending; zero where nothing is
	Sent      uint64
	LastSent  time.Time // when the receiver last accepted a message of this run; zero for never
	Dropped   uint64

	// FailingSince is when it began to fail, zero while it delivers, and Failure why; after the time allowed for acting it is
	// an alarm. GaveUp is why the last message was given up, "" once another one was delivered.
	FailingSince time.Time
	Failure      string
	GaveUp       string
	Refused      bool // the receiver refuses for good, rather than for now
	Test         Test
}

// Test is what has become of the last test notification of a notifier.
type Test struct {
	Event  string // of its journal entry; "" where there was none in this run
	State  string
	Reason string // why it has failed
}

// The states of a test.
const (
	TestWaits     = "waiting"
	TestDelivered = "delivered"
	TestFailed    = "failed" // for good
)

// Current holds the latest picture.
type Current struct{ p atomic.Pointer[Snapshot] }

// Set swaps in a new picture.
func (c *Current) Set(p *Snapshot) { c.p.Store(p) }

// Get returns the latest picture; an empty one before the first.
func (c *Current) Get() *Snapshot {
	if p := c.p.Load(); p != nil {
		return p
	}
	return &Snapshot{}
}

// Stale reports whether the point's value is too old to be shown as if it were current.
func Stale(s *watch.PointState) bool { return s.Zone == watch.UnknownZone }

// Export is the state of the export to a metrics store.
type Export struct {
	Behind       time.Duration // what is in the history and has not been sent yet
	Waiting      string        // why nothing is sent although the receiver is well; "" otherwise
	Sent         uint64        // samples that the receiver has taken in this run
	Refused      uint64        // samples that it has refused for good in this run
	LastSent     time.Time     // when it took something last in this run; zero for never
	LastError    string        // the last failure; "" after a success
	FailingSince time.Time     // when it began to fail; zero while it does not
}

package watch

import (
	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

// Certainty says whether a value is inside or outside its band by more than its uncertainty.
type Certainty string

// The certainties.
const (
	CertainlyInside  Certainty = "inside"
	CertainlyOutside Certainty = "outside"
	TooClose         Certainty = "too close to call"
	NoCertainty      Certainty = "" // the zone is unknown
)

// PointState is the current state of a point.
type PointState struct {
	Point       quantity.Point
	Value       float64 // canonical unit; meaningless while Zone is UnknownZone
	Flag        quantity.Flag
	LastReading instant.Instant // last usable one; None when there was none
	Zone        Zone
	Since       instant.Instant // the zone has not changed since then
	Certainty   Certainty
	Accuracy    float64                 // expanded uncertainty (k = 2); 0 = not known
	Band        care.Band               // in force now
	Day         bool                    // the day variant is in force
	Owners      [care.LimitCount]string // whose the limits are, see [Holding]
	Cohort      string                  // the first of those that live there
	Stage       care.Stage
	Residents   []Resident
	Today       Ledger             // of the local day so far, up to the last reading or gap
	Total       [ZoneCount]float64 // seconds per zone since the core was made or restored
	Departures  [3]uint64          // excursions that began since then, by Side
	Degree      [3]float64         // ∫ of how far the value was beyond the band, in unit·s, since then, by Side
	Fed         bool               // a sensor of the site feeds it, or derives it
}

// AlarmState is the current state of an alarm.
type AlarmState struct {
	Name       string // such as "tub-1/water-temperature/high"
	Place      string // "sensor" for faults
	Quantity   string // the sensor's id for faults
	Channel    string // of the sensor, for the fault of one channel; "" otherwise
	Limit      string // high, critical-high, low, critical-low, stale, rising, falling, fault
	Letter     isa.State
	Priority   care.Priority
	Active     bool // the condition holds
	Occurrence string
	Since      instant.Instant // interpolated crossing; None while it never was active
	Raised     instant.Instant
	Cleared    instant.Instant // None while active
	Until      instant.Instant // end of the shelf; None when not shelved
	By         string          // what suppresses it: "shelved", "service", or the fault or room alarm
	Setpoint   float64         // NaN for alarms without a limit
	Extreme    float64         // NaN where it does not apply
	Repeats    int
	Names      []string             // enclosures a room's alarm speaks for
	Reason     string               // why it is shelved, or else what the sensor says of its fault
	Expected   *journal.Expectation // of an outlook alarm: when its limit will be met; nil where it does not apply
	Doubt      string               // why the readings of its point are in doubt while it is active: what is wrong with the sensor; "" = they are not
}

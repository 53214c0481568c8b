package watch

import (
	"time"

	"dewline/internal/core/instant"
)

// Zone is the position of a value relative to its band.
type Zone uint8

// The zones, from cold to hot, no limit in force, and unknown.
const (
	CriticalLowZone Zone = iota
	LowZone
	InBand
	HighZone
	CriticalHighZone
	NoBand
	UnknownZone
	ZoneCount = 7
)

// String returns the name of the zone as JSON and metrics carry it.
func (z Zone) String() string {
	return [ZoneCount]string{"critical-low", "low", "in-band", "high", "critical-high", "no-band", "unknown"}[z]
}

// Zones returns all zones in order.
func Zones() []Zone {
	return []Zone{CriticalLowZone, LowZone, InBand, HighZone, CriticalHighZone, NoBand, UnknownZone}
}

// Outside reports whether the zone lies outside the band.
func (z Zone) Outside() bool { return z < NoBand && z != InBand }

// Side is the side of the band on which an excursion is.
type Side uint8

// The sides.
const (
	Inside Side = iota
	BelowBand
	AboveBand
)

// String returns "low", "high" or "".
func (s Side) String() string { return [...]string{"", "low", "high"}[s] }

// Ledger is the exposure of a point over one unbroken span of time, within one local day and one stage. The zone times
// add up to To − From exactly.
type Ledger struct {
	From, To instant.Instant
	Cohort   string // the cohort that lived there, "" for none
	Stage    string // its stage then

	InZone [ZoneCount]time.Duration

	Min, Max    float64 // of the usable readings; meaningless while Readings is 0
	Readings    int64
	Integral    float64 // ∫ v dt over known time, in unit·s
	DegreeAbove float64 // ∫ max(0, v − high) dt, in unit·s
	DegreeBelow float64 // ∫ max(0, low − v) dt, in unit·s
	Kinetic     float64 // ∫ exp(−ΔH/(R·T)) dt over known time, in s, for the mean kinetic temperature; 0 unless a temperature

	Excursions int64         // that began in this span
	Longest    time.Duration // longest part of one excursion within this span
}

// Excursion is one unbroken stay outside the band.
type Excursion struct {
	From, To instant.Instant
	Side     Side
	Extreme  float64
	Unknown  time.Duration // time within it that was not observed
	Cohorts  []string      // that lived there when it began; it ends when others do
}

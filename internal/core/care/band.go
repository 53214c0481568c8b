// Package care models what an animal needs at each stage of its life: care profiles with the bands of every quantity for every
// stage, by day and by night, the hours of light, and the timeline of a cohort through the stages.
//
//	at := care.StageAt(cohort.Stages, t)
//	bands := profile.Care[at].Bands[quantity.WaterTemperature]
//	band := bands.At(light.IsDay(t)).Settled(quantity.WaterTemperature, at)
//
// It is pure: no clock, no I/O. Package config reads profiles, package watch compares readings with bands.
package care

import (
	"math"
	"time"
)

// Limit names one of the four limits of a band.
type Limit uint8

// The limits, from the lowest to the highest.
const (
	CriticalLow Limit = iota
	Low
	High
	CriticalHigh
	LimitCount = 4
)

// String returns the name of the limit, such as "critical-high".
func (l Limit) String() string {
	return [LimitCount]string{"critical-low", "low", "high", "critical-high"}[l]
}

// Above reports whether the limit bounds a value from above.
func (l Limit) Above() bool { return l >= High }

// Critical reports whether the limit is one of the two outer ones.
func (l Limit) Critical() bool { return l == CriticalLow || l == CriticalHigh }

// Priority says how soon a person must act.
type Priority uint8

// The priorities. Unset means the default of the alarm in question.
const (
	Unset Priority = iota
	LowPriority
	MediumPriority
	HighPriority
	CriticalPriority
)

// String returns "low", "medium", "high" or "critical" ("" when unset).
func (p Priority) String() string {
	return [...]string{"", "low", "medium", "high", "critical"}[p]
}

// Allowable returns the time within which a person should answer an alarm of the priority; for low it is the next visit, taken
// to come once a day. A proposal, no published source: ANSI/ISA-18.2 asks for such times and gives no numbers.
func (p Priority) Allowable() time.Duration {
	return [...]time.Duration{24 * time.Hour, 24 * time.Hour, 12 * time.Hour, 2 * time.Hour, 30 * time.Minute}[p]
}

// ParsePriority reads one of the four names and reports whether it is one.
func ParsePriority(name string) (Priority, bool) {
	for p := LowPriority; p <= CriticalPriority; p++ {
		if p.String() == name {
			return p, true
		}
	}
	return Unset, false
}

// Band is what a quantity may do at one stage and at one time of day. Values are in the quantity's canonical unit. A
// limit that is absent is NaN: use [NoBand] as the start of a new one. Negative durations and a NaN deadband mean "not
// given"; [Band.WithDefaults] fills them.
type Band struct {
	Limits          [LimitCount]float64 // by Limit; NaN where absent
	OnDelay         time.Duration       // for all four limits, unless CriticalOnDelay is given
	CriticalOnDelay time.Duration       // for the two critical limits
	OffDelay        time.Duration
	Deadband        float64 // in the unit of a difference of the quantity
	Priority        Priority
	Foresee         time.Duration // how far ahead the outlook looks; 0 = no outlook

	rules *[LimitCount]Rule // where the limits behave differently: see [Band.RuleOf]
}

// NoBand returns a band without limits in which nothing is given.
func NoBand() Band {
	nan := math.NaN()
	return Band{
		Limits:  [LimitCount]float64{nan, nan, nan, nan},
		OnDelay: -1, CriticalOnDelay: -1, OffDelay: -1, Deadband: nan,
	}
}

// Has reports whether the band has the limit.
func (b *Band) Has(l Limit) bool { return !math.IsNaN(b.Limits[l]) }

// SameLimits reports whether both have the same limits.
func (b *Band) SameLimits(other *Band) bool {
	for l, limit := range b.Limits {
		if limit != other.Limits[l] && !(math.IsNaN(limit) && math.IsNaN(other.Limits[l])) {
			return false
		}
	}
	return true
}

// Empty reports whether the band has no limit at all.
func (b *Band) Empty() bool {
	for l := CriticalLow; l <= CriticalHigh; l++ {
		if b.Has(l) {
			return false
		}
	}
	return true
}

// DayNight is a band by day and by night; without day and night variants both are the same.
type DayNight struct {
	Day, Night Band
	// Override makes a place's own band hold alone, without the bands of the cohorts that live there.
	Override bool
}

// At returns the day or the night band.
func (d *DayNight) At(day bool) *Band {
	if day {
		return &d.Day
	}
	return &d.Night
}

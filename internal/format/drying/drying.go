// Package drying holds the JSON shapes of how an enclosure dries: fit, mistings, schedules. The command misting and the pages show the same.
package drying

import (
	"cmp"
	"math"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/misting"
	"dewline/internal/format/exposure"
)

// Range is an interval that holds the value in four of five cases, around its middle.
type Range struct {
	Low  exposure.Number `json:"low"`
	Mid  exposure.Number `json:"mid"`
	High exposure.Number `json:"high"`
}

// Fit is how the enclosure dries.
type Fit struct {
	TauS       *exposure.Number `json:"tau_s"`
	FloorPctRH *exposure.Number `json:"floor_pct_rh"`
	NPerH      *exposure.Number `json:"n_per_h"`
	KappaPerH  *exposure.Number `json:"kappa_per_h"`
	TauRange   *Range           `json:"tau_interval_s"`
	FloorRange *Range           `json:"floor_interval_pct_rh"`
	NRange     *Range           `json:"n_interval_per_h"`
	KappaRange *Range           `json:"kappa_interval_per_h"`
	Days       exposure.Number  `json:"days"`
	Doors      int              `json:"doors"`
	ScatterPct *exposure.Number `json:"scatter_pct_rh"`
	Refused    string           `json:"refused,omitempty"`
}

// Event is a misting, or one that was due and did not come.
type Event struct {
	At         instant.Instant   `json:"at"`
	Recorded   bool              `json:"recorded"`
	Scheduled  bool              `json:"scheduled"`
	Missed     bool              `json:"missed"`
	Hidden     bool              `json:"hidden"`
	PeakPctRH  *exposure.Number  `json:"peak_pct_rh"`
	PeakHidden bool              `json:"peak_hidden"`
	SaturatedS exposure.Seconds  `json:"saturated_s"`
	Stuck      bool              `json:"stuck"`
	TauS       *exposure.Seconds `json:"tau_s"`
	FloorPctRH *exposure.Number  `json:"floor_pct_rh"`
	To80S      *exposure.Seconds `json:"to_80_s"`
	BelowS     exposure.Seconds  `json:"below_band_s"`
	AboveS     exposure.Seconds  `json:"above_band_s"`
}

// Disturbance is what moved the humidity and was no misting.
type Disturbance struct {
	Kind string          `json:"kind"`
	From instant.Instant `json:"from"`
	To   instant.Instant `json:"to"`
}

// Nights is how often the surface was wet by night.
type Nights struct {
	Measured     int    `json:"measured"`
	Condensation int    `json:"condensation"`
	Surface      string `json:"surface"` // measured, guessed or unknown
}

// Schedule is what a schedule brings, or has brought. Hours are a day, nights a week.
type Schedule struct {
	Times         string           `json:"times"`
	Now           bool             `json:"now"` // the present one: as measured
	Days          exposure.Number  `json:"days"`
	Below         *Range           `json:"hours_below_band_per_day"`
	Above         *Range           `json:"hours_above_band_per_day"`
	Saturated     *Range           `json:"hours_saturated_per_day"`
	DryEnough     *Range           `json:"hours_dry_enough_per_day"`
	LongestDry    *Range           `json:"longest_dry_spell_h"`
	WetNights     *Range           `json:"condensation_nights"`
	RelativeWater *exposure.Number `json:"relative_water"`
	Refused       string           `json:"refused,omitempty"`
}

// Suggestion is the least water that does, or why no schedule does.
type Suggestion struct {
	Schedule *Schedule `json:"schedule"`
	Reason   string    `json:"reason"`
}

// FitOf writes a fit.
func FitOf(f *misting.Fit) Fit {
	out := Fit{Days: exposure.Number(f.Days), Doors: f.Doors, Refused: f.Refused, ScatterPct: exposure.NumberOf(f.ScatterPct)}
	out.Refused = cmp.Or(out.Refused, f.RefusedParts)
	if f.Tau > 0 {
		out.TauS = exposure.NumberOf(f.Tau.Seconds())
		out.TauRange = RangeOf(misting.Interval{Low: f.TauLow.Seconds(), Mid: f.Tau.Seconds(), High: f.TauHigh.Seconds()})
	}
	out.FloorPctRH, out.FloorRange = exposure.NumberOf(f.FloorPct.Mid), RangeOf(f.FloorPct)
	out.NPerH, out.NRange = exposure.NumberOf(f.AirChanges.Mid), RangeOf(f.AirChanges)
	out.KappaPerH, out.KappaRange = exposure.NumberOf(f.Kappa.Mid), RangeOf(f.Kappa)
	return out
}

// RangeOf writes an interval; nil for one that is not known.
func RangeOf(i misting.Interval) *Range {
	if math.IsNaN(i.Mid) {
		return nil
	}
	return &Range{exposure.Number(i.Low), exposure.Number(i.Mid), exposure.Number(i.High)}
}

// EventOf writes a misting.
func EventOf(e *misting.Event) Event {
	return Event{
		At: e.At, Recorded: e.Recorded, Scheduled: e.Scheduled, Missed: e.Missed, Hidden: e.Hidden, PeakPctRH: exposure.NumberOf(e.PeakPct), PeakHidden: e.PeakHidden,
		SaturatedS: exposure.Seconds(e.Saturated), Stuck: e.Stuck, TauS: lasting(e.Tau), FloorPctRH: exposure.NumberOf(e.FloorPct), To80S: lasting(e.To80),
		BelowS: exposure.Seconds(e.Below), AboveS: exposure.Seconds(e.Above),
	}
}

func lasting(d time.Duration) *exposure.Seconds {
	if d <= 0 {
		return nil
	}
	return new(exposure.Seconds(d))
}

// ScheduleOf writes what a schedule brings.
func ScheduleOf(o *misting.Outlook) Schedule {
	return Schedule{
		Times: o.Schedule.String(), Days: exposure.Number(o.Days), Below: RangeOf(o.Below), Above: RangeOf(o.Above), Saturated: RangeOf(o.Saturated),
		DryEnough: RangeOf(o.DryEnough), LongestDry: RangeOf(o.LongestDry), WetNights: RangeOf(o.WetNights), RelativeWater: exposure.NumberOf(o.RelativeWater),
	}
}

// SchedulesOf writes the present schedule as measured and, where there is one, what another would bring.
func SchedulesOf(a *misting.Analysis, proposed misting.Schedule) []Schedule {
	present := a.PresentOutlook()
	rows := []Schedule{ScheduleOf(&present)}
	rows[0].Now = true
	if proposed != nil {
		row := Schedule{Times: proposed.String(), Refused: FitOf(&a.Fit).Refused}
		if outlook, err := a.WhatIf(proposed); err == nil {
			row = ScheduleOf(&outlook)
		}
		rows = append(rows, row)
	}
	return rows
}

// SuggestionOf writes the schedule that is suggested, or why there is none; nil where none can be.
func SuggestionOf(a *misting.Analysis) *Suggestion {
	found, err := a.Suggest()
	if err != nil {
		return nil
	}
	suggestion := &Suggestion{Reason: found.Reason}
	if found.Found {
		suggestion.Schedule = new(ScheduleOf(&found.Outlook))
	}
	return suggestion
}

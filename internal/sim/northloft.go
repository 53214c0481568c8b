package sim

import (
	"fmt"
	"slices"
	"time"

	"dewline/internal/core/care"
)

// DemoStart is the moment at which the demo opens: one in the afternoon of an invented hot July day.
func DemoStart(location *time.Location) time.Time {
	return time.Date(2026, 7, 14, 13, 0, 0, 0, location)
}

// NorthLoft is the demo's room, all of it invented: a converted attic with two racks of tubs, a grow-out shelf and two
// planted vivaria. A heat wave has begun, and its air conditioner fails twenty minutes before the start.
func NorthLoft(start time.Time, seed uint64, light care.Light) Options {
	o := Options{
		Start: start,
		Weather: Weather{
			Seed: seed, Location: start.Location(), Mean: 15.5, Season: 5.5, Day: 5,
			Spells: []Spell{{From: start.Add(-30 * time.Hour), To: start.Add(60 * time.Hour), Kelvin: 5}},
		},
		Light: light, Room: "loft", Setpoint: 23.1,
		Failures: []Span{{From: start.Add(-20 * time.Minute), To: start.Add(5 * time.Hour)}},
		Vivaria: []Vivarium{
			// Short mistings: three of the usual dose would drive it above the 95 % of its juveniles each time.
			{Place: "grow-out", Lamp: 0.5, AirChanges: 0.5, Dose: 0.06, Mistings: []int{7 * 60, 12 * 60, 18 * 60}},
			{Place: "vivarium-1", Lamp: 1.5, AirChanges: 0.8, Mistings: []int{7*60 + 30, 18*60 + 30}},
			{Place: "vivarium-2", Lamp: 1.5, AirChanges: 1.0, Mistings: []int{7*60 + 30, 18*60 + 30}},
		},
	}
	for i := range 8 {
		tub := Tub{Place: fmt.Sprintf("tub-%d", i+1), Lag: time.Duration(4+i%4) * time.Hour}
		if i == 0 { // a shallow tub by the window
			tub.Lag, tub.Sun = 75*time.Minute, 1.6
		}
		o.Tubs = append(o.Tubs, tub)
	}
	return o
}

// Incidents adds the incidents of the weeks before the demo's start: a hot afternoon with a failed air conditioner eleven days ago,
// and in vivarium-2 a misting at noon since nine days ago, and three days ago a nozzle that was clogged for a day.
func (o *Options) Incidents(start time.Time) {
	hot := start.Add(-11 * 24 * time.Hour)
	o.Weather.Spells = append(o.Weather.Spells, Spell{From: hot.Add(-24 * time.Hour), To: hot.Add(20 * time.Hour), Kelvin: 6})
	o.Failures = append(o.Failures, Span{hot, hot.Add(150 * time.Minute)})
	year, month, day := start.Date()
	midnight := func(days int) time.Time { return time.Date(year, month, day+days, 0, 0, 0, 0, start.Location()) }
	for i := range o.Vivaria {
		if v := &o.Vivaria[i]; v.Place == "vivarium-2" {
			v.Earlier, v.Changed = v.Mistings, start.AddDate(0, 0, -9)
			v.Mistings = []int{7*60 + 30, 13 * 60, 18*60 + 30}
			v.Stuck = append(v.Stuck, Span{midnight(-3), midnight(-2)})
		}
	}
}

// mistings returns the times of day at which the mister comes on, as they are at a time.
func (v *Vivarium) mistings(t time.Time) []int {
	if t.Before(v.Changed) {
		return v.Earlier
	}
	return v.Mistings
}

// MistingTimes returns when the misters were switched on between two moments, by place: with a clogged nozzle too, since a switch does not
// know of it.
func (o *Options) MistingTimes(from, to time.Time) map[string][]time.Time {
	times := map[string][]time.Time{}
	for _, v := range o.Vivaria {
		year, month, day := from.In(o.Weather.Location).Date()
		for d := 0; ; d++ {
			midnight := time.Date(year, month, day+d, 0, 0, 0, 0, o.Weather.Location)
			if !midnight.Before(to) {
				break
			}
			for _, list := range [][]int{v.Earlier, v.Mistings} {
				for _, minute := range list {
					at := time.Date(year, month, day+d, 0, minute, 0, 0, o.Weather.Location)
					if !at.Before(from) && at.Before(to) && slices.Contains(v.mistings(at), minute) && !slices.ContainsFunc(times[v.Place], at.Equal) {
						times[v.Place] = append(times[v.Place], at)
					}
				}
			}
			slices.SortStableFunc(times[v.Place], time.Time.Compare)
		}
	}
	return times
}

func stuckAt(spans []Span, t time.Time) bool {
	for _, s := range spans {
		if s.holds(t) {
			return true
		}
	}
	return false
}

package sim

import (
	"fmt"
	"time"

	"dewline/internal/stage"
)

// DemoStart is the moment at which the demo opens: one in the afternoon of an invented hot July day.
func DemoStart(location *time.Location) time.Time {
	return time.Date(2026, 7, 14, 13, 0, 0, 0, location)
}

// NorthLoft is the demo's room, all of it invented: a converted attic with two racks of tubs, a grow-out shelf and two
// planted vivaria. A heat wave has begun, and its air conditioner fails twenty minutes before the start.
func NorthLoft(start time.Time, seed uint64, light stage.Light) Options {
	o := Options{
		Start: start,
		Weather: Weather{
			Seed: seed, Location: start.Location(), Mean: 15.5, Season: 5.5, Day: 5,
			Spells: []Spell{{From: start.Add(-30 * time.Hour), To: start.Add(60 * time.Hour), Kelvin: 5}},
		},
		Light: light, Room: "loft", Setpoint: 23.1,
		Failures: []Span{{From: start.Add(-20 * time.Minute), To: start.Add(5 * time.Hour)}},
		Vivaria: []Vivarium{
			{Place: "grow-out", Lamp: 0.5, AirChanges: 0.35, Mistings: []int{7 * 60, 12 * 60, 18 * 60}},
			{Place: "vivarium-1", Lamp: 1.5, AirChanges: 0.5, Mistings: []int{7*60 + 30, 18*60 + 30}},
			{Place: "vivarium-2", Lamp: 1.5, AirChanges: 0.7, Mistings: []int{7*60 + 30, 18*60 + 30}},
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

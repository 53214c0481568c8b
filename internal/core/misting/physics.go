// Package misting says how a planted enclosure dries between its mistings, and what another schedule would bring. It is pure: readings and
// times go in, values come out.
//
//	a := misting.Analyse(&misting.Recording{From: from, To: to, Air: air, Humidity: humidity, RoomAir: …, RoomHumidity: …})
//	fmt.Println(a.Fit.Tau, a.Fit.FloorPct.Mid, a.Events)
//	outlook, err := a.WhatIf(schedule) // hours below the band, with the interval that holds four of five cases
//
// # What is done
//
// Everything is computed in vapour density, never in relative humidity, which a lamp moves without any water. [Analyse] brings together
// the mistings on record, those that are due, and those that the humidity shows; fits a model of the mass balance (below) with
// a film on leaves that dries like drops, a store of moss and wood, and the lag of the sensor, by least squares over the whole
// recording; and describes each misting. Differences between model and measurement are taken as a process with a memory of two hours,
// so that how the air dries weighs more than where it ends, and the covariance is that of whole days against each other.
//
// Mist and wet leaves hide how fast the air is exchanged, since a film dries only as fast as the room takes its vapour. What shows it is
// a door that was opened and shut: the principle of tracer-gas decay. So air changes and evaporation are stated only where enough
// doors were seen, where the floor leaves room under saturation, and where the room's own humidity is measured; else τ and floor alone.
//
// [Analysis.WhatIf] runs the model over the recorded room twice, under the mistings that came and under the schedule, adds the difference to
// what was measured, and states an interval for the weather that was recorded, not for another week's. How well all this does on enclosures
// that the model does not know is in testdata/figures/misting.md, bad rows included.
package misting

import (
	"math"
	"time"
)

// The mass balance of a well-mixed enclosure, with vapour densities ρ in kg/m³ and rates per hour:
//
//	dρ/dt = κ(ρ_s − ρ) − n(ρ − ρ_room)
//
// n is the number of air changes per hour with the room, κ the evaporation of soil and plants per deficit to saturation, ρ_s the
// density of saturation at their temperature. Reading n from a decay is the principle of the tracer-gas decay of ASTM E741
// (from memory). The rest follows by arithmetic.

// Tau returns the time in which 63 % of the way to the floor is gone: 1/(n+κ). It is not 1/n, since soil and leaves go on
// evaporating while the air dries.
func Tau(airChangesPerHour, kappaPerHour float64) time.Duration {
	return time.Duration(float64(time.Hour) / (airChangesPerHour + kappaPerHour))
}

// Floor returns the vapour density at which an enclosure left to itself ends.
func Floor(airChangesPerHour, kappaPerHour, room, saturated float64) (kgPerM3 float64) {
	return (airChangesPerHour*room + kappaPerHour*saturated) / (airChangesPerHour + kappaPerHour)
}

// DryDown returns how long the fall from one vapour density to another takes; ok is false where the floor is not below the end.
func DryDown(tau time.Duration, floor, from, to float64) (d time.Duration, ok bool) {
	if to >= from {
		return 0, true
	}
	if to <= floor {
		return 0, false
	}
	return time.Duration(float64(tau) * math.Log((from-floor)/(to-floor))), true
}

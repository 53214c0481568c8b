// Package sim is the physics of an invented breeding room: weather, a room with an air conditioner that may fail, tubs
// of water and planted vivaria that follow the room with their own lag, mistings, and sensors with noise and steps. It
// serves the demo and the tests; every number in it is invented, chosen to be plausible.
//
// The models are the usual lumped ones: each body relaxes towards its surroundings at a rate of its own, and the vapour
// in an enclosure obeys V·dρ/dt = E − n·V·(ρ − ρ_room), well mixed.
package sim

import (
	"math"
	"time"

	"dewline/internal/moistair"
	"dewline/internal/quantity"
	"dewline/internal/stage"
)

// Options describe a room and what is in it.
type Options struct {
	Start   time.Time
	Weather Weather
	Light   stage.Light
	Room    string
	// Conditioner holds the room at Setpoint within its power, except while it has failed.
	Setpoint float64
	Failures []Span
	Tubs     []Tub
	Vivaria  []Vivarium
}

// Span is a stretch of time.
type Span struct{ From, To time.Time }

func (s Span) holds(t time.Time) bool { return !t.Before(s.From) && t.Before(s.To) }

// Tub is an open tub of water.
type Tub struct {
	Place string
	// Lag is the time in which 63 % of a difference to the room has gone.
	Lag time.Duration
	// Sun is how much warmer than the room the tub strives to be at noon of a sunny day, in kelvin.
	Sun float64
}

// Vivarium is a planted enclosure.
type Vivarium struct {
	Place string
	// Lamp is how much warmer than the room the enclosure strives to be while the light is on, in kelvin.
	Lamp float64
	// AirChanges per hour with the room.
	AirChanges float64
	// Mistings are the times of day, minutes after local midnight.
	Mistings []int
	// Stuck is when the mister does not come on.
	Stuck []Span
}

const (
	step = 10 * time.Second

	roomLag     = 5.0 // hours to follow the outside
	roomSun     = 9.0 // kelvin above the outside that the sun on the roof would drive the room to
	coolingPeak = 14.0
	vivariumLag = 0.4 // hours
	evaporation = 1.2 // kelvin that open water stays below the room
	misting     = 0.3 // clinging water that one misting leaves, in units of the vapour that saturates the enclosure
	dampSoil    = 0.9 // evaporation from soil and leaves, kg/m³ per hour for each unit of saturation deficit
)

// Loft is the state of the room. It is used by one goroutine at a time.
type Loft struct {
	options   Options
	now       time.Time
	room      float64 // °C
	vapour    float64 // of the room, kg/m³
	water     []float64
	enclosure []air
}

// air is the state of an enclosure.
type air struct {
	celsius float64
	vapour  float64 // kg/m³
	film    float64 // clinging water, in units of the vapour that saturates the enclosure
}

// New makes a loft that has been left to itself for two days before its start, so that nothing starts from nowhere.
func New(o Options) *Loft {
	l := &Loft{options: o, now: o.Start.Add(-48 * time.Hour), room: o.Setpoint}
	l.vapour = moistair.AbsoluteHumidity(l.room, 50)
	for range o.Tubs {
		l.water = append(l.water, o.Setpoint-evaporation)
	}
	for range o.Vivaria {
		l.enclosure = append(l.enclosure, air{celsius: o.Setpoint, vapour: moistair.AbsoluteHumidity(o.Setpoint, 85)})
	}
	l.Advance(o.Start)
	return l
}

// Advance lets time pass up to t. Going back is ignored.
func (l *Loft) Advance(t time.Time) {
	for l.now.Add(step).Compare(t) <= 0 {
		l.now = l.now.Add(step)
		l.stepOnce()
	}
}

// Now returns the time the loft has reached.
func (l *Loft) Now() time.Time { return l.now }

func (l *Loft) stepOnce() {
	o, hours := &l.options, step.Hours()
	outside := o.Weather.Temperature(l.now)
	sun := l.sun()
	drive := (outside + roomSun*sun - l.room) / roomLag
	if !l.failed() {
		// The conditioner heats and cools in proportion to the error, within its power.
		drive += min(max((o.Setpoint-l.room)*8, -coolingPeak), coolingPeak)
	}
	l.room += drive * hours
	outsideVapour := moistair.AbsoluteHumidity(o.Weather.DewPoint(l.now), 100)
	l.vapour += (outsideVapour - l.vapour) * 0.5 * hours
	l.vapour = min(l.vapour, moistair.AbsoluteHumidity(l.room, 98))
	for i := range o.Tubs {
		tub := &o.Tubs[i]
		l.water[i] += (l.room - evaporation + tub.Sun*sun - l.water[i]) * hours / tub.Lag.Hours()
	}
	for i := range o.Vivaria {
		l.stepVivarium(&o.Vivaria[i], &l.enclosure[i], hours)
	}
}

func (l *Loft) stepVivarium(v *Vivarium, a *air, hours float64) {
	target := l.room
	if l.options.Light.IsDay(l.now) {
		target += v.Lamp
	}
	a.celsius += (target - a.celsius) * hours / vivariumLag
	if l.mistsNow(v) {
		a.film = misting
	}
	saturated := moistair.AbsoluteHumidity(a.celsius, 100)
	deficit := max(0, 1-a.vapour/saturated)
	evaporates := dampSoil * deficit * saturated
	if a.film > 0 {
		wet := 6 * deficit * saturated
		evaporates += wet
		a.film = max(0, a.film-wet/saturated*hours)
	}
	a.vapour += (evaporates - v.AirChanges*(a.vapour-l.vapour)) * hours
	a.vapour = min(a.vapour, saturated)
}

func (l *Loft) failed() bool {
	for _, s := range l.options.Failures {
		if s.holds(l.now) {
			return true
		}
	}
	return false
}

// sun is 0 by night and 1 at noon.
func (l *Loft) sun() float64 {
	local := l.now.In(l.options.Weather.Location)
	hour := float64(local.Hour()) + float64(local.Minute())/60
	return max(0, math.Sin(math.Pi*(hour-6.5)/14))
}

func (l *Loft) mistsNow(v *Vivarium) bool {
	for _, s := range v.Stuck {
		if s.holds(l.now) {
			return false
		}
	}
	local := l.now.In(l.options.Weather.Location)
	minute := local.Hour()*60 + local.Minute()
	for _, m := range v.Mistings {
		if minute == m && local.Second() < int(step.Seconds()) {
			return true
		}
	}
	return false
}

// Value returns the true value of a measured quantity at a place, in its canonical unit; NaN where there is no such.
func (l *Loft) Value(p quantity.Point) float64 {
	if p.Place == l.options.Room {
		switch p.Quantity {
		case quantity.AirTemperature:
			return l.room
		case quantity.RelativeHumidity:
			return relative(l.room, l.vapour)
		case quantity.Pressure:
			return 101_000 + 600*math.Sin(float64(l.now.Unix())/200_000)
		}
	}
	for i, tub := range l.options.Tubs {
		if tub.Place == p.Place && p.Quantity == quantity.WaterTemperature {
			return l.water[i]
		}
	}
	for i, v := range l.options.Vivaria {
		if v.Place != p.Place {
			continue
		}
		switch p.Quantity {
		case quantity.AirTemperature:
			return l.enclosure[i].celsius
		case quantity.RelativeHumidity:
			return relative(l.enclosure[i].celsius, l.enclosure[i].vapour)
		case quantity.SurfaceTemperature: // glass stands between the inside and the room
			return (l.enclosure[i].celsius + l.room) / 2
		}
	}
	return math.NaN()
}

func relative(celsius, kgPerM3 float64) float64 {
	return min(100, moistair.RelativeHumidity(celsius, moistair.VapourPressureOfDensity(celsius, kgPerM3)))
}

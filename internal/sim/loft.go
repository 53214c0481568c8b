// Package sim is the physics of an invented breeding room: weather, a room with an air conditioner that may fail, tubs
// of water and planted vivaria that follow the room with their own lag, mistings, and sensors with noise and steps. It
// serves the demo and the tests; every number in it is invented, chosen to be plausible.
//
// The models are the usual lumped ones: each body relaxes towards its surroundings at a rate of its own, and the vapour
// in an enclosure obeys V·dρ/dt = E − n·V·(ρ − ρ_room), well mixed.
package sim

import (
	"cmp"
	"math"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/psychro"
	"dewline/internal/core/quantity"
)

// Options describe a room and what is in it.
type Options struct {
	Start   time.Time
	Weather Weather
	Light   care.Light
	Room    string
	// Conditioner holds the room at Setpoint within its power, except while it has failed.
	Setpoint float64
	Failures []Span
	Tubs     []Tub
	Vivaria  []Vivarium

	// Step is how finely time passes; 0 means ten seconds. A minute is fine enough for everything but a misting's first moments.
	Step time.Duration
	// Night is the setpoint while the conditioner's clock says night; nil for the same one around the clock.
	Night *Night
	// CoolingFailures and HeatingFailures are when the conditioner does the one and not the other.
	CoolingFailures, HeatingFailures []Span
	// Doors is when a door to the outside is open.
	Doors []Span
	// Dark is when the mains are away: nothing heats, cools, shines, mists or makes fog.
	Dark []Span
	// Air is the time in which the air of the room follows its walls; 0 for a room in which both are one body. Air of its own moves
	// by 2 to 3 K within a quarter of an hour when the conditioner stops or a door opens, as that of real rooms does.
	Air time.Duration
	// Hysteresis is how far, in kelvin, the air strays from the setpoint before the conditioner comes on, at full power until the
	// setpoint is reached; 0 for one whose power follows the error.
	Hysteresis float64
}

// Night is the night of the conditioner's own clock: local minutes after midnight, From in the evening, To in the morning.
type Night struct {
	Setpoint float64
	From, To int
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
	// Heater is the setpoint of the tub's own heater in °C; 0 for none. HeaterDead is when it stays cold, HeaterStuck when it
	// stays on.
	Heater                  float64
	HeaterDead, HeaterStuck []Span
	// Changes are the water changes, oldest first.
	Changes []WaterChange
}

// WaterChange is the exchange of a share of a tub's water, from 0 to 1, for water of another temperature in °C.
type WaterChange struct {
	At             time.Time
	Share, Celsius float64
}

// Vivarium is a planted enclosure.
type Vivarium struct {
	Place string
	// Lamp is how much warmer than the room the enclosure strives to be while the light is on, in kelvin.
	Lamp float64
	// Lag is the time in which 63 % of a difference to the room has gone; 0 means 24 minutes.
	Lag time.Duration
	// Open is when its lid has been left open; Opened are the times of day, minutes after local midnight, at which it is open for three
	// minutes.
	Open   []Span
	Opened []int
	// AirChanges per hour with the room.
	AirChanges float64
	// Mistings are the times of day, minutes after local midnight.
	Mistings []int
	// Earlier are those until Changed, where the schedule was changed.
	Earlier []int
	Changed time.Time
	// Stuck is when the mister does not come on.
	Stuck []Span
	// Dose is the clinging water that one misting leaves, in units of the vapour that saturates the enclosure; 0 means 0.3.
	Dose float64
	// Running is when the mister does not stop.
	Running []Span
	// FogDay and FogNight are the relative humidities in % below which a fogger runs; 0 for none. It shares the mister's
	// reservoir, so that Stuck stops it too.
	FogDay, FogNight float64
}

const (
	usualStep = 10 * time.Second

	roomLag     = 5.0 // hours to follow the outside
	roomSun     = 9.0 // kelvin above the outside that the sun on the roof would drive the room to
	coolingPeak = 14.0
	vivariumLag = 0.4 // hours
	evaporation = 1.2 // kelvin that open water stays below the room
	misting     = 0.3 // clinging water that one misting leaves, in units of the vapour that saturates the enclosure
	doorway     = 1.0 // air changes per hour through an open door
	heaterPower = 4.0 // kelvin above its surroundings to which a tub's heater can drive it
	fogPower    = 2.0 // evaporation of a fogger at full power, per hour, in units of the vapour that saturates the enclosure
	dampSoil    = 0.9 // evaporation from soil and leaves, kg/m³ per hour for each unit of saturation deficit

	// Of a room whose air is apart from its walls.
	airShare   = 0.15 // heat capacity of the air and of what is light in the room, as a share of that of the walls
	airLeak    = 0.2  // air changes per hour with the outside
	airDoorway = 4.0  // the same through an open door
	airSun     = 5.0  // kelvin per hour that the sun at noon adds through the windows
	airPower   = 30.0 // kelvin per hour by which the conditioner heats or cools the air

	lidMinutes  = 3    // for which a lid is open when it is opened
	openLid     = 12.0 // air changes per hour of an enclosure whose lid is open
	openLidHeat = 1.5  // share of its difference to the room that it loses per hour because of that
)

// Loft is the state of the room. It is used by one goroutine at a time.
type Loft struct {
	options   Options
	step      time.Duration
	now       time.Time
	room      float64 // °C, of its air
	walls     float64 // °C
	runs      float64 // what a conditioner with hysteresis does: 1 heats, −1 cools, 0 rests
	changed   []int   // of each tub: how many of its water changes are done
	vapour    float64 // of the room, kg/m³
	water     []float64
	enclosure []air

	moods    moodsOf
	lit      bool
	dark     bool      // the mains are away
	switches time.Time // when the light may change next
}

// air is the state of an enclosure.
type air struct {
	celsius float64
	vapour  float64 // kg/m³
	film    float64 // clinging water, in units of the vapour that saturates the enclosure
}

// New makes a loft that has been simulated for two days before its start, so that its values do not begin with a transient.
func New(o Options) *Loft {
	l := &Loft{options: o, step: cmp.Or(o.Step, usualStep), now: o.Start.Add(-48 * time.Hour), room: o.Setpoint, walls: o.Setpoint}
	l.vapour = psychro.AbsoluteHumidity(l.room, 50)
	l.changed = make([]int, len(o.Tubs))
	for range o.Tubs {
		l.water = append(l.water, o.Setpoint-evaporation)
	}
	for range o.Vivaria {
		l.enclosure = append(l.enclosure, air{celsius: o.Setpoint, vapour: psychro.AbsoluteHumidity(o.Setpoint, 85)})
	}
	l.Advance(o.Start)
	return l
}

// Advance lets time pass up to t. Going back is ignored.
func (l *Loft) Advance(t time.Time) {
	for l.now.Add(l.step).Compare(t) <= 0 {
		l.now = l.now.Add(l.step)
		l.stepOnce()
	}
}

// Now returns the time the loft has reached.
func (l *Loft) Now() time.Time { return l.now }

func (l *Loft) stepOnce() {
	o, hours := &l.options, l.step.Hours()
	m := o.Weather.moment(l.now, &l.moods)
	outside := o.Weather.temperature(m)
	outsideVapour := psychro.AbsoluteHumidity(o.Weather.dewPoint(m), 100)
	minute := m.minuteOfDay()
	sun := sun(minute)
	l.dark = l.during(o.Dark)
	exchange := 0.5
	if l.during(o.Doors) {
		exchange += doorway
	}
	if o.Air > 0 {
		l.stepAir(outside, sun, minute, hours)
	} else {
		drive := (outside + roomSun*sun - l.room) / roomLag
		drive += l.conditioner(minute)
		if l.during(o.Doors) {
			drive += (outside - l.room) * doorway
		}
		l.room += drive * hours
	}
	l.vapour += (outsideVapour - l.vapour) * exchange * hours
	l.vapour = min(l.vapour, psychro.AbsoluteHumidity(l.room, 98))
	for i := range o.Tubs {
		l.stepTub(i, sun, hours)
	}
	if !l.now.Before(l.switches) {
		l.lit, l.switches = o.Light.IsDay(l.now), o.Light.NextSwitch(l.now)
	}
	for i := range o.Vivaria {
		l.stepVivarium(&o.Vivaria[i], &l.enclosure[i], &m, hours)
	}
}

// stepAir moves the air of the room and its walls. The sun falls on the roof, and so on the walls, and
// through the windows.
func (l *Loft) stepAir(outside, sun float64, minute int, hours float64) {
	o := &l.options
	follows := (l.walls - l.room) / o.Air.Hours()
	leak := airLeak
	if l.during(o.Doors) {
		leak += airDoorway
	}
	l.walls += ((outside+roomSun*sun-l.walls)/roomLag - follows*airShare) * hours
	l.room += (follows + (outside-l.room)*leak + airSun*sun + l.conditioner(minute)) * hours
}

// conditioner returns what the conditioner does, in kelvin per hour: it heats and cools in proportion to the error, within
// its power.
func (l *Loft) conditioner(minute int) float64 {
	o := &l.options
	if l.dark || l.during(o.Failures) {
		l.runs = 0
		return 0
	}
	setpoint := o.Setpoint
	if n := o.Night; n != nil && (minute >= n.From || minute < n.To) {
		setpoint = n.Setpoint
	}
	power := min(max((setpoint-l.room)*8, -coolingPeak), coolingPeak)
	if o.Hysteresis > 0 {
		power = l.cycle(setpoint-l.room) * airPower
	}
	if power < 0 && l.during(o.CoolingFailures) || power > 0 && l.during(o.HeatingFailures) {
		return 0
	}
	return power
}

// cycle switches a conditioner with hysteresis by what the air lacks to the setpoint, in kelvin.
func (l *Loft) cycle(lacking float64) float64 {
	switch h := l.options.Hysteresis; {
	case lacking > h:
		l.runs = 1
	case lacking < -h:
		l.runs = -1
	case l.runs*lacking <= 0:
		l.runs = 0
	}
	return l.runs
}

func (l *Loft) stepTub(i int, sun, hours float64) {
	tub := &l.options.Tubs[i]
	for ; l.changed[i] < len(tub.Changes) && !l.now.Before(tub.Changes[l.changed[i]].At); l.changed[i]++ {
		fresh := &tub.Changes[l.changed[i]]
		l.water[i] += (fresh.Celsius - l.water[i]) * fresh.Share
	}
	target := l.room - evaporation + tub.Sun*sun
	if tub.Heater > 0 {
		help := min(max((tub.Heater-l.water[i])*heaterPower, 0), heaterPower)
		if l.during(tub.HeaterDead) {
			help = 0
		}
		if l.during(tub.HeaterStuck) {
			help = heaterPower
		}
		if l.dark {
			help = 0
		}
		target += help
	}
	l.water[i] += (target - l.water[i]) * hours / tub.Lag.Hours()
}

func (l *Loft) stepVivarium(v *Vivarium, a *air, m *moment, hours float64) {
	target, fog := l.room, v.FogNight
	if l.lit {
		fog = v.FogDay
		if !l.dark {
			target += v.Lamp
		}
	}
	rate, airChanges := 1/vivariumLag, v.AirChanges
	if v.Lag > 0 {
		rate = 1 / v.Lag.Hours()
	}
	a.celsius += (target - a.celsius) * hours * rate
	if l.during(v.Open) || slices.ContainsFunc(v.Opened, func(at int) bool { return m.minuteOfDay() >= at && m.minuteOfDay() < at+lidMinutes }) {
		a.celsius += (l.room - a.celsius) * hours * openLidHeat
		airChanges += openLid
	}
	if l.mistsNow(v, m) {
		a.film = cmp.Or(v.Dose, misting)
	}
	saturated := psychro.AbsoluteHumidity(a.celsius, 100)
	deficit := max(0, 1-a.vapour/saturated)
	evaporates := dampSoil * deficit * saturated
	if a.film > 0 {
		wet := 6 * deficit * saturated
		evaporates += wet
		a.film = max(0, a.film-wet/saturated*hours)
	}
	if fog > 0 && !l.dark && !l.during(v.Stuck) {
		evaporates += fogPower * saturated * min(max(fog/100-a.vapour/saturated, 0)*20, 1)
	}
	a.vapour += (evaporates - airChanges*(a.vapour-l.vapour)) * hours
	a.vapour = min(a.vapour, saturated)
}

// during reports whether one of the spans holds now.
func (l *Loft) during(spans []Span) bool { return stuckAt(spans, l.now) }

// sun is 0 by night and 1 at noon.
func sun(minuteOfDay int) float64 {
	return max(0, math.Sin(math.Pi*(float64(minuteOfDay)/60-6.5)/14))
}

func (l *Loft) mistsNow(v *Vivarium, now *moment) bool {
	if l.dark {
		return false
	}
	if l.during(v.Running) {
		return true
	}
	times := v.mistings(l.now)
	if len(times) == 0 || now.second >= int(min(l.step, time.Minute).Seconds()) || l.during(v.Stuck) {
		return false
	}
	return slices.Contains(times, now.minuteOfDay())
}

// Value returns the true value of a measured quantity at a place, in its canonical unit; NaN where there is no such.
func (l *Loft) Value(p quantity.Point) float64 { return l.Gauge(p)() }

// Gauge returns a function with the result of [Loft.Value] for a point, which is faster for repeated reads.
func (l *Loft) Gauge(p quantity.Point) func() float64 {
	if p.Place == l.options.Room {
		switch p.Quantity {
		case quantity.AirTemperature:
			return func() float64 { return l.room }
		case quantity.RelativeHumidity:
			return func() float64 { return relative(l.room, l.vapour) }
		case quantity.Pressure:
			return func() float64 { return 101_000 + 600*math.Sin(float64(l.now.Unix())/200_000) }
		}
	}
	for i := range l.options.Tubs {
		if l.options.Tubs[i].Place == p.Place && p.Quantity == quantity.WaterTemperature {
			return func() float64 { return l.water[i] }
		}
	}
	for i := range l.options.Vivaria {
		if l.options.Vivaria[i].Place != p.Place {
			continue
		}
		a := &l.enclosure[i]
		switch p.Quantity {
		case quantity.AirTemperature:
			return func() float64 { return a.celsius }
		case quantity.RelativeHumidity:
			return func() float64 { return relative(a.celsius, a.vapour) }
		case quantity.SurfaceTemperature: // glass is between the inside and the room
			return func() float64 { return (a.celsius + l.room) / 2 }
		}
	}
	return math.NaN
}

func relative(celsius, kgPerM3 float64) float64 {
	return min(100, psychro.RelativeHumidity(celsius, psychro.VapourPressureOfDensity(celsius, kgPerM3)))
}

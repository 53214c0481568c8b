package trial

import (
	"math"
	"math/rand/v2"
	"time"

	"dewline/internal/core/psychro"
	"dewline/internal/core/quantity"
	"dewline/internal/sim"
)

// A room-year goes in steps of a minute: physics, truth, readings and people.
const (
	stepTime     = time.Minute
	stepsPerYear = 365 * 24 * 60
)

var (
	tubs    = []string{"tub-1", "tub-2", "tub-3", "tub-4"}
	vivaria = []string{"grow-out", "vivarium-1", "vivarium-2"}
)

// roomAir is the point of the room's own air.
var roomAir = quantity.Point{Place: "loft", Quantity: quantity.AirTemperature}

// world is the true state of things, minute by minute. It knows nothing of who watches it.
type world interface {
	// advance goes on to a step and fills in the true values of all points.
	advance(step int, values []float64)
}

// room is the simulated loft.
type room struct {
	loft   *sim.Loft
	start  time.Time
	points []pointOf
	gauges []func() float64        // of each point of the loft, nil for a derived one
	spans  map[string][][]sim.Span // by place: what goes wrong there, so that a person may end it
}

// newRoom makes a loft with a year's weather and faults. A keeper with sense runs it: the conditioner follows day and
// night, tubs have heaters, vivaria have foggers, and without faults nothing strays for long.
func newRoom(s *setting, start time.Time, source *rand.Rand, m *misdeeds, w World) *room {
	r := &room{start: start, points: s.points, gauges: make([]func() float64, len(s.points)), spans: map[string][][]sim.Span{}}
	moment := func(step int) time.Time { return start.Add(time.Duration(step) * stepTime) }
	at := func(place string, spans []span) (list []sim.Span) {
		for _, s := range spans {
			list = append(list, sim.Span{From: moment(s.from), To: moment(s.to)})
		}
		r.spans[place] = append(r.spans[place], list)
		return list
	}
	kind := worlds[w]
	o := sim.Options{
		Start: start, Step: stepTime, Light: s.watch.Light, Room: "loft",
		Weather: sim.Weather{Seed: source.Uint64(), Location: start.Location(), Mean: 15.5, Season: 5.5, Day: kind.day},
		// A little before the light, so that the band of the day finds the air of the day.
		Setpoint: 23.5, Night: &sim.Night{Setpoint: 20.8, From: 18*60 + 30, To: 6*60 + 30},
		CoolingFailures: at("loft", m.cooling), HeatingFailures: at("loft", m.heating), Failures: at("loft", m.tripped),
		Doors: at("loft", m.doors), Dark: at("mains", m.dark), Air: kind.air, Hysteresis: 0.5,
	}
	for range kind.spells { // hot and cold spells, invented like all the weather
		from := start.Add(time.Duration(source.IntN(stepsPerYear)) * stepTime)
		kelvin := 3 + 4*source.Float64()
		if m := from.Month(); m < time.May || m > time.October {
			kelvin = -kelvin
		}
		o.Weather.Spells = append(o.Weather.Spells, sim.Spell{From: from, To: from.Add(time.Duration(2+4*source.Float64()) * 24 * time.Hour), Kelvin: kelvin})
	}
	for i, place := range tubs {
		tub := sim.Tub{Place: place, Lag: time.Duration(3+i) * time.Hour, Heater: 22.4, HeaterDead: at(place, m.heaterDead[place]), HeaterStuck: at(place, m.heaterStuck[place])}
		if i == 0 { // by the window
			tub.Lag, tub.Sun = 90*time.Minute, 0.8
		}
		for _, c := range m.changes[place] {
			tub.Changes = append(tub.Changes, sim.WaterChange{At: moment(c.at), Share: c.share, Celsius: c.celsius})
		}
		o.Tubs = append(o.Tubs, tub)
	}
	for _, place := range vivaria {
		v := sim.Vivarium{
			Place: place, Lamp: 1, AirChanges: 0.7, Mistings: []int{7*60 + 30, 12 * 60, 18*60 + 30}, Dose: 0.06,
			FogDay: 80, FogNight: 91, Stuck: at(place, m.dry[place]), Running: at(place, m.running[place]),
			Open: at(place, m.open[place]), Opened: []int{8*60 + 30}, // to feed
		}
		switch place {
		case "grow-out":
			v.Lamp, v.FogDay, v.FogNight = 0.5, 87, 89
		case "vivarium-2": // larger and airier, with a weaker lamp
			v.Lamp, v.Lag, v.AirChanges, v.Dose = 0.6, 50*time.Minute, 1.1, 0.1
		}
		o.Vivaria = append(o.Vivaria, v)
	}
	r.loft = sim.New(o)
	for i := range s.points {
		if p := &s.points[i]; p.inputs[0] < 0 {
			r.gauges[i] = r.loft.Gauge(p.name)
		}
	}
	return r
}

// cure ends what goes wrong at a place.
func (r *room) cure(place string, now time.Time) {
	for _, list := range r.spans[place] {
		for i := range list {
			if !now.Before(list[i].From) && now.Before(list[i].To) {
				list[i].To = now
			}
		}
	}
}

func (r *room) advance(step int, values []float64) {
	r.loft.Advance(r.start.Add(time.Duration(step) * stepTime))
	for i, gauge := range r.gauges {
		if gauge != nil {
			values[i] = gauge()
			continue
		}
		inputs := r.points[i].inputs // they come before it
		values[i] = psychro.VapourPressureDeficit(values[inputs[0]], values[inputs[1]])
	}
}

// accuracyOf returns the expanded uncertainty (k = 2) with which a point can be known.
func (s *setting) accuracyOf(point int, values []float64) float64 {
	p := &s.points[point]
	if p.name.Quantity != quantity.VapourPressureDeficit {
		return p.accuracy
	}
	a, b := p.inputs[0], p.inputs[1]
	u := psychro.VapourPressureDeficitUncertainty(values[a], values[b], s.points[a].accuracy, s.points[b].accuracy)
	if math.IsNaN(u) {
		return 0
	}
	return u
}

package trial

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"dewline/sensors"
)

// Fault is a kind of fault that the world can have.
type Fault string

// The kinds of faults. Their rates and lengths stand in drawFaults, and all of them are invented.
const (
	Conditioner Fault = "conditioner" // cooling fails in the warm half of the year
	Heating     Fault = "heating"     // heating fails in the cold half
	Door        Fault = "door"        // a door to the outside is left open
	Mister      Fault = "mister"      // a mister does not stop
	Dry         Fault = "dry"         // mister and fogger run dry over a weekend
	TubHeater   Fault = "tub-heater"  // the heater of a tub stays cold, or stays on
	Dropout     Fault = "dropout"     // a sensor does not answer
	Checksum    Fault = "checksum"    // most reads of a sensor come with a wrong checksum
	PowerOn     Fault = "power-on"    // a 1-Wire probe says 85 °C after a start or a brown-out
	Stuck       Fault = "stuck"       // a sensor repeats itself
	Saturation  Fault = "saturation"  // a film of water keeps a humidity sensor at 100 %
	Drift       Fault = "drift"       // a sensor strays slowly
	Power       Fault = "power"       // the board has no power; afterwards its clock is behind until it is set
	Clock       Fault = "clock"       // the clock is set wrongly for a while
	Lid         Fault = "lid"         // the lid of an enclosure is left open
	WaterChange Fault = "water"       // much water is changed for some of another temperature
	OutOfWater  Fault = "out"         // a probe is left out of the water
	Erratic     Fault = "erratic"     // a sensor raves: most of its values are anything
	Spike       Fault = "spike"       // one value is anything
	Uplink      Fault = "uplink"      // the way to the outside is away
	Loss        Fault = "loss"        // a message is lost on its way, and its sender does not know
	PhoneOff    Fault = "phone-off"   // the keeper's phone is off
)

// AllFaults lists the kinds of faults.
func AllFaults() []Fault {
	return []Fault{Conditioner, Heating, Door, Mister, Dry, TubHeater, Dropout, Checksum, PowerOn, Stuck, Saturation, Drift, Power, Clock,
		Lid, WaterChange, OutOfWater, Erratic, Spike, Uplink, Loss, PhoneOff}
}

// ParseFaults reads "all", "none", or a list separated by commas.
func ParseFaults(text string) ([]Fault, error) {
	switch text {
	case "all":
		return AllFaults(), nil
	case "none":
		return nil, nil
	}
	var list []Fault
	for name := range strings.SplitSeq(text, ",") {
		f := Fault(strings.TrimSpace(name))
		if !slices.Contains(AllFaults(), f) {
			return nil, fmt.Errorf("there is no fault %q (all, none, or some of %s)", f, strings.Trim(fmt.Sprint(AllFaults()), "[]"))
		}
		if !slices.Contains(list, f) {
			list = append(list, f)
		}
	}
	return list, nil
}

// World is a kind of room.
type World string

// The worlds.
const (
	Standard World = "standard"
	Harsh    World = "harsh"
)

// worlds says how they differ; all numbers are invented.
var worlds = map[World]struct {
	rush   float64       // how many times more frequent faults are
	noise  float64       // of sensors, times the usual
	loss   float64       // share of messages that are lost on their way
	spells int           // hot and cold ones in a year
	day    float64       // half the difference between afternoon and dawn, in kelvin
	air    time.Duration // in which the room's air follows its walls
}{
	Standard: {rush: 1, noise: 1, loss: 0.01, spells: 6, day: 5, air: 15 * time.Minute},
	Harsh:    {rush: 2, noise: 2, loss: 0.05, spells: 12, day: 6.5, air: 10 * time.Minute},
}

// span is a stretch of a room-year in steps: from the first one to the one after the last.
type span struct{ from, to int }

func (s span) holds(step int) bool { return step >= s.from && step < s.to }

func anyHolds(spans []span, step int) bool {
	for _, s := range spans {
		if s.holds(step) {
			return true
		}
	}
	return false
}

// drift is how far a channel strays: it begins at a step and adds so much in a year.
type drift struct {
	from    int
	perYear float64
}

// misdeeds is what befalls a room in a year.
type misdeeds struct {
	cooling, heating, doors []span
	running, dry            map[string][]span        // by vivarium
	heaterDead, heaterStuck map[string][]span        // by tub
	open                    map[string][]span        // by vivarium: its lid has been left open
	changes                 map[string][]waterChange // by tub, oldest first
	sensors                 []sensorFaults           // in the order of the parts
	cuts                    []cut                    // of the board's power
	dark                    []span                   // the mains are away
	tripped                 []span                   // the conditioner has stayed off after that
	clock                   []clockStep
	uplink, phoneOff        []span
	loss                    float64 // share of messages that are lost on their way
}

// waterChange exchanges a share of a tub's water for water of a temperature.
type waterChange struct {
	at             int
	share, celsius float64
}

// sensorFaults is what befalls a sensor.
type sensorFaults struct {
	dropout, checksum, stuck, film, brownOut []span
	out, erratic                             []span
	spikes                                   float64 // share of values that are spikes
	noise                                    float64 // times the usual; 0 means once
	storm                                    float64 // share of reads that fail in a checksum storm
	weak                                     bool    // its first read after each start is the power-on value
	drift                                    []drift // by channel
}

// cut is a power cut. Behind is how far the clock has fallen behind the time of the cut when the board starts again, and synced
// how many steps after that it is set right.
type cut struct {
	span
	behind time.Duration
	synced int
}

// clockStep sets the wall clock of a running board by some time, as far as it is on.
type clockStep struct {
	at int
	by time.Duration
}

// dice are random draws on the steps of a year.
type dice struct {
	*rand.Rand
	start time.Time
	steps int
}

// minutes draws a length from a log-uniform distribution: short ones are more frequent than long ones.
func (d dice) minutes(low, high float64) int {
	return int(math.Round(low * math.Pow(high/low, d.Float64())))
}

// count draws from a Poisson distribution (by Knuth's product of uniform numbers).
func (d dice) count(mean float64) int {
	n, limit := 0, math.Exp(-mean)
	for p := d.Float64(); p > limit; p *= d.Float64() {
		n++
	}
	return n
}

// spans draws stretches at a yearly rate, log-uniform in length.
func (d dice) spans(perYear, low, high float64) (list []span) {
	for range d.count(perYear) {
		from := d.IntN(d.steps)
		list = append(list, span{from, min(from+d.minutes(low, high), d.steps)})
	}
	return list
}

// within draws stretches that begin in some months of the year and hours of the day.
func (d dice) within(perYear, low, high float64, months, hours [2]int) (list []span) {
	for range d.count(perYear) {
		for range 10_000 {
			from := d.IntN(d.steps)
			at := d.start.Add(time.Duration(from) * stepTime).In(d.start.Location())
			month := int(at.Month())
			inside := month >= months[0] && month <= months[1]
			if months[0] > months[1] {
				inside = month >= months[0] || month <= months[1]
			}
			if inside && at.Hour() >= hours[0] && at.Hour() < hours[1] {
				list = append(list, span{from, min(from+d.minutes(low, high), d.steps)})
				break
			}
		}
	}
	return list
}

var allDay = [2]int{0, 24}

// drawFaults draws the faults of a year. All rates are per year and invented, so that about twenty stays a year last longer than they may;
// lengths are in minutes.
// rush multiplies the rates.
func drawFaults(s *setting, source *rand.Rand, start time.Time, steps int, on []Fault, w World, rush float64) *misdeeds {
	has := func(f Fault) bool { return slices.Contains(on, f) }
	d := dice{source, start, steps}
	kind := worlds[w]
	year := float64(steps) / stepsPerYear * rush * kind.rush
	m := &misdeeds{
		running: map[string][]span{}, dry: map[string][]span{}, heaterDead: map[string][]span{}, heaterStuck: map[string][]span{},
		open: map[string][]span{}, changes: map[string][]waterChange{},
	}
	if has(Conditioner) {
		m.cooling = d.within(0.8*year, 30, 30*60, [2]int{5, 10}, [2]int{9, 18})
	}
	if has(Heating) {
		m.heating = d.within(0.8*year, 60, 30*60, [2]int{11, 3}, allDay)
	}
	if has(Door) {
		m.doors = d.spans(1*year, 5, 3*60)
	}
	for _, place := range vivaria {
		if has(Mister) {
			m.running[place] = d.spans(0.5*year, 30, 12*60)
		}
		if has(Dry) {
			m.dry[place] = d.spans(0.6*year, 12*60, 3*24*60)
		}
		if has(Lid) {
			m.open[place] = d.spans(0.4*year, 20, 12*60)
		}
	}
	for _, place := range tubs {
		if has(TubHeater) {
			m.heaterDead[place] = d.spans(0.4*year, 6*60, 4*24*60)
			m.heaterStuck[place] = d.spans(0.4*year, 3*60, 2*24*60)
		}
		m.changes[place] = d.waterChanges(0.5*year, has(WaterChange))
	}
	for i := range s.parts {
		f := d.sensor(&s.parts[i], year, has)
		f.noise = kind.noise
		m.sensors = append(m.sensors, f)
	}
	if has(Power) {
		m.cuts, m.dark, m.tripped = d.power(2 * year)
	}
	if has(Clock) {
		m.clock = d.clock(1*year, m.cuts)
	}
	if has(Uplink) {
		m.uplink = d.spans(1.5*year, 2, 8*60)
	}
	m.uplink = append(m.uplink, m.dark...) // the router has no power either
	if has(PhoneOff) {
		m.phoneOff = d.spans(6*year, 20, 10*60)
	}
	if has(Loss) {
		m.loss = kind.loss
	}
	return m
}

// waterChanges draws the water changes of a tub: a fifth of it once a week in the morning, for water that is about as warm as it
// should be; and, at a yearly rate, a careless one of up to two thirds for water that is not.
func (d dice) waterChanges(careless float64, has bool) (list []waterChange) {
	const day = 24 * 60
	for at := d.IntN(7)*day + 10*60; at < d.steps; at += 7 * day {
		list = append(list, waterChange{at + d.IntN(60), 0.2, 22.3 + 0.5*d.NormFloat64()})
	}
	for range d.count(careless) {
		celsius := 15 + 4*d.Float64()
		if d.Float64() < 0.3 {
			celsius = 27 + 4*d.Float64()
		}
		if c := (waterChange{d.IntN(d.steps), 0.3 + 0.35*d.Float64(), celsius}); has {
			list = append(list, c)
		}
	}
	slices.SortStableFunc(list, func(a, b waterChange) int { return a.at - b.at })
	return list
}

// sensor draws the faults of one sensor.
func (d dice) sensor(p *part, year float64, has func(Fault) bool) (f sensorFaults) {
	if has(Dropout) {
		f.dropout = d.spans(0.5*year, 5, 3*24*60)
	}
	if has(Checksum) {
		f.checksum, f.storm = d.spans(1*year, 5, 6*60), 0.4+0.6*d.Float64()
	}
	if has(PowerOn) && p.oneWire {
		f.brownOut, f.weak = d.spans(3*year, 1, 4), d.Float64() < 0.3
	}
	if has(OutOfWater) && p.oneWire {
		f.out = d.spans(0.3*year, 2*60, 2*24*60)
	}
	if has(Erratic) {
		f.erratic = d.spans(0.03*year, 60, 24*60)
	}
	if has(Spike) {
		f.spikes = 8 * year / float64(d.steps)
	}
	if has(Stuck) {
		f.stuck = d.spans(0.1*year, 60, 3*24*60)
	}
	for _, c := range p.channels {
		strays := drift{}
		humidity := c.Channel == sensors.Humidity
		if humidity && p.misted && has(Saturation) {
			f.film = d.spans(1.5*year, 10, 10*60)
		}
		if has(Drift) {
			strays.from = d.IntN(d.steps)
			switch {
			case humidity: // 0.25 % a year is the usual figure of data sheets (from memory), the rest is invented
				strays.perYear = 0.25
				if d.Float64() < 0.2 {
					strays.perYear = 1 + 4*d.Float64()
				}
			case d.Float64() < 0.15:
				strays.perYear = (0.02 + 0.08*d.Float64()) * 12
			}
			if d.Float64() < 0.5 {
				strays.perYear = -strays.perYear
			}
		}
		f.drift = append(f.drift, strays)
	}
	return f
}

// power draws power cuts that do not overlap. Most take the mains and the board, some the board alone, and some the mains while the
// board lives on its battery. In three of ten the conditioner stays off when the mains are back, until a person comes.
func (d dice) power(perYear float64) (list []cut, dark, tripped []span) {
	drawn := d.spans(perYear, 1, 10*60)
	slices.SortFunc(drawn, func(a, b span) int { return a.from - b.from })
	free := 60 // the board has been on for an hour before its first cut
	for _, s := range drawn {
		if s.to >= d.steps {
			continue
		}
		c := cut{span: s, behind: time.Duration(d.Float64() * float64(time.Hour)), synced: 1 + d.minutes(1, 10)}
		if d.Float64() < 0.2 { // the network is away for longer
			c.synced = d.minutes(30, 12*60)
		}
		if s.from < free {
			continue
		}
		free = c.to + c.synced + 60
		what, stays, until := d.Float64(), d.Float64() < 0.3, d.minutes(60, 36*60)
		if what < 0.85 {
			list = append(list, c)
		}
		if what < 0.6 || what >= 0.85 {
			dark = append(dark, c.span)
			if stays {
				tripped = append(tripped, span{c.to, min(c.to+until, d.steps)})
			}
		}
	}
	return list, dark, tripped
}

// clock draws steps of the clock and their correction, outside of power cuts.
func (d dice) clock(perYear float64, cuts []cut) (list []clockStep) {
	for _, s := range d.spans(perYear, 10, 6*60) {
		by := time.Duration(2*math.Pow(1800, d.Float64())) * time.Second // 2 s to an hour
		if d.Float64() < 0.5 {
			by = -by
		}
		busy := s.to >= d.steps || slices.ContainsFunc(cuts, func(c cut) bool {
			return s.from < c.to+c.synced+60 && s.to > c.from-60
		}) || slices.ContainsFunc(list, func(o clockStep) bool { return o.at >= s.from-1 && o.at <= s.to+1 })
		if !busy {
			list = append(list, clockStep{s.from, by}, clockStep{s.to, -by})
		}
	}
	slices.SortFunc(list, func(a, b clockStep) int { return a.at - b.at })
	return list
}

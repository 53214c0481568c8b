// Package planted is a planted enclosure whose physics is richer than the model that package misting fits, so that the fit can be
// scored against a truth it does not share. Every number in it is invented and drawn from a seed, chosen to be plausible.
//
// There are two nodes of air (canopy, where the sensor hangs, and ground), soil with a temperature and a surface wetness of its
// own, leaves with a film of water whose wet area shrinks as it dries, leaves that transpire by light, glass on which water
// condenses, runs off and dries, and moss and wood that take up vapour and give it back over hours. Ventilation varies with
// the light, with the warmth of the enclosure over its room and by chance; doors open. The sensors have lag, noise, steps,
// a bias, hysteresis after saturation, and times without an answer.
package planted

import (
	"math"
	"math/rand/v2"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/psychro"
)

// Misting is a burst: Dose is its length in units of the usual one.
type Misting struct {
	At   instant.Instant
	Dose float64
}

// Enclosure is one enclosure with its room and its sensors.
type Enclosure struct {
	Seed     uint64
	Start    instant.Instant // local midnight; the local clock is UTC
	LightOn  float64         // hours after midnight
	LightOff float64

	// Air.
	AirChanges, ByLight, ByWarmth, Restless float64 // per hour; relative changes; log standard deviation
	Mixing                                  float64 // per hour, between the two nodes of air
	Lamp, TemperatureLag                    float64 // K; hours

	// Water.
	Soil, Transpiration        float64 // per hour, at full wetness and in full light
	SoilLag, SoilDrying        float64 // hours
	SoilRoom                   float64 // part of the way from air to room to which the soil strives
	Leaf, Burst, LeafShare     float64 // leaf film: per hour when all wet; g/m³ left by a misting; share that the mist gives to the air at once
	Glass, GlassCold, GlassRun float64 // per hour; K below the air, as beside a window; g/m³ that the glass can hold
	Store, StoreLag            float64 // g/m³ per unit of relative humidity; hours
	Doors, Airings             float64 // a day: of the enclosure, and windows of the room
	Uneven                     float64 // log standard deviation of the water of single mistings

	// Room.
	RoomCelsius, RoomSwing, RoomDew, RoomDewSwing float64

	Sensor Instrument
}

// Sensor is what the sensors do to the truth.
type Instrument struct {
	Every                        time.Duration
	Lag                          float64 // seconds
	Noise, Step, Bias, RoomBias  float64 // %RH
	Hysteresis                   float64 // %RH after hours of saturation
	CelsiusBias, RoomCelsiusBias float64
	Gaps                         float64 // a week
}

// Draw draws an enclosure.
func Draw(seed uint64, start instant.Instant) *Enclosure {
	r := rand.New(rand.NewPCG(seed, 0x9147))
	between := func(low, high float64) float64 { return low + (high-low)*r.Float64() }
	scale := func(low, high float64) float64 { return low * math.Pow(high/low, r.Float64()) }
	e := &Enclosure{
		Seed: seed, Start: start, LightOn: 7, LightOff: 19,
		AirChanges: scale(0.4, 3), ByLight: between(-0.15, 0.3), ByWarmth: between(0, 0.25), Restless: between(0.02, 0.12), Mixing: scale(8, 40),
		Lamp: between(0.3, 2.5), TemperatureLag: between(0.2, 0.6),
		Soil: scale(0.4, 2), Transpiration: between(0, 0.25), SoilLag: between(1, 5), SoilRoom: between(0.2, 0.7), SoilDrying: between(30, 200),
		Leaf: scale(4, 15), Burst: scale(3, 20), LeafShare: between(0.35, 0.98), Uneven: between(0, 0.25), Airings: between(0, 0.7),
		Glass: scale(0.5, 3), GlassCold: between(0.2, 1.5), GlassRun: between(2, 8),
		Store: scale(1, 8), StoreLag: scale(1, 6), Doors: between(0, 1.5),
		RoomCelsius: between(20.5, 23.5), RoomSwing: between(0.5, 2), RoomDew: between(6, 12), RoomDewSwing: between(0.5, 1.5),
	}
	e.Sensor = Instrument{
		Every: 30 * time.Second, Lag: scale(10, 150), Noise: between(0.1, 0.4), Step: 0.1,
		Bias: r.NormFloat64() * 0.8, RoomBias: r.NormFloat64() * 0.8, Hysteresis: between(0, 1),
		CelsiusBias: r.NormFloat64() * 0.1, RoomCelsiusBias: r.NormFloat64() * 0.1, Gaps: between(0, 2),
	}
	if r.Float64() < 0.3 {
		e.Sensor.Step = 1
	}
	return e
}

// Day is a misting's time of day in hours and its dose.
type Day struct{ Hour, Dose float64 }

// Mistings lays a day's plan over days.
func (e *Enclosure) Mistings(plan []Day, days int) []Misting {
	var all []Misting
	for d := range days {
		for _, m := range plan {
			at := e.Start.Add(time.Duration((float64(d)*24 + m.Hour) * float64(time.Hour)))
			all = append(all, Misting{at, m.Dose})
		}
	}
	return all
}

// Plan draws a plan with some mistings a day, at least two and a half hours apart.
func Plan(seed uint64, mistings int) []Day {
	r := rand.New(rand.NewPCG(seed, 0x71a2))
	for {
		var plan []Day
		hour := 6 + 2*r.Float64()
		for i := range mistings {
			dose := 1.0
			if mistings > 1 && r.Float64() < 0.3 {
				dose = 0.5 + r.Float64()
			}
			plan = append(plan, Day{math.Round(hour*12) / 12, math.Round(dose*4) / 4})
			if i < mistings-1 {
				hour += 2.5 + r.Float64()*(17.5/float64(mistings)-2.5)*1.2
			}
		}
		if plan[len(plan)-1].Hour <= 22 {
			return plan
		}
	}
}

// Reading is one answer of a sensor.
type Sample struct {
	At    instant.Instant
	Value float64
}

// Past is what came: what the sensors have shown, and the truth behind it.
type Past struct {
	Air, Humidity, RoomAir, RoomHumidity []Sample
	Doors                                []instant.Instant
	// Shown is the humidity each minute as the sensor's own lag and bias show it, without noise, steps and gaps: what the keeper's
	// graph is a noisy copy of.
	Shown []float64
	// AirChanges and Kappa are means over the whole time, doors left out: kappa is what soil and plants give per deficit.
	AirChanges, Kappa float64
}

const step = 15 * time.Second

// state is what the enclosure is at a time.
type state struct {
	celsius, soil, room, roomVapour, canopy, ground float64
	wet, film, glass, store                         float64
	restless, mood, dewMood, aired                  float64
	lagged, creep                                   float64
}

// Live lets the enclosure live for days under its mistings. Weather, doors and noise depend on the seed and on the time only, so
// that two schedules can be compared over the same weather.
func (e *Enclosure) Live(mistings []Misting, days int) *Past {
	weather, doors := rand.New(rand.NewPCG(e.Seed, 2)), rand.New(rand.NewPCG(e.Seed, 3))
	noise, gaps := rand.New(rand.NewPCG(e.Seed, 4)), rand.New(rand.NewPCG(e.Seed, 5))
	const warmUp = 2
	mist := map[int64]float64{}
	for _, m := range mistings {
		mist[int64(m.At.Sub(e.Start)/step)] += m.Dose
		if d := m.At.Sub(e.Start); d < 24*time.Hour { // the warm-up lives the first day
			mist[int64((d-24*time.Hour)/step)] += m.Dose
			mist[int64((d-48*time.Hour)/step)] += m.Dose
		}
	}
	s := state{celsius: e.RoomCelsius, soil: e.RoomCelsius, room: e.RoomCelsius, wet: 1, store: 0.85}
	s.canopy = grams(s.celsius, 80)
	s.ground = s.canopy
	past := &Past{}
	hours := step.Hours()
	perMinute := int64(time.Minute / step)
	doorUntil, silentUntil := int64(-1<<60), int64(-1<<60)
	var sumN, sumK, sumD, count float64
	for i := -int64(warmUp * 24 * time.Hour / step); i < int64(time.Duration(days)*24*time.Hour/step); i++ {
		hour := math.Mod(float64(i)*hours+240, 24)
		light := 1.0
		if hour < e.LightOn || hour >= e.LightOff {
			light = 0
		}
		if i%perMinute == 0 {
			minute := 1.0 / 60
			s.restless += -s.restless*minute/5 + math.Sqrt(2*minute/5)*weather.NormFloat64()
			s.mood += -s.mood*minute/30 + math.Sqrt(2*minute/30)*weather.NormFloat64()
			s.dewMood += -s.dewMood*minute/30 + math.Sqrt(2*minute/30)*weather.NormFloat64()
			s.room = e.RoomCelsius + e.RoomSwing*(-0.7*math.Cos((hour-3)*math.Pi/12)+0.4*s.mood)
			s.aired -= s.aired * minute / 0.7
			if chance := weather.Float64(); chance < e.Airings/1440 {
				s.aired = 0.2 * math.Copysign(1, weather.Float64()-0.6)
			}
			s.roomVapour = grams(e.RoomDew+e.RoomDewSwing*s.dewMood, 100) * (1 + s.aired)
		}
		if hour > 8 && hour < 21 && doors.Float64() < e.Doors*hours/13 {
			doorUntil = i + int64((1+3*doors.Float64())*60/step.Seconds())
			if i >= 0 {
				past.Doors = append(past.Doors, e.Start.Add(time.Duration(i)*step))
			}
		}
		open := i < doorUntil
		n := e.AirChanges * (1 + e.ByLight*(light-0.5) + e.ByWarmth*(math.Sqrt(max(0, s.celsius-s.room))-0.5)) * math.Exp(e.Restless*s.restless)
		exchange := n
		if open {
			exchange += 25
		}
		target := s.room + e.Lamp*light
		if open {
			target = s.room + e.Lamp*light*0.3
		}
		s.celsius += (target - s.celsius) * hours / e.TemperatureLag
		s.soil += (s.celsius + (s.room-s.celsius)*e.SoilRoom + 0.1 - s.soil) * hours / e.SoilLag
		saturated, overSoil := grams(s.celsius, 100), grams(s.soil, 100)
		glassCelsius := s.celsius - e.GlassCold - max(0, s.celsius-s.room)*0.3
		if dose := mist[i]; dose > 0 {
			dose *= math.Exp(e.Uneven * rand.New(rand.NewPCG(e.Seed+6, uint64(i))).NormFloat64())
			s.film += e.Burst * dose
			share := 1 - math.Pow(1-e.LeafShare, math.Sqrt(dose))
			s.canopy += share * max(0, saturated-s.canopy)
			s.ground += share * max(0, saturated-s.ground)
			s.wet = min(1, s.wet+0.15*dose)
		}
		fromSoil := e.Soil * s.wet * (overSoil - s.ground)
		fromPlants := e.Transpiration * light * max(0, saturated-s.canopy)
		area := math.Min(1, math.Pow(max(0, s.film)/(0.5*e.Burst), 0.6))
		fromFilm := min(e.Leaf*area*(saturated-s.canopy), s.film/hours)
		onGlass := e.Glass * (s.canopy - grams(glassCelsius, 100))
		if onGlass < 0 {
			onGlass = max(onGlass, -s.glass/hours)
		}
		fromStore := e.Store * (s.store - s.canopy/saturated) / e.StoreLag
		s.film -= fromFilm * hours
		s.glass = min(e.GlassRun, s.glass+onGlass*hours)
		s.store -= (s.store - s.canopy/saturated) * hours / e.StoreLag
		s.wet += (0.75 - s.wet) * hours / e.SoilDrying
		mixed := e.Mixing * (s.ground - s.canopy)
		// Each node is half of the air.
		s.canopy += (2*(fromPlants+fromFilm*0.7-onGlass+fromStore*0.5) + mixed - exchange*1.15*(s.canopy-s.roomVapour)) * hours
		s.ground += (2*(fromSoil+fromFilm*0.3+fromStore*0.5) - mixed - exchange*0.85*(s.ground-s.roomVapour)) * hours
		if over := s.canopy - saturated; over > 0 {
			s.canopy, s.film = saturated, s.film+over*0.5
		}
		s.ground = min(s.ground, saturated)
		humidity := 100 * s.canopy / saturated
		s.lagged += (humidity - s.lagged) * min(1, step.Seconds()/e.Sensor.Lag)
		s.creep += (max(0, humidity-85)/15 - s.creep) * hours / 2
		if i < 0 {
			continue
		}
		if !open {
			deficit := (saturated + overSoil) / 2
			sumN += n
			sumK += fromSoil + fromPlants
			sumD += deficit - (s.canopy+s.ground)/2
			count++
		}
		shown := min(100, s.lagged*(1+e.Sensor.Bias/100)+e.Sensor.Hysteresis*s.creep)
		if i%perMinute == 0 {
			past.Shown = append(past.Shown, shown)
		}
		if gaps.Float64() < e.Sensor.Gaps*hours/168 {
			silentUntil = i + int64(math.Exp(gaps.Float64()*3.5)*10*60/step.Seconds())
		}
		a, b, c, d := noise.NormFloat64(), noise.NormFloat64(), noise.NormFloat64(), noise.NormFloat64()
		if i%int64(e.Sensor.Every/step) != 0 {
			continue
		}
		at := e.Start.Add(time.Duration(i) * step)
		if i >= silentUntil {
			past.Humidity = append(past.Humidity, Sample{at, min(100, rounded(shown+e.Sensor.Noise*a, e.Sensor.Step))})
			past.Air = append(past.Air, Sample{at, rounded(s.celsius+e.Sensor.CelsiusBias+0.03*b, 0.01)})
		}
		room := 100 * s.roomVapour / grams(s.room, 100)
		past.RoomHumidity = append(past.RoomHumidity, Sample{at, min(100, rounded(room*(1+e.Sensor.RoomBias/60)+e.Sensor.Noise*c, e.Sensor.Step))})
		past.RoomAir = append(past.RoomAir, Sample{at, rounded(s.room+e.Sensor.RoomCelsiusBias+0.03*d, 0.01)})
	}
	past.AirChanges, past.Kappa = sumN/count, sumK/sumD
	return past
}

// grams returns the vapour density in g/m³.
func grams(celsius, percentRH float64) float64 {
	return 1000 * psychro.AbsoluteHumidity(celsius, percentRH)
}

func rounded(value, step float64) float64 { return math.Round(value/step) * step }

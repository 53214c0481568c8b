package misting

import (
	"math"
	"slices"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/misting/schedule"
	"dewline/internal/core/psychro"
)

// Sample is a usable reading.
type Sample struct {
	At    instant.Instant
	Value float64
}

// Misting, Schedule and Slot are those of package schedule.
type (
	Misting  = schedule.Misting
	Schedule = schedule.Schedule
	Slot     = schedule.Slot
)

// Recording is what is known of an enclosure over a time. Samples are in the order of their times, temperatures in °C and
// humidities in %RH.
type Recording struct {
	From, To              instant.Instant
	Air, Humidity         []Sample
	RoomAir, RoomHumidity []Sample      // of the room around it; empty where nothing measures it
	Surface               []Sample      // of the coldest surface, such as the glass; empty where nothing measures it
	Mistings              []Misting     // those that are on record, in the order of their times
	Schedule              Schedule      // what the mister is set to, where that is known
	StuckAfter            time.Duration // how long the air may stay saturated after a misting; 0 = [StuckAfter]
	Location              *time.Location
	// Day reports whether the lights are on; nil where there is no light.
	Day func(instant.Instant) bool
	// Limits returns the band of humidity in force, NaN where it has no such limit; nil for no band.
	Limits func(instant.Instant) (low, high float64)
}

const (
	minute = time.Minute
	// maxBridge is how long a silence of a temperature or of the room is bridged by a straight line, and maxJoin that of the
	// humidity. Engineering judgement.
	maxBridge = 6 * time.Hour
	maxJoin   = 5 * time.Minute
)

// series is a recording minute by minute; NaN is unknown. Densities are in g/m³, which keeps numbers near one.
type series struct {
	from     instant.Instant
	humidity []float64 // %RH as measured
	celsius  []float64
	sat      []float64 // density of saturation at the air's temperature
	soil     []float64 // the same at the temperature of soil and leaves, which follow the air
	vapour   []float64 // as measured
	room     []float64 // vapour density of the room; 0 throughout where the room is not measured
	day      []bool
	reset    []float64 // vapour density at which the model begins again, NaN elsewhere; nil for nowhere
	hasRoom  bool
}

func (s *series) len() int { return len(s.humidity) }

func (s *series) at(i int) instant.Instant { return s.from.Add(time.Duration(i) * minute) }

// index returns the minute in which t lies; it may be outside.
func (s *series) index(t instant.Instant) int {
	d := t.Sub(s.from)
	if d < 0 {
		return -1
	}
	return int(d / minute)
}

// soilLag is how slowly soil and leaves are taken to follow what lies between the air above them and the room below them. Invented
// within what a pot of soil does; the fit depends on it little.
const soilLag = 2 * time.Hour

// gramsPerKilogram turns kg/m³ into g/m³.
const gramsPerKilogram = 1000

func newSeries(r *Recording) *series {
	n := int(r.To.Sub(r.From) / minute)
	s := &series{from: r.From, hasRoom: len(r.RoomAir) > 0 && len(r.RoomHumidity) > 0}
	s.humidity = perMinute(r.Humidity, r.From, n, maxJoin)
	s.celsius = perMinute(r.Air, r.From, n, maxBridge)
	s.sat, s.soil, s.vapour = unknowns(n), unknowns(n), unknowns(n)
	s.room, s.day = make([]float64, n), make([]bool, n)
	around := s.celsius
	if s.hasRoom {
		around = perMinute(r.RoomAir, r.From, n, maxBridge)
		humidity := perMinute(r.RoomHumidity, r.From, n, maxBridge)
		for i := range s.room {
			s.room[i] = grams(around[i], humidity[i])
		}
	}
	soil := math.NaN()
	for i := range n {
		s.day[i] = r.Day != nil && r.Day(s.at(i))
		c := s.celsius[i]
		if math.IsNaN(c) {
			soil = math.NaN()
			continue
		}
		towards := c
		if !math.IsNaN(around[i]) {
			towards = (c + around[i]) / 2
		}
		if math.IsNaN(soil) {
			soil = towards
		}
		soil += (towards - soil) * float64(minute) / float64(soilLag)
		s.sat[i], s.soil[i] = grams(c, 100), grams(soil, 100)
		s.vapour[i] = s.sat[i] * s.humidity[i] / 100
	}
	return s
}

func grams(celsius, percentRH float64) float64 {
	return gramsPerKilogram * psychro.AbsoluteHumidity(celsius, percentRH)
}

func unknowns(n int) []float64 {
	all := make([]float64, n)
	for i := range all {
		all[i] = math.NaN()
	}
	return all
}

// perMinute returns the mean of each minute, and a straight line over silences up to bridge.
func perMinute(samples []Sample, from instant.Instant, n int, bridge time.Duration) []float64 {
	values := unknowns(n)
	count := 0
	for _, sample := range samples {
		i := int(sample.At.Sub(from) / minute)
		if sample.At < from || i >= n || math.IsNaN(sample.Value) || math.IsInf(sample.Value, 0) {
			continue
		}
		if math.IsNaN(values[i]) {
			values[i], count = sample.Value, 1
			continue
		}
		count++
		values[i] += (sample.Value - values[i]) / float64(count)
	}
	last := -1
	for i, v := range values {
		if math.IsNaN(v) {
			continue
		}
		if gap := i - last; last >= 0 && gap > 1 && time.Duration(gap)*minute <= bridge {
			for j := last + 1; j < i; j++ {
				values[j] = values[last] + (v-values[last])*float64(j-last)/float64(gap)
			}
		}
		last = i
	}
	return values
}

// noise returns the standard deviation of one minute's humidity, from the median of differences between neighbours.
func (s *series) noise() float64 {
	var steps []float64
	for i := 2; i < s.len(); i++ {
		if d := s.humidity[i] - 2*s.humidity[i-1] + s.humidity[i-2]; !math.IsNaN(d) {
			steps = append(steps, math.Abs(d))
		}
	}
	if len(steps) == 0 {
		return 0
	}
	slices.Sort(steps)
	return steps[len(steps)/2] / 0.6745 / math.Sqrt(6)
}

// doses spreads mistings over minutes.
func doses(mistings []Misting, from instant.Instant, n int) []float64 {
	all := make([]float64, n)
	for _, m := range mistings {
		if m.At < from {
			continue
		}
		if i := int(m.At.Sub(from) / minute); i < n {
			dose := m.Dose
			if !(dose > 0) || math.IsInf(dose, 0) {
				dose = 1
			}
			all[i] += dose
		}
	}
	return all
}

package sim

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"time"

	"dewline/internal/core/quantity"
	"dewline/sensors"
)

// World lets several sensors look at one loft, each from its own goroutine.
type World struct {
	mu   sync.Mutex
	loft *Loft
	now  func() time.Time
}

// NewWorld makes a world whose time is that of now.
func NewWorld(loft *Loft, now func() time.Time) *World { return &World{loft: loft, now: now} }

// look returns the true value of a point now.
func (w *World) look(p quantity.Point) (float64, time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	t := w.now()
	w.loft.Advance(t)
	return w.loft.Value(p), t
}

// SensorOptions describe a simulated sensor.
type SensorOptions struct {
	ID     string
	Seed   uint64
	Feeds  map[sensors.Channel]quantity.Point
	Faults []Fault
}

// Fault is a time in which a sensor misbehaves.
type Fault struct {
	Span
	Kind sensors.Kind // what its reads fail with; Unknown: it repeats its last value
}

// part is what is invented of the part: its noise (standard deviation) and step for each channel.
var part = map[sensors.Channel]struct{ noise, step, low, high, accuracy float64 }{
	sensors.Temperature: {0.03, 0.0625, -40, 85, 0.5},
	sensors.Humidity:    {0.25, 0.1, 0, 100, 2},
	sensors.Pressure:    {8, 1, 30_000, 110_000, 100},
}

// Probe is a simulated sensor.
type Probe struct {
	world   *World
	options SensorOptions
	chance  *rand.Rand
	last    sensors.Measurement
}

// NewSensor makes a sensor in a world.
func NewSensor(world *World, o SensorOptions) *Probe {
	seed := o.Seed
	for _, r := range o.ID {
		seed = seed*31 + uint64(r)
	}
	return &Probe{world: world, options: o, chance: rand.New(rand.NewPCG(seed, 1))}
}

// Describe returns what the sensor is.
func (s *Probe) Describe() sensors.Description {
	d := sensors.Description{Driver: "sim", Part: "simulated sensor", Where: "the simulated room"}
	for _, channel := range []sensors.Channel{sensors.Temperature, sensors.Humidity, sensors.Pressure} {
		if _, ok := s.options.Feeds[channel]; ok {
			p := part[channel]
			d.Measures = append(d.Measures, sensors.Measure{Channel: channel, Low: p.low, High: p.high, Resolution: p.step, Accuracy: p.accuracy})
		}
	}
	return d
}

// Read returns the values of the room as the sensor sees them.
func (s *Probe) Read(ctx context.Context) (sensors.Measurement, error) {
	if err := ctx.Err(); err != nil {
		return sensors.Measurement{}, &sensors.Error{Kind: sensors.Timeout, Doing: "reading the simulated room", Err: err}
	}
	var reading sensors.Measurement
	for _, measure := range s.Describe().Measures {
		truth, now := s.world.look(s.options.Feeds[measure.Channel])
		for _, f := range s.options.Faults {
			if f.holds(now) && f.Kind == sensors.Unknown && len(s.last.Values) > 0 {
				return s.last, nil
			}
			if f.holds(now) && f.Kind != sensors.Unknown {
				return sensors.Measurement{}, &sensors.Error{Kind: f.Kind, Doing: "reading the simulated room"}
			}
		}
		if math.IsNaN(truth) {
			return sensors.Measurement{}, &sensors.Error{
				Kind: sensors.Absent, Doing: fmt.Sprintf("the simulated room has no %s", s.options.Feeds[measure.Channel]),
			}
		}
		value := truth + s.chance.NormFloat64()*part[measure.Channel].noise
		counts := math.Round((min(max(value, measure.Low), measure.High) - measure.Low) / measure.Resolution)
		reading.Values = append(reading.Values, sensors.Value{
			Channel: measure.Channel, Value: measure.Low + counts*measure.Resolution, Raw: uint64(counts),
		})
	}
	s.last = reading
	return reading, nil
}

// Close does nothing.
func (s *Probe) Close() error { return nil }

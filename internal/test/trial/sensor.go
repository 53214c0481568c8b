package trial

import (
	"math"
	"math/rand/v2"

	"dewline/internal/core/intake"
	"dewline/sensors"
)

// probe is a simulated sensor: it follows the truth with its lag, its error, its noise and its steps, and has its faults.
type probe struct {
	part   *part
	faults sensorFaults
	chance *rand.Rand

	bias   []float64       // of each channel
	seen   []float64       // lagged truth of each channel
	fade   []float64       // share of a difference that a step leaves
	values []sensors.Value // of the last read that brought any
	gone   bool            // the last read brought nothing: the next one is a first

	// Of the last read.
	naive   []float64 // what a program that knows no better takes for the value; NaN where there is none
	right   []bool    // it answered, and no error but lag, noise and steps kept it from the truth by more than its accuracy
	wrongAt int       // the last step at which a fault was at work
}

// newProbe makes a sensor. Its calibration error stays for good: half the stated accuracy, which is a k = 2 figure, is its
// standard deviation, so that one sensor in twenty is worse than its data sheet.
func newProbe(p *part, f sensorFaults, chance *rand.Rand) *probe {
	made := &probe{part: p, faults: f, chance: chance, gone: true, wrongAt: -1 << 30}
	for _, c := range p.channels {
		made.bias = append(made.bias, chance.NormFloat64()*c.Accuracy/2)
		made.fade = append(made.fade, math.Exp(-stepTime.Seconds()/c.lag.Seconds()))
		made.seen = append(made.seen, math.NaN())
		made.naive = append(made.naive, math.NaN())
		made.right = append(made.right, false)
		made.values = append(made.values, sensors.Value{Channel: c.Channel})
	}
	return made
}

// follow lets the sensing element follow the truth, powered or not.
func (p *probe) follow(values []float64) {
	for k, point := range p.part.feeds {
		if math.IsNaN(p.seen[k]) {
			p.seen[k] = values[point]
		}
		p.seen[k] = values[point] + (p.seen[k]-values[point])*p.fade[k]
	}
}

// unread notes a step in which the sensor is not read.
func (p *probe) unread() {
	p.gone = true
	for k := range p.right {
		p.right[k], p.naive[k] = false, math.NaN()
	}
}

// errors of failed reads, made once: they carry no state.
var (
	absent  = sensors.Errorf(sensors.Absent, "reading the simulated sensor")
	garbled = sensors.Errorf(sensors.Checksum, "reading the simulated sensor")
	powerOn = sensors.Errorf(sensors.Implausible, "reading the simulated sensor: 85 °C is its power-on value")
)

// read reads the sensor at a step into a sample, which is good until the next read; its time is left to the caller.
func (p *probe) read(step int, started bool, sample *intake.Sample) {
	f := &p.faults
	*sample = intake.Sample{Sensor: p.part.id}
	wet := p.chance.Float64() // one draw for each read, whatever happens, so that faults do not shift what follows
	noise := [2]float64{p.chance.NormFloat64(), p.chance.NormFloat64()}
	lost := func(err error) {
		p.unread()
		p.wrongAt = step
		sample.Err = err
	}
	switch {
	case anyHolds(f.dropout, step):
		lost(absent)
		return
	case anyHolds(f.checksum, step) && wet < f.storm:
		lost(garbled)
		return
	case p.part.oneWire && (anyHolds(f.brownOut, step) || started && f.weak):
		lost(powerOn)
		p.values[0].Value, p.values[0].Raw = 85, 85*16
		p.naive[0] = 85
		sample.Reading.Values = p.values
		return
	}
	first := p.gone
	p.gone = false
	if !first && anyHolds(f.stuck, step) {
		p.wrongAt = step
		for k := range p.right {
			p.right[k] = false
		}
		sample.Reading.Values = p.values
		return
	}
	for k := range p.part.channels {
		p.measure(k, step, noise[min(k, 1)])
	}
	sample.Reading.Values, sample.Reading.First = p.values, first
}

// measure makes the value of one channel.
func (p *probe) measure(k, step int, noise float64) {
	c, stray := &p.part.channels[k], p.faults.drift[k]
	off := p.bias[k]
	if step > stray.from {
		off += stray.perYear * float64(step-stray.from) / stepsPerYear
	}
	value := p.seen[k] + off
	if c.Channel == sensors.Humidity && anyHolds(p.faults.film, step) {
		value = 100.3
		off = value - p.seen[k]
	}
	value += noise * c.noise
	counts := math.Round((min(max(value, c.Low), c.High) - c.Low) / c.Resolution)
	value = c.Low + counts*c.Resolution
	p.values[k].Value, p.values[k].Raw = value, uint64(counts)
	p.naive[k] = value
	p.right[k] = math.Abs(off) <= c.Accuracy
	if !p.right[k] {
		p.wrongAt = step
	}
}

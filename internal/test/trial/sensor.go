package trial

import (
	"cmp"
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
	air    int             // the point of the air that a probe out of its tub measures
	truth  []float64       // of each channel, now
	seen   []float64       // lagged truth of each channel, or of what the element is in
	noise  []float64       // standard deviation of each channel
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
func newProbe(p *part, f sensorFaults, chance *rand.Rand, air int) *probe {
	made := &probe{part: p, faults: f, chance: chance, air: air, gone: true, wrongAt: -1 << 30}
	f.noise = cmp.Or(f.noise, 1)
	for _, c := range p.channels {
		made.bias = append(made.bias, chance.NormFloat64()*c.Accuracy/2)
		made.fade = append(made.fade, math.Exp(-stepTime.Seconds()/c.lag.Seconds()))
		made.seen = append(made.seen, math.NaN())
		made.truth = append(made.truth, math.NaN())
		made.noise = append(made.noise, c.noise*f.noise)
		made.naive = append(made.naive, math.NaN())
		made.right = append(made.right, false)
		made.values = append(made.values, sensors.Value{Channel: c.Channel})
	}
	return made
}

// follow lets the sensing element follow the truth, powered or not.
func (p *probe) follow(step int, values []float64) {
	for k, point := range p.part.feeds {
		around := values[point]
		p.truth[k] = around
		if anyHolds(p.faults.out, step) {
			around = values[p.air]
		}
		if math.IsNaN(p.seen[k]) {
			p.seen[k] = around
		}
		p.seen[k] = around + (p.seen[k]-around)*p.fade[k]
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
	wet, odd := p.chance.Float64(), p.chance.Float64() // drawn for each read, whatever happens, so that faults do not shift what follows
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
	raves := anyHolds(f.erratic, step)
	wild := -1.0 // from 0 to 1: where in its range a wild value is
	switch {
	case odd < f.spikes:
		wild = odd / f.spikes
	case wet < raving && raves:
		wild = wet / raving
	}
	for k := range p.part.channels {
		p.measure(k, step, noise[min(k, 1)])
		if wild >= 0 {
			p.rave(k, wild)
		}
		if wild >= 0 || raves { // which of the values of a sensor that raves are right, no one can know
			p.right[k], p.wrongAt = false, step
		}
	}
	sample.Reading.Values, sample.Reading.First = p.values, first
}

// cure ends the faults that a person at the sensor ends: a loose cable, a film of water, a hung part, a probe out of the water.
func (p *probe) cure(step int) {
	f := &p.faults
	for _, list := range [][]span{f.dropout, f.checksum, f.stuck, f.film, f.out, f.erratic} {
		for i := range list {
			if list[i].holds(step) {
				list[i].to = step
			}
		}
	}
}

// compare finds how far each channel is off, and calibrates it where that is more than twice its accuracy.
func (p *probe) compare(step int) {
	for k := range p.part.channels {
		if math.Abs(p.off(k, step)) > 2*p.part.channels[k].Accuracy {
			p.bias[k] -= p.off(k, step)
		}
	}
}

// off returns the error of a channel that stays: its calibration error and what it has strayed.
func (p *probe) off(k, step int) float64 {
	off := p.bias[k]
	if stray := p.faults.drift[k]; step > stray.from {
		off += stray.perYear * float64(step-stray.from) / stepsPerYear
	}
	return off
}

// measure makes the value of one channel.
func (p *probe) measure(k, step int, noise float64) {
	c, off := &p.part.channels[k], p.off(k, step)
	value := p.seen[k] + off
	if c.Channel == sensors.Humidity && anyHolds(p.faults.film, step) {
		value = 100.3
		off = value - p.seen[k]
	}
	value += noise * p.noise[k]
	p.give(k, value)
	if len(p.faults.out) > 0 && anyHolds(p.faults.out, step) {
		off += p.seen[k] - p.truth[k]
	}
	p.right[k] = math.Abs(off) <= c.Accuracy
	if !p.right[k] {
		p.wrongAt = step
	}
}

// raving is the share of the values of an erratic sensor that are wild: that of a real one, whose temperature jumped to between 70 and
// 390 °C in 65 % of the minutes. The humidities are invented.
const raving = 0.65

// rave replaces the value of a channel by a wild one.
func (p *probe) rave(k int, wild float64) {
	value := 70 + 320*wild
	if p.part.channels[k].Channel == sensors.Humidity {
		value = 100 * wild
	}
	p.give(k, value)
}

// give makes a value what the part can say.
func (p *probe) give(k int, value float64) {
	c := &p.part.channels[k]
	counts := math.Round((min(max(value, c.Low), c.High) - c.Low) / c.Resolution)
	value = c.Low + counts*c.Resolution
	p.values[k].Value, p.values[k].Raw = value, uint64(counts)
	p.naive[k] = value
}

package quality

import (
	"math"
	"time"

	"dewline/internal/core/quantity"
)

// Test is a test that gave a reading its flag.
type Test uint8

// The tests.
const (
	NoTest Test = iota
	NoValue
	KnownWrong
	GrossLimits
	Expectation
	SpikeTest
	RateTest
	StuckTest
	Lifeless
	Saturated
	HeaterPulse
	FirstValue
	AwaitingNext
	Erratic
)

// String returns the test in words for people; "" for none.
func (t Test) String() string {
	return [...]string{
		NoTest:       "",
		NoValue:      "no value",
		KnownWrong:   "known to be wrong",
		GrossLimits:  "outside the range of the sensor",
		Expectation:  "outside the expected range",
		SpikeTest:    "spike",
		RateTest:     "rate of change",
		StuckTest:    "stuck",
		Lifeless:     "attenuated signal",
		Saturated:    "saturated",
		HeaterPulse:  "heater",
		FirstValue:   "first value",
		AwaitingNext: "awaiting the next reading",
		Erratic:      "erratic",
	}[t]
}

// Spike says from which height a lone value is a spike.
type Spike struct {
	Suspect, Fail float64 // in the unit of a difference
	// FailWithin is the longest time between the neighbours of a spike that fails. A lone value between neighbours further
	// apart may be real, and is suspect at most.
	FailWithin time.Duration
}

// Rate says how fast a value may change.
type Rate struct {
	PerMinute float64 // in the unit of a difference
	// Over is the shortest time that a change is spread over: one step of a coarse sensor within a second is no fast
	// change.
	Over time.Duration
}

// Stuck says after which time of equal raw words a sensor is taken to be stuck.
type Stuck struct {
	Suspect time.Duration
	Fail    time.Duration // 0 means never
}

// Calm says below which range over a window a signal is too quiet to be alive.
type Calm struct {
	Range  float64 // in the unit of a difference
	Window time.Duration
}

// Tests are the thresholds of a [Judge]. A nil test is not made.
type Tests struct {
	// Gap is the longest time between two readings that are compared with each other; 0 means 60 s.
	Gap time.Duration
	// Possible is the range of the part, before calibration: outside it a value fails.
	Possible Range
	// Expected is the range of the room: outside it a value is suspect.
	Expected Range
	Spike    *Spike
	Rate     *Rate
	Stuck    *Stuck
	Calm     *Calm
	// SaturatedAt is the percent relative humidity at which a sensor has reached its end: there may be water on it. 0 means never.
	SaturatedAt float64
	// AfterHeater is for how long readings are suspect after a pulse of the heater.
	AfterHeater time.Duration
}

// fineHumidityStep is the largest step, in percent relative humidity, of a sensor whose noise is many steps, so that
// equal words in a row are a sign. Coarser ones, such as those that report whole percents, repeat themselves in health.
const fineHumidityStep = 0.025

// fineTemperatureStep is the same for temperatures in the air, in kelvin: the noise of parts with such a step is two to five of them.
const fineTemperatureStep = 0.02

// Defaults returns the thresholds to start with for a quantity: engineering judgement, no published source, except that
// 0.5 K/min in water is seven times what a heater of 100 W does to 20 litres. possible is the range of the part and
// resolution the step between neighbouring values; both may be zero where they are not known.
func Defaults(q quantity.Quantity, possible Range, resolution float64) Tests {
	t := Tests{Possible: possible}
	switch q {
	case quantity.WaterTemperature:
		t.Expected = Range{0, 45}
		t.Spike = &Spike{Suspect: 0.5, Fail: 2, FailWithin: 2 * time.Minute}
		t.Rate = &Rate{PerMinute: 0.5, Over: time.Minute}
		// One code of 1/16 K may last for hours in a big tub, so this never fails on its own.
		t.Stuck = &Stuck{Suspect: 24 * time.Hour}
		t.AfterHeater = 5 * time.Minute
	case quantity.AirTemperature, quantity.SurfaceTemperature:
		t.Expected = Range{-5, 50}
		if q == quantity.SurfaceTemperature {
			t.Expected.High = 70 // a stone under a lamp
		}
		t.Spike = &Spike{Suspect: 1, Fail: 4, FailWithin: 2 * time.Minute}
		t.Rate = &Rate{PerMinute: 2, Over: time.Minute}
		t.Stuck = &Stuck{Suspect: 12 * time.Hour}
		if resolution > 0 && resolution <= fineTemperatureStep {
			t.Stuck = &Stuck{Suspect: time.Hour, Fail: 3 * time.Hour}
		}
		t.AfterHeater = 5 * time.Minute
	case quantity.RelativeHumidity:
		t.Expected = Range{5, 100}
		t.Spike = &Spike{Suspect: 5, Fail: 15, FailWithin: 2 * time.Minute}
		t.Rate = &Rate{PerMinute: 15, Over: time.Minute}
		t.Stuck = &Stuck{Suspect: 24 * time.Hour}
		if resolution > 0 && resolution <= fineHumidityStep {
			t.Stuck = &Stuck{Suspect: 30 * time.Minute, Fail: 2 * time.Hour}
			t.Calm = &Calm{Range: 0.1, Window: 6 * time.Hour}
		}
		t.SaturatedAt = 99.5
		t.AfterHeater = 5 * time.Minute
	case quantity.Pressure:
		t.Expected = Range{60e3, 110e3}
		t.Spike = &Spike{Suspect: 100, Fail: 1000, FailWithin: 2 * time.Minute}
		t.Rate = &Rate{PerMinute: 300, Over: time.Minute}
		t.Stuck = &Stuck{Suspect: 24 * time.Hour}
	}
	return t
}

// gap returns the gap with its default.
func (t *Tests) gap() time.Duration {
	if t.Gap > 0 {
		return t.Gap
	}
	return time.Minute
}

// grade judges the height of a lone value whose neighbours lie so far apart.
func (s *Spike) grade(height float64, apart time.Duration) quantity.Flag {
	flag := above(height, s.Suspect, s.Fail)
	if flag == quantity.Fail && apart > s.FailWithin {
		return quantity.Suspect
	}
	return flag
}

// exceeded reports whether a change over a time is too fast.
func (r *Rate) exceeded(change float64, over time.Duration) bool {
	return math.Abs(change) > r.PerMinute*max(over, r.Over).Minutes()
}

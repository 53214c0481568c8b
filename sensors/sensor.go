// Package sensors defines what dewline asks of a sensor, and is usable without the rest of it. The folders below hold
// one driver each: chips on an I²C bus, probes on a 1-Wire bus, and whatever the Linux kernel shows under hwmon and IIO.
//
// A driver reads once when asked and never on its own:
//
//	sensor, err := w1.New(w1.Options{Root: "/sys", ROM: "28-0316a2794bff"})
//	...
//	ctx, stop := context.WithTimeout(ctx, 3*time.Second)
//	defer stop()
//	reading, err := sensor.Read(ctx)
//
// An error is one of the kinds in [Kind]; use [KindOf] to branch on it. Even with an error the returned [Reading] carries
// the raw words that were obtained, as evidence.
package sensors

import (
	"context"
	"slices"
	"time"
)

// Channel is one thing a sensor measures. Its values are in the unit that [Channel.Unit] returns.
type Channel string

// The channels that drivers offer.
const (
	Temperature Channel = "temperature" // degree Celsius
	Humidity    Channel = "humidity"    // percent relative humidity, not clamped
	Pressure    Channel = "pressure"    // pascal
	CO2         Channel = "co2"         // parts per million
	Voltage     Channel = "voltage"     // volt
)

var units = map[Channel]string{Temperature: "Cel", Humidity: "%RH", Pressure: "Pa", CO2: "ppm", Voltage: "V"}

// Unit returns the unit of a channel's values by its SenML symbol (parts per million: "ppm").
func (c Channel) Unit() string { return units[c] }

// Measure describes one channel of a sensor: what its maker promises.
type Measure struct {
	Channel    Channel
	Low, High  float64 // the part's own range; a value outside it is [Implausible]
	Resolution float64 // the step between two neighbouring values
	Accuracy   float64 // expanded uncertainty (k = 2) when the part is used as specified
}

// Description is what a sensor is.
type Description struct {
	Driver          string        // the driver's name in the config, such as "sht4x"
	Part            string        // the part as far as it is known, such as "SHT4x serial 0x0f5a31c2"
	Where           string        // bus and address, ROM code or path
	Measures        []Measure     // one per channel
	MinimumInterval time.Duration // shortest sensible time between two reads
	NonCondensing   bool          // the maker rates the part for non-condensing air only
	Notes           []string      // advice for the keeper, such as "a copy of the original part: check it in ice water first"
}

// Value is one measured value. Raw is the word it was computed from: tests for a stuck sensor compare Raw.
type Value struct {
	Channel Channel
	Value   float64
	Raw     uint64
}

// Refusal is a value that cannot be true beside others of the same read that can.
type Refusal struct {
	Value
	Err error // says why it cannot be true; its kind is [Implausible]
}

// Reading is the result of one read.
type Measurement struct {
	Values []Value
	// Refused holds the channels whose values cannot be true, where others of the same read can: a part whose humidity has failed
	// still measures its temperature. Where no channel has a value that can be true, the read is an error.
	Refused []Refusal
	// Evidence holds the bytes that were obtained, also when the read failed.
	Evidence []byte
	// First marks the first conversion after the device appeared or was reset, which some parts get wrong.
	First bool
	// Reset means that the device lost its settings since the last read and was set up again.
	Reset bool
	// Heated means that a heater ran during or shortly before the read: temperature is too high, humidity too low.
	Heated bool
}

// Sensor is one physical device. A Sensor is used by one goroutine at a time.
type Sensor interface {
	// Describe returns what the sensor is. It does not touch the device.
	Describe() Description
	// Read performs one bus transaction sequence and returns the values of all channels. It honours ctx where the bus
	// allows: a kernel call that hangs cannot be cancelled, so a caller must be ready to outlive it.
	Read(ctx context.Context) (Measurement, error)
	// Close gives the bus back.
	Close() error
}

// Refuse takes a value out of the reading and notes why. It is for drivers.
func (r *Measurement) Refuse(channel Channel, err error) {
	for i, v := range r.Values {
		if v.Channel == channel {
			r.Values = slices.Concat(r.Values[:i], r.Values[i+1:])
			r.Refused = append(r.Refused, Refusal{v, err})
			return
		}
	}
}

// RefuseOutside refuses the values outside the range of their part, whose measures are given. Where that leaves none, or the temperature
// is among them, by which parts compute what else they measure, it is an error and the reading stays as it was. It is for drivers.
func (r *Measurement) RefuseOutside(measures []Measure) error {
	var first error
	checked := *r
	for _, m := range measures {
		v, ok := r.Measured(m.Channel)
		if !ok || v.Value >= m.Low && v.Value <= m.High {
			continue
		}
		err := Errorf(Implausible, "%s of %.7g %s (word %04x) is outside the part's range of %g to %g",
			m.Channel, v.Value, m.Channel.Unit(), v.Raw, m.Low, m.High)
		if m.Channel == Temperature {
			return err
		}
		checked.Refuse(m.Channel, err)
		if first == nil {
			first = err
		}
	}
	if len(checked.Values) == 0 && first != nil {
		return first
	}
	*r = checked
	return nil
}

// RefusalOf returns why the value of a channel cannot be true, and whether the reading has such a value.
func (r Measurement) RefusalOf(channel Channel) (Refusal, bool) {
	for _, refused := range r.Refused {
		if refused.Channel == channel {
			return refused, true
		}
	}
	return Refusal{}, false
}

// Measured returns the value of a channel, and whether the reading has one.
func (r Measurement) Measured(channel Channel) (Value, bool) {
	for _, v := range r.Values {
		if v.Channel == channel {
			return v, true
		}
	}
	return Value{}, false
}

// MeasureOf returns the description of one channel, and whether the sensor has it.
func (d Description) MeasureOf(channel Channel) (Measure, bool) {
	for _, m := range d.Measures {
		if m.Channel == channel {
			return m, true
		}
	}
	return Measure{}, false
}

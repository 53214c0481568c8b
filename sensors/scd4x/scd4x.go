// Package scd4x reads a Sensirion SCD40 or SCD41 carbon dioxide, temperature and humidity sensor on an I²C bus.
//
//	sensor, err := scd4x.New(bus, scd4x.Options{})
//	...
//	reading, err := sensor.Read(ctx)
//
// It is a driver of our own inside [guard]. The one in periph.io/x/devices cannot be contained: it writes a temperature
// offset that is wrong by nine orders of magnitude, blocks for 6 s and more on a part that is not ready, never starts the
// part again after a power dip, and leaves out the pause between a command and its answer.
//
// The part measures by itself every 5 s. A read before the first measurement waits for it where the context allows, and
// is Busy otherwise. A part that has no new measurement for 8 s has lost its power and is started again by the next read.
//
// The part warms itself: its temperature is good only with the right offset for its housing, and its humidity with it.
// Settings are written to the part's working memory, never to its EEPROM. Its self-calibration takes for granted that it
// meets outdoor air every week, which a closed vivarium does not give it.
//
// Sources: periph driver and its tests for commands and measured answers; SCD4x data sheet, from memory, for timing and
// accuracy (CO₂ ±(50 ppm + 5 %), given here for 1000 ppm; ±0.8 °C; ±6 %RH).
package scd4x

import (
	"context"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors"
	"dewline/sensors/guard"
	"dewline/sensors/i2cbus"
	"dewline/sensors/internal/chip"
)

// Address is the only address of the part.
const Address = 0x62

const (
	cmdStart     = 0x21B1
	cmdStop      = 0x3F86
	cmdMeasured  = 0xEC05
	cmdReady     = 0xE4B8
	cmdSerial    = 0x3682
	cmdSetOffset = 0x241D

	pause      = time.Millisecond       // between a command and its answer
	stopping   = 500 * time.Millisecond // after cmdStop
	period     = 5 * time.Second        // from one measurement to the next
	silence    = 8 * time.Second        // without a measurement: the part no longer runs
	polling    = 200 * time.Millisecond
	crcInitial = 0xFF
	readyAny   = 0x07FF // any of these bits: a measurement is ready

	// HighestOffset is the largest temperature offset, in kelvin, that [Options] takes (data sheet's advice, from memory).
	HighestOffset = 20
)

// Options of the sensor.
type Options struct {
	// TemperatureOffset in kelvin is what the part subtracts for its own warmth, 0 to 20. nil leaves what the part holds,
	// 4 K as delivered.
	TemperatureOffset *float64
}

// New returns a sensor. No device needs to be present yet: it is started by the first read.
func New(bus i2c.Bus, options Options) (*guard.Guarded, error) {
	if o := options.TemperatureOffset; o != nil && !(*o >= 0 && *o <= HighestOffset) {
		return nil, fmt.Errorf("scd4x: temperature offset of %g K: want 0 to %d K", *o, HighestOffset)
	}
	return guard.New(bus, guard.Options{
		Description: sensors.Description{
			Driver: "scd4x",
			Part:   "SCD4x",
			Where:  fmt.Sprintf("%s %#02x", bus, Address),
			Measures: []sensors.Measure{
				{Channel: sensors.CO2, Low: 0, High: 40000, Resolution: 1, Accuracy: 100},
				{Channel: sensors.Temperature, Low: -10, High: 60, Resolution: 175.0 / 65535, Accuracy: 0.8},
				{Channel: sensors.Humidity, Low: 0, High: 100, Resolution: 100.0 / 65535, Accuracy: 6},
			},
			MinimumInterval: period,
			Notes:           []string{"warms itself: compare with a thermometer beside it and set its temperature offset"},
		},
		Build: func(ctx context.Context, recorder *guard.Recorder) (guard.MeasureFunc, error) {
			p := &part{bus: recorder}
			if err := p.start(ctx, recorder.Bare(), options.TemperatureOffset); err != nil {
				return nil, err
			}
			return p.sense, nil
		},
	}), nil
}

type part struct {
	bus  i2c.Bus
	last time.Time // when the part was started or gave its last measurement
}

// start stops the part, which may run from before and then takes hardly any command, and starts it again.
func (p *part) start(ctx context.Context, bare i2c.Bus, offset *float64) error {
	_ = bare.Tx(Address, bytesOf(cmdStop), nil) // a part that sleeps or is idle may refuse it
	if err := i2cbus.Sleep(ctx, stopping); err != nil {
		return err
	}
	if _, _, err := p.ask(ctx, cmdSerial, 3); err != nil {
		return fmt.Errorf("serial number: %w", err)
	}
	if offset != nil {
		if err := p.bus.Tx(Address, offsetCommand(*offset), nil); err != nil {
			return err
		}
		if err := i2cbus.Sleep(ctx, pause); err != nil {
			return err
		}
	}
	if err := p.bus.Tx(Address, bytesOf(cmdStart), nil); err != nil {
		return err
	}
	p.last = time.Now()
	return nil
}

func (p *part) sense(ctx context.Context) (sensors.Measurement, error) {
	answer, err := p.awaitReady(ctx)
	if err != nil {
		return sensors.Measurement{Evidence: answer}, err
	}
	answer, got, err := p.ask(ctx, cmdMeasured, 3)
	if err != nil {
		return sensors.Measurement{Evidence: answer}, err
	}
	p.last = time.Now()
	values, err := decode(got)
	return sensors.Measurement{Values: values, Evidence: answer}, err
}

// awaitReady asks until a measurement is ready, if the context lasts that long.
func (p *part) awaitReady(ctx context.Context) ([]byte, error) {
	for {
		answer, got, err := p.ask(ctx, cmdReady, 1)
		if err != nil || got[0]&readyAny != 0 {
			return answer, err
		}
		if time.Since(p.last) > silence {
			return answer, fmt.Errorf("no measurement for %s: %w", time.Since(p.last).Round(time.Second), guard.ErrReset)
		}
		// Not to wait for what cannot come in time leaves the bus to others.
		if end, limited := ctx.Deadline(); limited && end.Before(p.last.Add(period)) {
			return answer, guard.ErrNotReady
		}
		if err := i2cbus.Sleep(ctx, polling); err != nil {
			return answer, err
		}
	}
}

// ask sends a command, pauses and reads so many words.
func (p *part) ask(ctx context.Context, command uint16, n int) ([]byte, []uint16, error) {
	if err := p.bus.Tx(Address, bytesOf(command), nil); err != nil {
		return nil, nil, err
	}
	if err := i2cbus.Sleep(ctx, pause); err != nil {
		return nil, nil, err
	}
	answer := make([]byte, 3*n)
	if err := p.bus.Tx(Address, nil, answer); err != nil {
		return nil, nil, err
	}
	got, err := chip.Words(crcInitial, answer)
	return answer, got, err
}

// decode turns the three words of a measurement into values.
func decode(w []uint16) ([]sensors.Value, error) {
	if len(w) != 3 {
		return nil, sensors.Errorf(sensors.Implausible, "the measurement has %d words, want 3", len(w))
	}
	if w[0] == 0 {
		return nil, sensors.Errorf(sensors.Implausible, "0 ppm of carbon dioxide is no measurement")
	}
	return []sensors.Value{
		{Channel: sensors.CO2, Value: float64(w[0]), Raw: uint64(w[0])},
		{Channel: sensors.Temperature, Value: -45 + 175*float64(w[1])/65535, Raw: uint64(w[1])},
		{Channel: sensors.Humidity, Value: 100 * float64(w[2]) / 65535, Raw: uint64(w[2])},
	}, nil
}

// offsetCommand sets a temperature offset in kelvin, in the part's working memory.
func offsetCommand(kelvin float64) []byte {
	word := uint16(math.Round(kelvin * 65535 / 175))
	high, low := byte(word>>8), byte(word)
	return append(bytesOf(cmdSetOffset), high, low, chip.CRC8(crcInitial, high, low))
}

func bytesOf(command uint16) []byte { return []byte{byte(command >> 8), byte(command)} }

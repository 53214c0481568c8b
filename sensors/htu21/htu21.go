// Package htu21 reads the humidity and temperature sensors HTU21D, HTU20D, SHT21 and Si7021, which obey the same commands.
//
//	sensor, err := htu21.New(bus, htu21.Options{Part: "Si7021"})
//	...
//	reading, err := sensor.Read(ctx)
//
// New touches nothing: the sensor may be plugged in later. Only commands without clock stretching are used, which some
// adapters do not bear. Every word carries a checksum, and all are checked; since its initial value is zero, a wire held low
// passes it, so the word zero is refused. Humidity is not clamped: by its formula it may read from −6 to 118 %RH.
//
// The part does not report a reset. A reset takes no more than its resolution away, which is back at its highest then, the
// one used here; the first reading of a device that had gone is marked.
package htu21

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors"
	"dewline/sensors/i2cbus"
	"dewline/sensors/internal/chip"
)

// Driver is the name of this driver in the config.
const Driver = "htu21"

// address is the only one there is.
const address = 0x40

// Commands of the HTU21D datasheet; those to measure do not stretch the clock.
const (
	commandTemperature = 0xF3
	commandHumidity    = 0xF5
	commandReset       = 0xFE
)

// Waits: 50 ms for 14 bits of temperature and 16 ms for 12 bits of humidity (HTU21D datasheet), 15 ms after a reset (Linux
// driver si7020.c), with a little more for the clock of the part.
const (
	waitTemperature = 52 * time.Millisecond
	waitHumidity    = 24 * time.Millisecond // a Si7021 measures temperature too, for its compensation (from memory)
	waitReset       = 16 * time.Millisecond
)

// statusBits of each word are no part of the value (HTU20D datasheet).
const statusBits = 0x0003

// crcInitial is the initial value of the checksum (HTU20D datasheet: DC has the checksum 79).
const crcInitial = 0x00

// Options of a sensor. The zero value is usable.
type Options struct {
	// Address may only be 0x40; 0 means that.
	Address uint16
	// Part is "HTU21D" or "Si7021", and sets the accuracy that Describe returns. Empty means not known, and the worse figure
	// of both.
	Part string
}

// accuracy of temperature in K and humidity in %RH by part (from memory).
var accuracy = map[string][2]float64{"": {0.4, 3}, "HTU21D": {0.3, 2}, "Si7021": {0.4, 3}}

// measures holds the range of temperature the parts are rated for, and what the humidity formula can give.
var measures = []sensors.Measure{
	{Channel: sensors.Temperature, Low: -40, High: 125, Resolution: 0.01},
	{Channel: sensors.Humidity, Low: -6, High: 119, Resolution: 0.04},
}

// Dev is one sensor.
type Dev struct {
	conn     *chip.Conn
	part     string
	measures []sensors.Measure
}

var _ sensors.Sensor = (*Dev)(nil)

// New returns a sensor on bus. It does not touch the bus.
func New(bus i2c.Bus, options Options) (*Dev, error) {
	figures, known := accuracy[options.Part]
	if !known {
		return nil, fmt.Errorf("%s: part %q is not HTU21D or Si7021", Driver, options.Part)
	}
	conn, err := chip.Connect(Driver, bus, options.Address, address)
	if err != nil {
		return nil, err
	}
	d := &Dev{conn: conn, part: options.Part, measures: slices.Clone(measures)}
	d.measures[0].Accuracy, d.measures[1].Accuracy = figures[0], figures[1]
	d.part = cmp.Or(d.part, "HTU21D or Si7021")
	return d, nil
}

// Celsius converts a temperature word; its status bits do not count (HTU20D datasheet).
func Celsius(word uint16) float64 { return -46.85 + 175.72*float64(word&^statusBits)/65536 }

// Humidity converts a humidity word into percent, not clamped; its status bits do not count (HTU20D datasheet).
func Humidity(word uint16) float64 { return -6 + 125*float64(word&^statusBits)/65536 }

// Describe returns what the sensor is.
func (d *Dev) Describe() sensors.Description {
	return sensors.Description{
		Driver:          Driver,
		Part:            d.part,
		Where:           d.conn.Where(),
		Measures:        slices.Clone(d.measures),
		MinimumInterval: time.Second, // against self-heating
	}
}

// Read measures temperature, then humidity.
func (d *Dev) Read(ctx context.Context) (sensors.Measurement, error) {
	return d.conn.Read(ctx, d.once)
}

func (d *Dev) once(ctx context.Context) (sensors.Measurement, error) {
	if !d.conn.SetUp() {
		// A program before this one may have chosen a lower resolution.
		if err := d.conn.Tx(ctx, "resetting", []byte{commandReset}, nil); err != nil {
			return sensors.Measurement{}, err
		}
		if err := i2cbus.Sleep(ctx, waitReset); err != nil {
			return sensors.Measurement{}, err
		}
		d.conn.Begun()
	}
	warmth, err := d.conn.Command(ctx, "measuring temperature", waitTemperature, 3, commandTemperature)
	if err != nil {
		return sensors.Measurement{}, err
	}
	dampness, err := d.conn.Command(ctx, "measuring humidity", waitHumidity, 3, commandHumidity)
	if err != nil {
		return sensors.Measurement{Evidence: warmth}, err
	}
	frame := append(warmth, dampness...)
	values, err := Decode(frame)
	if err != nil {
		return sensors.Measurement{Evidence: frame}, err
	}
	return sensors.Measurement{Values: values, Evidence: frame}, nil
}

// Decode converts six bytes: a temperature word and a humidity word, each followed by its checksum.
func Decode(frame []byte) ([]sensors.Value, error) {
	words, err := chip.Words(crcInitial, frame)
	switch {
	case err != nil:
		return nil, err
	case len(words) != 2:
		return nil, sensors.Errorf(sensors.Implausible, "a frame of %d bytes, want 6", len(frame))
	case words[0] == 0 || words[1] == 0:
		return nil, sensors.Errorf(sensors.Implausible, "a word of % x is zero, as when the data line is held low", frame)
	}
	values := []sensors.Value{
		{Channel: sensors.Temperature, Value: Celsius(words[0]), Raw: uint64(words[0])},
		{Channel: sensors.Humidity, Value: Humidity(words[1]), Raw: uint64(words[1])},
	}
	if err := chip.Check(measures, values); err != nil {
		return nil, err
	}
	return values, nil
}

// Close ends the use of the sensor; the bus stays open.
func (d *Dev) Close() error { return d.conn.Close() }

// Package sht3x reads the humidity and temperature sensors SHT30, SHT31 and SHT35.
//
//	sensor, err := sht3x.New(bus, sht3x.Options{Address: 0x44})
//	...
//	reading, err := sensor.Read(ctx)
//
// New touches nothing: the sensor may be plugged in later. Every word carries a checksum, and all are checked. Only
// commands without clock stretching are used, which some adapters do not bear. Each read begins with the status: its
// reset bit shows a loss of power since the last read, its heater bit a heater that another program switched on.
//
// Commands, waits and formulas are those of the SHT3x-DIS datasheet, v5, and of the Linux driver sht3x.c.
package sht3x

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors"
	"dewline/sensors/internal/chip"
	"dewline/sensors/internal/sensirion"
)

// Driver is the name of this driver in the config.
const Driver = "sht3x"

// Commands of the Linux driver sht3x.c; commandSerial, the form without clock stretching, is from memory.
var (
	commandMeasure   = []byte{0x24, 0x00} // high repeatability, no clock stretching
	commandStop      = []byte{0x30, 0x93} // leaves the periodic mode
	commandHeaterOff = []byte{0x30, 0x66}
	commandStatus    = []byte{0xF3, 0x2D}
	commandClear     = []byte{0x30, 0x41} // clears the reset bit
	commandSerial    = []byte{0x36, 0x82}
)

// Bits of the status word (from memory).
const (
	statusHeater = 1 << 13
	statusReset  = 1 << 4 // a reset since the bit was last cleared
)

// waitMeasure: a measurement takes 15 ms at most (sht3x.c).
const waitMeasure = 16 * time.Millisecond

// waitCommand is between a command and what follows it: at least 1 ms (from memory).
const waitCommand = time.Millisecond

// afterglow is how long readings count as heated after the heater was found on (own judgement, no published source).
const afterglow = 5 * time.Minute

// Options of a sensor. The zero value is usable.
type Options struct {
	// Address is 0x44 or 0x45; 0 means 0x44.
	Address uint16
	// Part is "SHT30", "SHT31" or "SHT35", and sets the accuracy that Describe returns; the parts do not report it
	// themselves. Empty means not known, and the figures of an SHT30.
	Part string
}

// accuracy of temperature in K and humidity in %RH by part (SHT3x datasheet 0.9 of 2014; typical figures. An SHT30 may be
// off by 4.5 %RH near 0 and 100 %RH).
var accuracy = map[string][2]float64{"": {0.3, 3}, "SHT30": {0.3, 3}, "SHT31": {0.3, 2}, "SHT35": {0.1, 1.5}}

// Dev is one sensor.
type Dev struct {
	conn    *chip.Conn
	part    string
	formula sensirion.Formula
	serial  string    // as Describe returns it; empty where unknown
	hotTill time.Time // until when readings count as heated
}

var _ sensors.Sensor = (*Dev)(nil)

// New returns a sensor on bus. It does not touch the bus.
func New(bus i2c.Bus, options Options) (*Dev, error) {
	figures, known := accuracy[options.Part]
	if !known {
		return nil, fmt.Errorf("%s: part %q is not SHT30, SHT31 or SHT35", Driver, options.Part)
	}
	conn, err := chip.Connect(Driver, bus, options.Address, 0x44, 0x45)
	if err != nil {
		return nil, err
	}
	d := &Dev{conn: conn, part: options.Part, formula: formula(figures)}
	d.part = cmp.Or(d.part, "SHT3x")
	return d, nil
}

// formula holds the ranges and resolutions of the datasheet.
func formula(figures [2]float64) sensirion.Formula {
	return sensirion.Formula{
		Measures: []sensors.Measure{
			{Channel: sensors.Temperature, Low: -40, High: 125, Resolution: 0.01, Accuracy: figures[0]},
			{Channel: sensors.Humidity, Low: 0, High: 100, Resolution: 0.01, Accuracy: figures[1]},
		},
		Humidity: Humidity,
	}
}

// Humidity converts a humidity word into percent (SHT3x-DIS datasheet, v5 §4.13).
func Humidity(word uint16) float64 { return 100 * float64(word) / 65535 }

// Describe returns what the sensor is. The serial number is part of it once the sensor has been read, where it has one.
func (d *Dev) Describe() sensors.Description {
	return sensors.Description{
		Driver:          Driver,
		Part:            d.part + d.serial,
		Where:           d.conn.Where(),
		Measures:        slices.Clone(d.formula.Measures),
		MinimumInterval: time.Second, // against self-heating
	}
}

// Read measures temperature and humidity at high repeatability.
func (d *Dev) Read(ctx context.Context) (sensors.Measurement, error) {
	reading, err := d.conn.Read(ctx, d.once)
	if err != nil {
		return reading, err
	}
	reading.Heated = time.Now().Before(d.hotTill)
	return reading, nil
}

func (d *Dev) once(ctx context.Context) (reading sensors.Measurement, err error) {
	status, evidence, err := d.status(ctx)
	if err != nil {
		return sensors.Measurement{Evidence: evidence}, err
	}
	if status&statusReset != 0 {
		d.conn.WasReset()
	}
	if status&statusHeater != 0 {
		if _, err := d.conn.Command(ctx, "switching off the heater", waitCommand, 0, commandHeaterOff...); err != nil {
			return sensors.Measurement{Evidence: evidence}, err
		}
		d.hotTill = time.Now().Add(afterglow)
	}
	if !d.conn.SetUp() {
		if err := d.setUp(ctx); err != nil {
			return sensors.Measurement{Evidence: evidence}, err
		}
	}
	reading, err = d.formula.Measure(ctx, d.conn, waitMeasure, commandMeasure...)
	if sensors.KindOf(err) == sensors.Absent {
		// The status was answered, so the sensor is there: it may have been left in its periodic mode, which refuses
		// single measurements. Whether the stop is understood, the next attempt will show.
		_, _ = d.conn.Command(ctx, "stopping periodic measurements", waitCommand, 0, commandStop...)
	}
	return reading, err
}

func (d *Dev) status(ctx context.Context) (status uint16, frame []byte, err error) {
	frame, err = d.conn.Command(ctx, "reading the status", waitCommand, 3, commandStatus...)
	if err != nil {
		return 0, nil, err
	}
	words, err := chip.Words(sensirion.CRCInitial, frame)
	if err != nil {
		return 0, frame, fmt.Errorf("reading the status: %w", err)
	}
	return words[0], frame, nil
}

// setUp learns the identity and clears the reset bit, so that the next reset is seen.
func (d *Dev) setUp(ctx context.Context) error {
	serial, _, err := sensirion.Serial(ctx, d.conn, commandSerial...)
	switch {
	case err == nil:
		d.serial = fmt.Sprintf(" serial %#08x", serial)
	case ctx.Err() != nil:
		return err
	default:
		d.serial = "" // copies of the part know no such command, and measure all the same
	}
	if _, err := d.conn.Command(ctx, "clearing the status", waitCommand, 0, commandClear...); err != nil {
		return err
	}
	d.conn.Begun()
	return nil
}

// Close ends the use of the sensor; the bus stays open.
func (d *Dev) Close() error { return d.conn.Close() }

// Package sht4x reads the humidity and temperature sensors SHT40, SHT41 and SHT45.
//
//	sensor, err := sht4x.New(bus, sht4x.Options{Address: 0x44})
//	...
//	reading, err := sensor.Read(ctx)
//
// New touches nothing: the sensor may be plugged in later. Every word carries a checksum, and all are checked. Humidity
// is not clamped: by its formula it may read from −6 to 119 %RH, and readings above 100 are how saturation looks.
//
// Commands, waits and formulas are those of the SHT4x datasheet, v6, and of the Linux driver sht4x.c. The part has no
// status by which a reset could be noticed, and no settings that one could lose.
package sht4x

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
const Driver = "sht4x"

// Commands of the SHT4x datasheet, v6; the heater's as in the Linux driver sht4x.c.
const (
	commandMeasure = 0xFD // high repeatability
	commandSerial  = 0x89
	commandHeat    = 0x32 // 200 mW for 0.1 s, then a measurement while hot
)

// Waits. The datasheet gives 8.3 ms at most for a measurement; Linux waits 110 ms for the short pulse.
const (
	waitMeasure = 9 * time.Millisecond
	waitHeat    = 110 * time.Millisecond
)

// Options of a sensor. The zero value is usable.
type Options struct {
	// Address is 0x44, 0x45 or 0x46; 0 means 0x44.
	Address uint16
	// Part is "SHT40", "SHT41" or "SHT45", and sets the accuracy that Describe returns; the parts do not report it
	// themselves. Empty means not known, and the figures of an SHT40.
	Part string
	// Heater lets the sensor heat itself in long humidity, against the creep of its reading. Nil means never.
	Heater *Heater
}

// Heater says when to give a heater pulse: 200 mW for 0.1 s. The maker allows a duty of at most 10 %, below 65 °C (from
// memory); these bounds are kept whatever the options say.
type Heater struct {
	// Above is the humidity in percent from which on a pulse is considered; 0 means 90.
	Above float64
	// For is how long humidity must have been above that without a break; 0 means 1 h.
	For time.Duration
	// Every is the least time between two pulses; 0 means 1 h, and less than 10 min is taken as 10 min, so that most
	// readings are taken with the sensor at rest.
	Every time.Duration
}

// Bounds of heating.
const (
	heatBelowCelsius = 65
	minBetween       = 10 * time.Minute
	maxGap           = 10 * time.Minute // readings further apart do not show that humidity was high in between
	// afterglow is how long readings count as heated after a pulse (own judgement, no published source).
	afterglow = 5 * time.Minute
)

// accuracy of temperature in K and humidity in %RH by part (SHT4x datasheet: SHT45 as read, the others from memory;
// typical figures).
var accuracy = map[string][2]float64{"": {0.2, 1.8}, "SHT40": {0.2, 1.8}, "SHT41": {0.2, 1.8}, "SHT45": {0.1, 1.0}}

// Dev is one sensor.
type Dev struct {
	conn    *chip.Conn
	part    string
	formula sensirion.Formula
	serial  uint32
	named   bool // the serial number is known
	heating heating
}

var _ sensors.Sensor = (*Dev)(nil)

// New returns a sensor on bus. It does not touch the bus.
func New(bus i2c.Bus, options Options) (*Dev, error) {
	figures, known := accuracy[options.Part]
	if !known {
		return nil, fmt.Errorf("%s: part %q is not SHT40, SHT41 or SHT45", Driver, options.Part)
	}
	conn, err := chip.Connect(Driver, bus, options.Address, 0x44, 0x45, 0x46)
	if err != nil {
		return nil, err
	}
	d := &Dev{conn: conn, part: options.Part, formula: formula(figures)}
	d.part = cmp.Or(d.part, "SHT4x")
	if options.Heater != nil {
		if d.heating, err = newHeating(*options.Heater); err != nil {
			return nil, err
		}
	}
	return d, nil
}

// formula holds the ranges and resolutions of the datasheet: −40 to 125 °C; what the humidity formula can give.
func formula(figures [2]float64) sensirion.Formula {
	return sensirion.Formula{
		Measures: []sensors.Measure{
			{Channel: sensors.Temperature, Low: -40, High: 125, Resolution: 0.01, Accuracy: figures[0]},
			{Channel: sensors.Humidity, Low: -6, High: 119, Resolution: 0.01, Accuracy: figures[1]},
		},
		Humidity: Humidity,
	}
}

// Humidity converts a humidity word into percent, not clamped (SHT4x datasheet, v6, pseudo-code).
func Humidity(word uint16) float64 { return -6 + 125*float64(word)/65535 }

// Describe returns what the sensor is. The serial number is part of it once the sensor has been read.
func (d *Dev) Describe() sensors.Description {
	description := sensors.Description{
		Driver:          Driver,
		Part:            d.part,
		Where:           d.conn.Where(),
		Measures:        slices.Clone(d.formula.Measures),
		MinimumInterval: time.Second, // against self-heating
	}
	if d.named {
		description.Part = fmt.Sprintf("%s serial %#08x", d.part, d.serial)
	}
	if d.heating.failure != nil {
		description.Notes = append(description.Notes, "the last heater pulse did not end well: "+d.heating.failure.Error())
	}
	return description
}

// Read measures temperature and humidity at high repeatability. Where the options allow heating and a pulse is due, it is
// given after the measurement, and the readings of the next five minutes are marked as heated.
func (d *Dev) Read(ctx context.Context) (sensors.Measurement, error) {
	reading, err := d.conn.Read(ctx, d.once)
	if err != nil {
		return reading, err
	}
	d.heating.follow(ctx, d.conn, &reading)
	return reading, nil
}

func (d *Dev) once(ctx context.Context) (sensors.Measurement, error) {
	if !d.conn.SetUp() {
		serial, frame, err := sensirion.Serial(ctx, d.conn, commandSerial)
		if err != nil {
			return sensors.Measurement{Evidence: frame}, err
		}
		d.serial, d.named = serial, true
		d.conn.Begun()
	}
	return d.formula.Measure(ctx, d.conn, waitMeasure, commandMeasure)
}

// Close ends the use of the sensor; the bus stays open.
func (d *Dev) Close() error { return d.conn.Close() }

// Package aht20 reads the humidity and temperature sensor AHT20.
//
//	sensor, err := aht20.New(bus, aht20.Options{})
//	...
//	reading, err := sensor.Read(ctx)
//
// New touches nothing: the sensor may be plugged in later. The checksum of each frame is checked, and the status before and
// within it: a sensor that lost its calibration by a dip of its supply is initialised again.
//
// Commands, waits and formulas are those of the AHT20 datasheet as the driver aht20 of periph.io/x/devices gives them.
package aht20

import (
	"context"
	"slices"
	"time"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors"
	"dewline/sensors/i2cbus"
	"dewline/sensors/internal/chip"
)

// Driver is the name of this driver in the config.
const Driver = "aht20"

// address is the only one there is: one sensor per bus.
const address = 0x38

// Commands.
var (
	commandStatus     = []byte{0x71}
	commandInitialise = []byte{0xBE, 0x08, 0x00} // loads the calibration
	commandMeasure    = []byte{0xAC, 0x33, 0x00}
)

// Bits of the status byte.
const (
	statusBusy       = 1 << 7
	statusCalibrated = 1 << 3
)

// Waits.
const (
	waitMeasure    = 80 * time.Millisecond
	waitInitialise = 10 * time.Millisecond
	waitMore       = 10 * time.Millisecond
	polls          = 5 // bounded: a stuck busy bit must not hang a reader
)

const (
	frameLength = 7
	crcInitial  = 0xFF
)

// Options of a sensor. The zero value is usable.
type Options struct {
	// Address may only be 0x38; 0 means that.
	Address uint16
}

// Dev is one sensor.
type Dev struct {
	conn *chip.Conn
}

var _ sensors.Sensor = (*Dev)(nil)

// measures holds range, resolution and typical accuracy (from memory).
var measures = []sensors.Measure{
	{Channel: sensors.Temperature, Low: -40, High: 85, Resolution: 0.01, Accuracy: 0.3},
	{Channel: sensors.Humidity, Low: 0, High: 100, Resolution: 0.024, Accuracy: 2},
}

// New returns a sensor on bus. It does not touch the bus.
func New(bus i2c.Bus, options Options) (*Dev, error) {
	conn, err := chip.Connect(Driver, bus, options.Address, address)
	if err != nil {
		return nil, err
	}
	return &Dev{conn: conn}, nil
}

// Describe returns what the sensor is.
func (d *Dev) Describe() sensors.Description {
	return sensors.Description{
		Driver:          Driver,
		Part:            "AHT20",
		Where:           d.conn.Where(),
		Measures:        slices.Clone(measures),
		MinimumInterval: 2 * time.Second, // against self-heating
	}
}

// Read measures temperature and humidity.
func (d *Dev) Read(ctx context.Context) (sensors.Measurement, error) {
	return d.conn.Read(ctx, d.once)
}

func (d *Dev) once(ctx context.Context) (reading sensors.Measurement, err error) {
	status := make([]byte, 1)
	if err := d.conn.Tx(ctx, "reading the status", commandStatus, status); err != nil {
		return sensors.Measurement{}, err
	}
	if d.conn.SetUp() && status[0]&statusCalibrated == 0 {
		d.conn.WasReset()
	}
	if !d.conn.SetUp() {
		if status, err = d.setUp(ctx, status); err != nil {
			return sensors.Measurement{Evidence: status}, err
		}
	}
	frame, err := d.conn.Command(ctx, "measuring", waitMeasure, frameLength, commandMeasure...)
	for range polls {
		if err != nil || frame[0]&statusBusy == 0 {
			break
		}
		if err = i2cbus.Sleep(ctx, waitMore); err == nil {
			err = d.conn.Tx(ctx, "reading the measurement", nil, frame)
		}
	}
	if err != nil {
		return sensors.Measurement{Evidence: frame}, err
	}
	values, err := Decode(frame)
	if err != nil {
		return sensors.Measurement{Evidence: frame}, err
	}
	return sensors.Measurement{Values: values, Evidence: frame}, nil
}

// setUp loads the calibration where it is missing. It returns the last status.
func (d *Dev) setUp(ctx context.Context, status []byte) ([]byte, error) {
	if status[0]&statusCalibrated == 0 {
		if _, err := d.conn.Command(ctx, "initialising", waitInitialise, 0, commandInitialise...); err != nil {
			return status, err
		}
		if err := d.conn.Tx(ctx, "reading the status", commandStatus, status); err != nil {
			return status, err
		}
		if status[0]&statusCalibrated == 0 {
			return status, sensors.Errorf(sensors.Implausible, "status %#02x: not calibrated although initialised", status[0])
		}
	}
	d.conn.Begun()
	return status, nil
}

// Decode converts a frame: status, 20 bits of humidity, 20 bits of temperature, checksum. A frame of a sensor that is still
// converting is Busy; one without calibration, or outside the part's ranges, Implausible.
func Decode(frame []byte) ([]sensors.Value, error) {
	if len(frame) != frameLength {
		return nil, sensors.Errorf(sensors.Implausible, "a frame of %d bytes, want %d", len(frame), frameLength)
	}
	if want := chip.CRC8(crcInitial, frame[:6]...); frame[6] != want {
		return nil, sensors.Errorf(sensors.Checksum, "% x should have the checksum %02x", frame, want)
	}
	if frame[0]&statusBusy != 0 {
		return nil, sensors.Errorf(sensors.Busy, "status %#02x: still measuring", frame[0])
	}
	if frame[0]&statusCalibrated == 0 {
		return nil, sensors.Errorf(sensors.Implausible, "status %#02x: the sensor lost its calibration, as by a dip of its supply", frame[0])
	}
	humidity := uint32(frame[1])<<12 | uint32(frame[2])<<4 | uint32(frame[3])>>4
	temperature := uint32(frame[3]&0x0F)<<16 | uint32(frame[4])<<8 | uint32(frame[5])
	values := []sensors.Value{
		{Channel: sensors.Temperature, Value: float64(temperature)/(1<<20)*200 - 50, Raw: uint64(temperature)},
		{Channel: sensors.Humidity, Value: float64(humidity) / (1 << 20) * 100, Raw: uint64(humidity)},
	}
	if err := chip.Check(measures, values); err != nil {
		return nil, err
	}
	return values, nil
}

// Close ends the use of the sensor; the bus stays open.
func (d *Dev) Close() error { return d.conn.Close() }

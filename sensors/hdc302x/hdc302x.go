// Package hdc302x reads a Texas Instruments HDC3020, HDC3021 or HDC3022 humidity sensor on an I²C bus.
//
//	sensor, err := hdc302x.New(bus, hdc302x.Options{Address: 0x44})
//	...
//	reading, err := sensor.Read(ctx)
//
// It uses the driver of periph.io/x/devices behind [guard]. Of that driver only the start, one-shot Sense and the
// status word are used. What it gets wrong is contained here: after a reset of the part it gets no acknowledgement for
// ever (the guard builds it again after each failure, and the status word shows that it was a reset); it asks no identity,
// while SHT3x and SHT4x live at the same address (the maker's number is read and its checksum checked at start); its
// background loop, which blocks and whose second stop panics, is never begun.
//
// The part measures by itself once a second, and gives every measurement out once; a read that comes earlier waits.
//
// Sources: periph driver and its tests for the commands; HDC3022 typical errors (0.1 °C, 0.5 %RH) from memory, doubled
// here for k = 2; at most one measurement a second against self-heating: note in the periph driver.
package hdc302x

import (
	"context"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/hdc302x"

	"dewline/sensors"
	"dewline/sensors/guard"
	"dewline/sensors/i2cbus"
	"dewline/sensors/internal/chip"
)

// Addresses of the part, by its two address pins (from memory; the periph driver names the first).
const (
	LowestAddress  = 0x44
	HighestAddress = 0x47
)

const (
	// maker is the number of Texas Instruments, as in the tests of the periph driver.
	maker      = 0x3000
	crcInitial = 0xFF
	// spacing is the second between two measurements of the part's own clock, with a margin for its tolerance.
	spacing = 1200 * time.Millisecond
	// settling is how long the part takes to leave its automatic mode.
	settling = 2 * time.Millisecond
)

// Options of the sensor.
type Options struct {
	Address uint16 // 0 means 0x44
}

// New returns a sensor. No device needs to be present yet: it is set up by the first read, which takes a good second.
func New(bus i2c.Bus, options Options) (*guard.Guarded, error) {
	address, err := chip.AddressBetween("hdc302x", LowestAddress, HighestAddress, options.Address)
	if err != nil {
		return nil, err
	}
	return guard.New(bus, guard.Options{
		Description: sensors.Description{
			Driver: "hdc302x",
			Part:   "HDC302x",
			Where:  fmt.Sprintf("%s %#02x", bus, address),
			Measures: []sensors.Measure{
				{Channel: sensors.Temperature, Low: -40, High: 125, Resolution: 175.0 / 65535, Accuracy: 0.2},
				{Channel: sensors.Humidity, Low: 0, High: 100, Resolution: 100.0 / 65535, Accuracy: 1},
			},
			MinimumInterval: 2 * time.Second,
		},
		Spacing: spacing,
		Build: func(ctx context.Context, recorder *guard.Recorder) (guard.MeasureFunc, error) {
			return build(ctx, recorder, address)
		},
	}), nil
}

func build(ctx context.Context, bus *guard.Recorder, address uint16) (guard.MeasureFunc, error) {
	// The part may run from before, and then takes no new rate; where it does not run, it may refuse the command.
	_ = bus.Bare().Tx(address, []byte{0x30, 0x93}, nil)
	if err := i2cbus.Sleep(ctx, settling); err != nil {
		return nil, err
	}
	if err := identify(bus, address); err != nil {
		return nil, err
	}
	dev, err := hdc302x.NewI2C(bus, address, hdc302x.RateHertz)
	if err != nil {
		return nil, err
	}
	status, err := readStatus(bus, dev)
	if err != nil {
		return nil, err
	}
	wasReset := status&hdc302x.StatusDeviceReset != 0
	return func(context.Context) (sensors.Measurement, error) {
		reading, err := sense(bus, dev)
		reading.Reset = wasReset
		wasReset = false
		return reading, err
	}, nil
}

// identify distinguishes the part from others at the same address.
func identify(bus *guard.Recorder, address uint16) error {
	answer := make([]byte, 3)
	if err := bus.Tx(address, []byte{0x37, 0x81}, answer); err != nil {
		return err
	}
	got, err := chip.Words(crcInitial, answer)
	if err != nil {
		return fmt.Errorf("maker's number: %w", err)
	}
	if got[0] != maker {
		return sensors.Errorf(sensors.Implausible, "maker's number is %04x, want %04x: another part answers", got[0], maker)
	}
	return nil
}

func sense(bus *guard.Recorder, dev *hdc302x.Dev) (sensors.Measurement, error) {
	var env physic.Env
	failed := dev.Sense(&env)
	reading := sensors.Measurement{Evidence: bus.Evidence()}
	if err := bus.Err(); err != nil {
		return reading, err
	}
	// The driver's own verdict on the checksum is only text, so the bytes are judged once more.
	got, err := chip.Words(crcInitial, reading.Evidence)
	if err != nil {
		return reading, err
	}
	if failed != nil {
		return reading, failed
	}
	if len(got) != 2 {
		return reading, sensors.Errorf(sensors.Implausible, "the measurement has %d words, want 2", len(got))
	}
	status, err := readStatus(bus, dev)
	if err != nil {
		return reading, err
	}
	if status&hdc302x.StatusDeviceReset != 0 {
		return reading, fmt.Errorf("status is %04x: %w", uint16(status), guard.ErrReset)
	}
	reading.Heated = status&hdc302x.StatusHeaterEnabled != 0
	reading.Values = []sensors.Value{
		{Channel: sensors.Temperature, Value: env.Temperature.Celsius(), Raw: uint64(got[0])},
		{Channel: sensors.Humidity, Value: float64(env.Humidity) / float64(physic.PercentRH), Raw: uint64(got[1])},
	}
	return reading, nil
}

// readStatus reads and clears the status word.
func readStatus(bus *guard.Recorder, dev *hdc302x.Dev) (hdc302x.StatusWord, error) {
	status, failed := dev.ReadStatus()
	if err := bus.Err(); err != nil {
		return 0, err
	}
	if _, err := chip.Words(crcInitial, bus.Evidence()); err != nil {
		return 0, fmt.Errorf("status: %w", err)
	}
	return status, failed
}

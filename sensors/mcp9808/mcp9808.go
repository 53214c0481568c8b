// Package mcp9808 reads a Microchip MCP9808 thermometer on an I²C bus.
//
//	sensor, err := mcp9808.New(bus, mcp9808.Options{Address: 0x18})
//	...
//	reading, err := sensor.Read(ctx)
//
// It is a driver of our own inside [guard]. The one in periph.io/x/devices cannot be contained: a part that was reset holds
// 0 °C until its first conversion, has no checksum, and comes back with the very settings that driver writes, so the dip
// shows nowhere and 0 °C is handed out as a reading. Here the upper alert limit, which nothing else uses while the alert
// output is off, is set to a mark at start and read back after every temperature: a part that was reset has lost it. The
// identity is checked as well, since 0x18 is also the address of the 1-Wire masters.
//
// An altered word that stays in the range passes, since the part protects its bytes by nothing.
//
// Sources: register layout as in the periph driver; identity, conversion time and limits: MCP9808 data sheet, from memory.
// The typical error of 0.25 °C is doubled for k = 2.
package mcp9808

import (
	"context"
	"time"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors"
	"dewline/sensors/guard"
	"dewline/sensors/i2cbus"
	"dewline/sensors/internal/chip"
)

// Addresses of the part, by its pins A0 to A2.
const (
	LowestAddress  = 0x18
	HighestAddress = 0x1F
)

const (
	configuration = 0x01
	upperLimit    = 0x02
	temperature   = 0x05
	makerID       = 0x06
	deviceID      = 0x07
	resolution    = 0x08

	maker    = 0x0054
	device   = 0x04   // high byte of the device register; the low byte is the revision
	finest   = 0x03   // 0.0625 °C
	shutdown = 0x0100 // configuration bit: no conversions
	mark     = 0x0550 // 85 °C as an alert limit; after power-on the register holds 0

	// A conversion at the finest resolution takes 250 ms typically.
	firstConversion = 300 * time.Millisecond
)

// Options of the sensor.
type Options struct {
	Address uint16 // 0 means 0x18
}

// New returns a sensor. No device needs to be present yet: it is set up by the first read.
func New(bus i2c.Bus, options Options) (*guard.Guarded, error) {
	return chip.Guard(bus, LowestAddress, HighestAddress, options.Address, sensors.Description{
		Driver: "mcp9808",
		Part:   "MCP9808",
		Measures: []sensors.Measure{
			{Channel: sensors.Temperature, Low: -40, High: 125, Resolution: 0.0625, Accuracy: 0.5},
		},
		MinimumInterval: time.Second,
	}, func(r chip.Registers) chip.Part { return part{r} })
}

type part struct{ chip.Registers }

// SetUp checks the identity, starts conversions and waits for the first.
func (p part) SetUp(ctx context.Context) error {
	id, err := p.Word(makerID)
	if err != nil {
		return err
	}
	kind, err := p.Word(deviceID)
	if err != nil {
		return err
	}
	if id != maker || kind>>8 != device {
		return sensors.Errorf(sensors.Implausible, "identity is %04x %04x, want %04x %02x..: another part answers", id, kind, maker, device)
	}
	for _, command := range [][]byte{
		{configuration, 0, 0},
		{resolution, finest},
		{upperLimit, mark >> 8, mark & 0xFF},
	} {
		if err := p.Write(command[0], command[1:]...); err != nil {
			return err
		}
	}
	return i2cbus.Sleep(ctx, firstConversion)
}

// Measure reads the temperature, and whether the part is as it was set up.
func (p part) Measure(context.Context) (sensors.Measurement, error) {
	word, err := p.Word(temperature)
	if err != nil {
		return sensors.Measurement{}, err
	}
	reading := sensors.Measurement{Evidence: []byte{byte(word >> 8), byte(word)}}
	// After the temperature: a reset before the word was read shows here.
	limit, err := p.Word(upperLimit)
	if err != nil {
		return reading, err
	}
	settings, err := p.Word(configuration)
	switch {
	case err != nil:
		return reading, err
	case limit == 0:
		return reading, guard.ErrReset
	case limit != mark:
		return reading, sensors.Errorf(sensors.Implausible, "upper limit is %04x, was set to %04x: it is locked, or another program uses the part", limit, mark)
	case settings&shutdown != 0:
		return reading, sensors.Errorf(sensors.Implausible, "the part is shut down (configuration %04x): another program uses it", settings)
	}
	reading.Values = []sensors.Value{{Channel: sensors.Temperature, Value: celsius(word), Raw: uint64(word & 0x1FFF)}}
	return reading, nil
}

// celsius decodes the temperature register: 13 bits in two's complement, in sixteenths, below three alert flags.
func celsius(word uint16) float64 {
	return float64(int16(word<<3)>>3) / 16
}

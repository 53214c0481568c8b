// Package tmp102 reads a Texas Instruments TMP102 thermometer on an I²C bus.
//
//	sensor, err := tmp102.New(bus, tmp102.Options{Address: 0x48})
//	...
//	reading, err := sensor.Read(ctx)
//
// It is a driver of our own inside [guard]. The one in periph.io/x/devices converts rightly at every code of the data sheet
// but did not pass the conformance suite: it reads the configuration, ignores a failure of that read, and writes back what
// it got. One altered bit then puts the part into its extended mode, whose words it takes for plain ones, and leaves it
// there. Nor does it notice that the part was reset and holds 0 °C until its first conversion. Here the configuration is
// written whole, with another rate than after power-on, and read back after every temperature: a part that was reset shows
// the rate of its power-on.
//
// The part has no checksum and no identity register: an altered word that stays in the range passes.
//
// Sources: TMP102 data sheet, register layout and limits from memory, as in the periph driver; ±0.5 °C as the typical error
// in the documentation of that driver, doubled here for k = 2.
package tmp102

import (
	"context"
	"time"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors"
	"dewline/sensors/guard"
	"dewline/sensors/i2cbus"
	"dewline/sensors/internal/chip"
)

// Addresses of the part, by its ADD0 pin.
const (
	LowestAddress  = 0x48
	HighestAddress = 0x4B
)

const (
	temperature   = 0x00
	configuration = 0x01

	// The resolution bits, always 11, and four bits that are always zero are all the identity there is.
	identity = 0x600F
	isTMP102 = 0x6000

	powerOnBits = 0x6080 // four conversions a second
	setUpBits   = 0x6040 // one conversion a second; no shutdown, no extended mode
	alert       = 0x0020 // shows the alert, which depends on the temperature

	// The first conversion after power-on takes 26 ms, at most 35.
	firstConversion = 40 * time.Millisecond
)

// Options of the sensor.
type Options struct {
	Address uint16 // 0 means 0x48
}

// New returns a sensor. No device needs to be present yet: it is set up by the first read.
func New(bus i2c.Bus, options Options) (*guard.Guarded, error) {
	return chip.Guard(bus, LowestAddress, HighestAddress, options.Address, sensors.Description{
		Driver: "tmp102",
		Part:   "TMP102",
		Measures: []sensors.Measure{
			{Channel: sensors.Temperature, Low: -40, High: 125, Resolution: 0.0625, Accuracy: 1},
		},
		MinimumInterval: time.Second,
	}, func(r chip.Registers) chip.Part { return part{r} })
}

type part struct{ chip.Registers }

// SetUp writes the configuration and waits for the first conversion.
func (p part) SetUp(ctx context.Context) error {
	settings, err := p.Word(configuration)
	if err != nil {
		return err
	}
	if settings&identity != isTMP102 {
		return sensors.Errorf(sensors.Implausible, "configuration %04x is not that of a TMP102: another part answers", settings)
	}
	if err := p.Write(configuration, setUpBits>>8, setUpBits&0xFF); err != nil {
		return err
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
	settings, err := p.Word(configuration)
	switch {
	case err != nil:
		return reading, err
	case settings&identity != isTMP102:
		return reading, sensors.Errorf(sensors.Implausible, "configuration %04x is not that of a TMP102: another part answers", settings)
	case settings&^alert == powerOnBits:
		return reading, guard.ErrReset
	case settings&^alert != setUpBits:
		return reading, sensors.Errorf(sensors.Implausible, "configuration is %04x, was set to %04x: another program uses the part", settings, setUpBits)
	case word&0x000F != 0:
		return reading, sensors.Errorf(sensors.Implausible, "temperature word %04x: its lowest four bits must be zero", word)
	}
	reading.Values = []sensors.Value{{Channel: sensors.Temperature, Value: celsius(word), Raw: uint64(word)}}
	return reading, nil
}

// celsius decodes the temperature register: 12 bits in two's complement, in sixteenths, above four zeros.
func celsius(word uint16) float64 {
	return float64(int16(word)>>4) / 16
}

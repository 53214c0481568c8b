// Package lm75 reads a thermometer of the class of the National LM75 on an I²C bus: LM75 of many makers, PCT2075, TMP75, TMP105,
// TMP175, TMP275, MCP9800 and alike.
//
//	sensor, err := lm75.New(bus, lm75.Options{Address: 0x48, Part: "TMP105"})
//	...
//	reading, err := sensor.Read(ctx)
//
// All of them have the same four registers, and none has an identity register or a checksum: an altered word that stays in
// the range passes. What differs is how fine they measure, so that a part which is not named is read in halves of a degree,
// as an LM75 is: its lower bits are undefined.
//
// A part that was reset holds 0 °C until its first conversion, and comes back with the settings of its power-on. So the
// fault queue, which only the alert output uses, is set to two conversions instead of one, and read back after every
// temperature: a part that was reset shows one again. The alert output keeps its limits, its mode and its polarity of power-on.
//
// Sources: LM75 data sheet of National (DS012658: registers, limits of 75 and 80 °C, accuracy, undefined lower bits), its
// successor TI SNIS153B (conversion of at most 300 ms), TMP105 data sheet SLLS648D (zero bits, table of codes, 0 °C until the first
// conversion); Linux lm75.c for the resolution and the resolution bits of the other parts.
package lm75

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors"
	"dewline/sensors/guard"
	"dewline/sensors/i2cbus"
	"dewline/sensors/internal/chip"
)

// Driver is the name of the driver in the configuration.
const Driver = "lm75"

// Addresses of the parts, by their pins A0 to A2.
const (
	LowestAddress  = 0x48
	HighestAddress = 0x4F
)

// Registers, all but the configuration of two bytes, the upper one first.
const (
	temperature   = 0x00
	configuration = 0x01
)

// Bits of the configuration.
const (
	faultQueue = 0x18 // how many conversions beyond a limit make an alert; 00 after power-on, which is one
	twoFaults  = 0x08
	twelveBits = 0x60
	resolution = 0x60 // in some parts the rate, in others reserved
	oneShot    = 0x80 // in some parts a single conversion, in others reserved
	belowQueue = 0x07 // shutdown, mode and polarity of the alert output, all zero after power-on
)

const (
	idleBus           = 0xFFFF                 // what a bus shows where nothing drives it
	firstConversion   = 350 * time.Millisecond // the slowest of these parts takes 300
	usualPart         = "LM75"
	usualPartAndAlike = "LM75 or alike"
)

// kind is what distinguishes the parts.
type kind struct {
	bits     int     // of the temperature register
	zeros    bool    // the bits below them are zero; in an LM75 they are undefined
	set      byte    // resolution bits of the configuration
	accuracy float64 // K, what the maker states at most
}

// kinds by the names of the parts. Accuracies: LM75 DS012658, −25…100 °C; TMP75 and TMP175 data sheet, −40…125 °C; TMP105
// SLLS648D, −25…85 °C; PCT2075, TMP275 and MCP9800 at room temperatures, from memory.
var kinds = map[string]kind{
	"LM75":    {9, false, 0, 2},
	"PCT2075": {11, true, 0, 1},
	"TMP75":   {12, true, twelveBits, 2},
	"TMP105":  {12, true, twelveBits, 2},
	"TMP175":  {12, true, twelveBits, 2},
	"TMP275":  {12, true, twelveBits, 0.5},
	"MCP9800": {12, true, twelveBits, 1},
}

// Options of the sensor.
type Options struct {
	Address uint16 // 0 means 0x48
	Part    string // name of the part, which gives its resolution and accuracy; "" means LM75, which fits them all
}

// New returns a sensor. No device needs to be present yet: it is set up by the first read.
func New(bus i2c.Bus, options Options) (*guard.Guarded, error) {
	name, shown, notes := options.Part, options.Part, []string(nil)
	if name == "" {
		name, shown = usualPart, usualPartAndAlike
		notes = []string{"accuracy and resolution depend on the part: name it in the config, such as part: TMP105"}
	}
	kind, ok := kinds[name]
	if !ok {
		return nil, fmt.Errorf("lm75: there is no part %q; known are %s", name, strings.Join(slices.Sorted(maps.Keys(kinds)), ", "))
	}
	return chip.Guard(bus, LowestAddress, HighestAddress, options.Address, sensors.Description{
		Driver: Driver,
		Part:   shown,
		Measures: []sensors.Measure{
			{Channel: sensors.Temperature, Low: -55, High: 125, Resolution: kind.step(), Accuracy: kind.accuracy},
		},
		Notes:           notes,
		MinimumInterval: time.Second,
	}, func(r chip.Registers) chip.Part { return part{r, kind} })
}

type part struct {
	chip.Registers
	kind kind
}

// SetUp writes the configuration and waits for the first conversion. One byte is written, which is all that these parts have;
// those with a second one keep it.
func (p part) SetUp(ctx context.Context) error {
	if err := p.Write(configuration, p.settings()); err != nil {
		return err
	}
	return i2cbus.Sleep(ctx, firstConversion)
}

func (p part) settings() byte { return p.kind.set | twoFaults }

// Measure reads the temperature, and whether the part is as it was set up.
func (p part) Measure(context.Context) (sensors.Measurement, error) {
	word, err := p.Word(temperature)
	if err != nil {
		return sensors.Measurement{}, err
	}
	reading := sensors.Measurement{Evidence: []byte{byte(word >> 8), byte(word)}}
	// After the temperature: a reset before the word was read shows here.
	read := make([]byte, 1)
	if err := p.Bus.Tx(p.Address, []byte{configuration}, read); err != nil {
		return reading, err
	}
	compared := byte(faultQueue | belowQueue)
	if p.kind.set != 0 {
		compared |= resolution
	}
	switch settings := read[0]; {
	case settings&(faultQueue|belowQueue) == 0:
		return reading, guard.ErrReset
	case settings&compared != p.settings():
		return reading, sensors.Errorf(sensors.Implausible,
			"configuration is %02x, was set to %02x: another part answers, or another program uses it", settings, p.settings())
	case word == idleBus:
		return reading, sensors.Errorf(sensors.Implausible, "temperature word %04x is what a bus without a part shows", word)
	case p.kind.zeros && word<<p.kind.bits != 0:
		return reading, sensors.Errorf(sensors.Implausible, "temperature word %04x: its lowest %d bits must be zero", word, 16-p.kind.bits)
	}
	reading.Values = []sensors.Value{{Channel: sensors.Temperature, Value: p.kind.celsius(word), Raw: uint64(word)}}
	return reading, nil
}

// step is the resolution in K.
func (k kind) step() float64 { return 256 / float64(int(1)<<k.bits) }

// celsius decodes the temperature register: the upper bits in two's complement, 1 °C in the lowest bit of the upper byte.
func (k kind) celsius(word uint16) float64 {
	return float64(int16(word)>>(16-k.bits)) * k.step()
}

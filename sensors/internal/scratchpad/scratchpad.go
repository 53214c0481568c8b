// Package scratchpad judges the nine bytes that a 1-Wire thermometer of the DS18B20 family hands out, whichever way they
// came: through the kernel or through a bus master of our own.
//
//	t, err := scratchpad.Parse(0x28, nine)
//
// A good checksum is not enough. Nine zeros carry a good checksum; a probe that has just lost power answers 85 °C with a
// good checksum; a conversion that broke off answers 127.9375 °C likewise. [Parse] refuses all three, so that they become
// a missing reading and never a temperature.
//
// Sources: DS18B20 data sheet, table "Temperature/Data Relationship" and the scratchpad layout (from memory where not
// otherwise marked); the rule on byte 6 and the field samples in the tests: the cpetrich/counterfeit_DS18B20 collection.
package scratchpad

import (
	"bytes"
	"math"

	"dewline/sensors"
)

// Size is the length of a scratchpad, checksum included.
const Size = 9

// Families of thermometers, by the low byte of the ROM code. They are the ones the Linux driver w1_therm knows.
const (
	FamilyDS18S20  = 0x10
	FamilyDS1822   = 0x22
	FamilyDS18B20  = 0x28
	FamilyDS1825   = 0x3B
	FamilyDS28EA00 = 0x42
)

// parts are the names of their parts.
var parts = map[byte]string{
	FamilyDS18S20: "DS18S20", FamilyDS1822: "DS1822", FamilyDS18B20: "DS18B20", FamilyDS1825: "DS1825", FamilyDS28EA00: "DS28EA00",
}

// The part's own range in degree Celsius (DS18B20 data sheet).
const (
	LowestCelsius  = -55
	HighestCelsius = 125
)

const (
	powerOnWord     = 0x0550 // 85 °C, what the register holds before the first conversion
	powerOnByte6    = 0x0C   // with the word above never after a true conversion of an original part
	powerOnWordS20  = 0x00AA // 85 °C in the half degrees of the DS18S20
	brokenOffWord   = 0x07FF // 127.9375 °C, the internal marker of a conversion that did not finish
	kelvinPerCount  = 1.0 / 16
	configurationAt = 4
)

// Temperature is what a sound scratchpad says.
type Temperature struct {
	Celsius float64
	Raw     uint16 // the word of bytes 0 and 1, as sent
	Bits    int    // resolution of the conversion: 9 to 12
}

// Known reports whether a family code belongs to a thermometer that [Parse] understands.
func Known(family byte) bool { return parts[family] != "" }

// Parse judges the nine bytes of a scratchpad of a part of the given family and returns the temperature. The error is a
// *sensors.Error: Absent for nine bytes of FF (no device pulled the line down), Checksum for a wrong CRC or a wrong number of
// bytes, Implausible for an answer that is well formed and cannot be true.
//
// A resolution below 12 bits leaves the lowest bits of the word undefined; they are masked.
func Parse(family byte, pad []byte) (Temperature, error) {
	if !Known(family) {
		return Temperature{}, sensors.Errorf(sensors.Implausible, "family code %02x is no thermometer of the DS18B20 kind", family)
	}
	if len(pad) != Size {
		return Temperature{}, sensors.Errorf(sensors.Checksum, "scratchpad has %d bytes, want %d", len(pad), Size)
	}
	if bytes.Count(pad, []byte{0xFF}) == Size {
		return Temperature{}, sensors.Errorf(sensors.Absent, "scratchpad is all ff: the data line is open or no device answered")
	}
	// Before the checksum: the CRC of zeros is zero, so a shorted line passes it.
	if bytes.Count(pad, []byte{0x00}) == Size {
		return Temperature{}, sensors.Errorf(sensors.Implausible, "scratchpad is all zero: the data line is shorted or the probe lost its power")
	}
	if want := CRC8(pad[:Size-1]); pad[Size-1] != want {
		return Temperature{}, sensors.Errorf(sensors.Checksum, "scratchpad % x: checksum is %02x, want %02x", pad, pad[Size-1], want)
	}
	raw := uint16(pad[0]) | uint16(pad[1])<<8
	if family == FamilyDS18S20 {
		return parseS20(pad, raw)
	}
	bits, err := resolution(family, pad)
	if err != nil {
		return Temperature{}, err
	}
	switch {
	case raw == powerOnWord && pad[6] == powerOnByte6:
		return Temperature{}, sensors.Errorf(sensors.Implausible,
			"85 °C with byte 6 = 0c is the power-on value: the probe lost its power before or during the conversion")
	case raw == brokenOffWord:
		return Temperature{}, sensors.Errorf(sensors.Implausible, "127.9375 °C marks a conversion that broke off: check the probe's supply")
	}
	counts := int16(raw) &^ (1<<(12-bits) - 1)
	return inRange(Temperature{Celsius: float64(counts) * kelvinPerCount, Raw: raw, Bits: bits})
}

// resolution reads the configuration register. Its fixed bits are the one part of a scratchpad whose value is known
// beforehand, so they distinguish a live part from a line that merely repeats something.
func resolution(family byte, pad []byte) (int, error) {
	configuration := pad[configurationAt]
	fixed, want := byte(0x9F), byte(0x1F) // 0 R1 R0 1 1 1 1 1
	if family == FamilyDS1825 {
		fixed, want = 0x90, 0x10 // 0 R1 R0 1 and four address pins; the thermocouple parts of this family set bit 7
	}
	if configuration&fixed != want {
		return 0, sensors.Errorf(sensors.Implausible, "configuration byte %02x of family %02x is impossible", configuration, family)
	}
	return 9 + int(configuration>>5&3), nil
}

// parseS20 computes the temperature of a DS18S20, which sends half degrees and the rest of the count beside them
// (formula as in Linux w1_therm.c). Its true 85 °C and its power-on value are the same bytes, so both are refused.
func parseS20(pad []byte, raw uint16) (Temperature, error) {
	remain, perDegree := pad[6], pad[7]
	if perDegree == 0 || remain > perDegree {
		return Temperature{}, sensors.Errorf(sensors.Implausible, "count remain %d of %d per degree is impossible", remain, perDegree)
	}
	if raw == powerOnWordS20 && remain == powerOnByte6 {
		return Temperature{}, sensors.Errorf(sensors.Implausible, "85 °C is the power-on value: the probe lost its power before or during the conversion")
	}
	whole := float64(int16(raw) >> 1)
	celsius := whole - 0.25 + float64(perDegree-remain)/float64(perDegree)
	return inRange(Temperature{Celsius: celsius, Raw: raw, Bits: 12})
}

func inRange(t Temperature) (Temperature, error) {
	if t.Celsius < LowestCelsius || t.Celsius > HighestCelsius || math.IsNaN(t.Celsius) {
		return Temperature{}, sensors.Errorf(sensors.Implausible, "%.4f °C (word %04x) is outside the part's range of %d to %d °C",
			t.Celsius, t.Raw, LowestCelsius, HighestCelsius)
	}
	return t, nil
}

// CRC8 is the checksum of ROM codes and scratchpads: x⁸+x⁵+x⁴+1, reflected, starting at 0 (Maxim application note 27).
func CRC8(b []byte) byte {
	var crc byte
	for _, x := range b {
		crc ^= x
		for range 8 {
			if crc&1 != 0 {
				crc = crc>>1 ^ 0x8C
			} else {
				crc >>= 1
			}
		}
	}
	return crc
}

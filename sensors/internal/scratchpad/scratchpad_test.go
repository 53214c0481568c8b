package scratchpad

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/sensors"
)

func withCRC(b ...byte) []byte { return append(b, CRC8(b)) }

// ROM 02 1C B8 01 00 00 00 → A2: the example of Maxim application note 27 (from memory, recomputed).
func TestCRC8(t *testing.T) {
	require.EqualValues(t, 0xA2, CRC8([]byte{0x02, 0x1C, 0xB8, 0x01, 0, 0, 0}))
	require.EqualValues(t, 0, CRC8(make([]byte, 8)), "the reason why nine zeros need a rule of their own")
}

// Temperature words of the DS18B20 data sheet's table.
func TestWords(t *testing.T) {
	for _, c := range []struct {
		word    uint16
		celsius float64
	}{
		{0x07D0, 125}, {0x0550, 85}, {0x0191, 25.0625}, {0x00A2, 10.125}, {0x0008, 0.5}, {0x0000, 0},
		{0xFFF8, -0.5}, {0xFF5E, -10.125}, {0xFE6F, -25.0625}, {0xFC90, -55},
	} {
		pad := withCRC(byte(c.word), byte(c.word>>8), 0x4B, 0x46, 0x7F, 0xFF, 0x10, 0x10)
		for _, family := range []byte{FamilyDS18B20, FamilyDS1822, FamilyDS28EA00, FamilyDS1825} {
			got, err := Parse(family, pad)
			require.NoError(t, err, "%04x", c.word)
			require.Equal(t, Temperature{Celsius: c.celsius, Raw: c.word, Bits: 12}, got)
		}
	}
}

func TestParse(t *testing.T) {
	for _, c := range []struct {
		name    string
		family  byte
		pad     []byte
		celsius float64
		kind    sensors.Kind
	}{
		// Computed checksums.
		{name: "true 85", pad: []byte{0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x10, 0x10, 0xBD}, celsius: 85},
		{name: "power-on", pad: []byte{0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0x1C}, kind: sensors.Implausible},
		{name: "25.0625", pad: []byte{0x91, 0x01, 0x4B, 0x46, 0x7F, 0xFF, 0x0F, 0x10, 0x25}, celsius: 25.0625},
		{name: "-10.125", pad: []byte{0x5E, 0xFF, 0x4B, 0x46, 0x7F, 0xFF, 0x02, 0x10, 0xB6}, celsius: -10.125},
		{name: "true 0", pad: []byte{0x00, 0x00, 0x4B, 0x46, 0x7F, 0xFF, 0x10, 0x10, 0x69}, celsius: 0},
		// Measured in the field: cpetrich/counterfeit_DS18B20, issue 22.
		{name: "clone with 0c always, 15.25", pad: []byte{0xF4, 0x00, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0xFA}, celsius: 15.25},
		{name: "clone, 15.1875", pad: []byte{0xF3, 0x00, 0x4B, 0x46, 0x7F, 0xFF, 0x0D, 0x10, 0xEE}, celsius: 15.1875},

		{name: "nine zeros", pad: make([]byte, 9), kind: sensors.Implausible},
		{name: "idle line", pad: []byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}, kind: sensors.Absent},
		{name: "broken-off conversion", pad: withCRC(0xFF, 0x07, 0x4B, 0x46, 0x7F, 0xFF, 0x01, 0x10), kind: sensors.Implausible},
		{name: "checksum", pad: []byte{0x91, 0x01, 0x4B, 0x46, 0x7F, 0xFF, 0x0F, 0x10, 0x24}, kind: sensors.Checksum},
		{name: "short", pad: []byte{0x91, 0x01}, kind: sensors.Checksum},
		{name: "none", pad: nil, kind: sensors.Checksum},
		{name: "configuration 00", pad: withCRC(0x91, 0x01, 0x4B, 0x46, 0x00, 0xFF, 0x0F, 0x10), kind: sensors.Implausible},
		{name: "configuration ff", pad: withCRC(0x91, 0x01, 0x4B, 0x46, 0xFF, 0xFF, 0x0F, 0x10), kind: sensors.Implausible},
		{name: "below the range", pad: withCRC(0x8F, 0xFC, 0x4B, 0x46, 0x7F, 0xFF, 0x01, 0x10), kind: sensors.Implausible},
		{name: "above the range", pad: withCRC(0xD1, 0x07, 0x4B, 0x46, 0x7F, 0xFF, 0x0F, 0x10), kind: sensors.Implausible},
		{name: "unknown family", family: 0x26, pad: withCRC(0x91, 0x01, 0x4B, 0x46, 0x7F, 0xFF, 0x0F, 0x10), kind: sensors.Implausible},
		{name: "DS1825 at pin address 5", family: FamilyDS1825, pad: withCRC(0x91, 0x01, 0x4B, 0x46, 0x75, 0xFF, 0x0F, 0x10), celsius: 25.0625},
		{name: "thermocouple part", family: FamilyDS1825, pad: withCRC(0x91, 0x01, 0x4B, 0x46, 0xF5, 0xFF, 0x0F, 0x10), kind: sensors.Implausible},

		// The half degrees and the count of a DS18S20: 25.0 − 0.25 + (16 − 13)/16, and −25 − 0.25 + (16 − 12)/16.
		{name: "DS18S20", family: FamilyDS18S20, pad: withCRC(0x32, 0x00, 0x4B, 0x46, 0xFF, 0xFF, 0x0D, 0x10), celsius: 24.9375},
		{name: "DS18S20 below zero", family: FamilyDS18S20, pad: withCRC(0xCE, 0xFF, 0x4B, 0x46, 0xFF, 0xFF, 0x0C, 0x10), celsius: -25},
		{name: "DS18S20 power-on", family: FamilyDS18S20, pad: withCRC(0xAA, 0x00, 0x4B, 0x46, 0xFF, 0xFF, 0x0C, 0x10), kind: sensors.Implausible},
		{name: "DS18S20 count", family: FamilyDS18S20, pad: withCRC(0x32, 0x00, 0x4B, 0x46, 0xFF, 0xFF, 0x0C, 0x00), kind: sensors.Implausible},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.family == 0 {
				c.family = FamilyDS18B20
			}
			got, err := Parse(c.family, c.pad)
			if c.kind != sensors.Unknown {
				require.Equal(t, c.kind, sensors.KindOf(err), "%v", err)
				require.Zero(t, got)
				return
			}
			require.NoError(t, err)
			require.Equal(t, c.celsius, got.Celsius)
		})
	}
}

// Below 12 bits the lowest bits of the word mean nothing.
func TestResolutionMasksUndefinedBits(t *testing.T) {
	for bits, want := range map[int]float64{9: 25, 10: 25, 11: 25.125, 12: 25.1875} {
		pad := withCRC(0x93, 0x01, 0x4B, 0x46, byte(bits-9)<<5|0x1F, 0xFF, 0x0D, 0x10)
		got, err := Parse(FamilyDS18B20, pad)
		require.NoError(t, err)
		require.Equal(t, Temperature{Celsius: want, Raw: 0x0193, Bits: bits}, got)
	}
}

// A single altered bit never passes: the polynomial finds all of them, and zeros and ones have their own rules.
func TestOneAlteredBitNeverPasses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		word := uint16(rapid.IntRange(-55*16, 125*16).Draw(t, "word"))
		sixth := byte(16 - word&15)
		pad := withCRC(byte(word), byte(word>>8), 0x4B, 0x46, 0x7F, 0xFF, sixth, 0x10)
		got, err := Parse(FamilyDS18B20, pad)
		require.NoError(t, err)
		require.Equal(t, float64(int16(word))/16, got.Celsius)
		bit := rapid.IntRange(0, 71).Draw(t, "bit")
		pad[bit/8] ^= 1 << (bit % 8)
		_, err = Parse(FamilyDS18B20, pad)
		require.Equal(t, sensors.Checksum, sensors.KindOf(err))
	})
}

// FuzzParse: an answer is either a temperature inside the part's range or an error with a kind, never both.
func FuzzParse(f *testing.F) {
	f.Add(byte(0x28), []byte{0x91, 0x01, 0x4B, 0x46, 0x7F, 0xFF, 0x0F, 0x10, 0x25})
	f.Add(byte(0x28), []byte{0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0x1C})
	f.Add(byte(0x10), withCRC(0x32, 0x00, 0x4B, 0x46, 0xFF, 0xFF, 0x0D, 0x10))
	f.Add(byte(0x3B), make([]byte, 9))
	f.Fuzz(func(t *testing.T, family byte, pad []byte) {
		for range 2 {
			got, err := Parse(family, pad)
			if err != nil {
				require.Zero(t, got)
				require.NotEqual(t, sensors.Unknown, sensors.KindOf(err))
			} else {
				require.False(t, math.IsNaN(got.Celsius))
				require.GreaterOrEqual(t, got.Celsius, -55.0)
				require.LessOrEqual(t, got.Celsius, 125.0)
				require.False(t, family != FamilyDS18S20 && got.Raw == 0x0550 && pad[6] == 0x0C)
			}
			// Once more with the checksum set right, which chance hardly ever does.
			if len(pad) == Size {
				pad[8] = CRC8(pad[:8])
			}
		}
	})
}

func TestROM(t *testing.T) {
	rom, err := ParseROM("28-0316a2794bff\n")
	require.NoError(t, err)
	require.Equal(t, "28-0316a2794bff", rom.String())
	b := rom.Bytes()
	require.Equal(t, []byte{0x28, 0xFF, 0x4B, 0x79, 0xA2, 0x16, 0x03}, b[:7])
	require.True(t, rom.Valid())
	require.True(t, rom.Clone())

	// The example of Maxim application note 27 as a whole code.
	rom = ROM(0xA2_00_00_00_01_B8_1C_02)
	require.True(t, rom.Valid())
	require.EqualValues(t, 0x02, rom.Family())
	require.False(t, (rom ^ 1<<20).Valid())
	require.False(t, ROM(0).Valid())

	original, err := ParseROM("28-00000a2794bf")
	require.NoError(t, err)
	require.False(t, original.Clone())
	other, err := ParseROM("10-0316a2794bff")
	require.NoError(t, err)
	require.False(t, other.Clone(), "the pattern is known of the DS18B20 only")
}

func TestParseROMRefuses(t *testing.T) {
	for _, text := range []string{"", "28", "28-", "28-0316a2794bf", "28-0316a2794bfff", "2x-0316a2794bff", "28-0316a2794bfg", "280316a2794bff", "28-+316a2794bff"} {
		_, err := ParseROM(text)
		require.ErrorContains(t, err, "ROM code", text)
	}
}

// FuzzParseROM: what parses prints back, in lower case, and is valid.
func FuzzParseROM(f *testing.F) {
	f.Add("28-0316a2794bff")
	f.Add("10-000802be73fa")
	f.Add("28-")
	f.Fuzz(func(t *testing.T, text string) {
		rom, err := ParseROM(text)
		if err != nil {
			require.Zero(t, rom)
			return
		}
		require.Equal(t, strings.ToLower(strings.TrimSpace(text)), rom.String())
		require.True(t, rom.Valid() || rom == 0)
	})
}

func ExampleParse() {
	probe := []byte{0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0x1C} // a good checksum, and no temperature
	_, err := Parse(FamilyDS18B20, probe)
	fmt.Println(sensors.KindOf(err))
	t, err := Parse(FamilyDS18B20, []byte{0x91, 0x01, 0x4B, 0x46, 0x7F, 0xFF, 0x0F, 0x10, 0x25})
	fmt.Println(t.Celsius, err)
	// Output:
	// implausible
	// 25.0625 <nil>
}

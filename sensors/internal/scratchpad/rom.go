package scratchpad

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"
)

// ROM is the 64-bit code of a 1-Wire device: family in the lowest byte, six bytes of serial number, checksum in the
// highest byte. It has the same layout as periph's onewire.Address.
type ROM uint64

// ParseROM reads the kernel's notation, such as "28-0316a2794bff": family, dash, serial with its highest byte first. The
// checksum, which that notation leaves out, is computed.
func ParseROM(text string) (ROM, error) {
	family, serial, ok := strings.Cut(strings.TrimSpace(text), "-")
	if !ok || len(family) != 2 || len(serial) != 12 {
		return 0, fmt.Errorf("ROM code %q: want two hex digits, a dash and twelve hex digits, such as 28-0316a2794bff", text)
	}
	f, err := strconv.ParseUint(family, 16, 8)
	if err != nil {
		return 0, fmt.Errorf("ROM code %q: family is not hexadecimal: %w", text, err)
	}
	s, err := strconv.ParseUint(serial, 16, 48)
	if err != nil {
		return 0, fmt.Errorf("ROM code %q: serial number is not hexadecimal: %w", text, err)
	}
	rom := ROM(f | s<<8)
	bytes := rom.Bytes()
	return rom | ROM(CRC8(bytes[:7]))<<56, nil
}

// Bytes returns the code in the order in which it goes over the wire.
func (r ROM) Bytes() [8]byte {
	var b [8]byte
	for i := range b {
		b[i] = byte(r >> (8 * i))
	}
	return b
}

// Family returns the family code.
func (r ROM) Family() byte { return byte(r) }

// Valid reports whether the checksum fits the rest, and the code is not the all-zero one of a shorted line.
func (r ROM) Valid() bool {
	b := r.Bytes()
	return r != 0 && CRC8(b[:7]) == b[7]
}

// String returns the kernel's notation.
func (r ROM) String() string {
	return fmt.Sprintf("%02x-%012x", r.Family(), uint64(r)>>8&(1<<48-1))
}

// Clone reports whether a DS18B20 code differs from the pattern of originals, whose two highest serial bytes are zero.
// Copies show offsets of up to 3 °C, hence "a copy of the original part: check it in ice water first". Source: cpetrich/counterfeit_DS18B20.
func (r ROM) Clone() bool {
	return r.Family() == FamilyDS18B20 && uint64(r)>>40&0xFFFF != 0
}

// Part names the part by its family: "DS18B20" for every family that has no name of its own here, since all of them answer alike.
func (r ROM) Part() string { return cmp.Or(parts[r.Family()], parts[FamilyDS18B20]) }

package w1

import (
	"encoding/hex"
	"strings"

	"dewline/sensors"
	"dewline/sensors/internal/scratchpad"
	"dewline/sensors/kernelfile"
)

// Slave is the text of a w1_slave file:
//
//	65 01 4b 46 7f ff 0b 10 2c : crc=2c YES
//	65 01 4b 46 7f ff 0b 10 2c t=22312
//
// The first line holds the bytes of this read; the second those of the last read that the kernel found good, and the
// temperature (Linux w1_therm.c, w1_slave_show).
type Slave struct {
	Scratchpad   [scratchpad.Size]byte // the bytes of this read
	CRC          byte                  // the checksum that the kernel computed over the first eight
	Good         bool                  // YES: the kernel found it equal to the ninth. On NO, nothing else may be used
	Last         [scratchpad.Size]byte // the bytes of the last good read
	Millicelsius int64                 // what the kernel makes of the bytes
}

// ParseSlave reads the text of a w1_slave file. The error is of kind Checksum: garbled.
func ParseSlave(text []byte) (Slave, error) {
	garbled := func() (Slave, error) {
		return Slave{}, sensors.Errorf(sensors.Checksum, "garbled text %q where a scratchpad belongs", text)
	}
	first, second, ok := strings.Cut(strings.TrimSpace(string(text)), "\n")
	if !ok {
		return garbled()
	}
	var s Slave
	pad, verdict, ok := strings.Cut(first, " : crc=")
	crc, word, ok2 := strings.Cut(verdict, " ")
	if !ok || !ok2 || !parseBytes(s.Scratchpad[:], pad) {
		return garbled()
	}
	var sum [1]byte
	if !parseBytes(sum[:], crc) {
		return garbled()
	}
	s.CRC = sum[0]
	switch strings.TrimSpace(word) {
	case "YES":
		s.Good = true
	case "NO":
	default:
		return garbled()
	}
	last, milli, ok := strings.Cut(second, " t=")
	if !ok || !parseBytes(s.Last[:], last) {
		return garbled()
	}
	var err error
	if s.Millicelsius, err = kernelfile.ParseInteger([]byte(milli)); err != nil {
		return garbled()
	}
	return s, nil
}

// parseBytes reads exactly len(into) bytes in hexadecimal, separated by single spaces.
func parseBytes(into []byte, text string) bool {
	fields := strings.Split(text, " ")
	if len(fields) != len(into) {
		return false
	}
	for i, field := range fields {
		if n, err := hex.DecodeString(field); err != nil || len(n) != 1 {
			return false
		} else {
			into[i] = n[0]
		}
	}
	return true
}

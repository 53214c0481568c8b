package board

import (
	"fmt"
	"strconv"
	"strings"

	"dewline/sensors"
)

// Throttled is the word by which the firmware of a Raspberry Pi reports what slows the board down. Bits 0 to 3 speak of now,
// bits 16 to 19 of some time before: since boot, or, where the kernel's rpi_volt driver runs, since that driver last
// looked, for it clears them every two seconds (Linux raspberrypi-hwmon.c).
//
// Source of the bits: the firmware's published command list, as in several public decoders.
type Throttled uint32

// The bits.
const (
	UnderVoltage     Throttled = 1 << 0 // the 5 V supply is below about 4.63 V (from memory)
	FrequencyCapped  Throttled = 1 << 1
	SlowedDown       Throttled = 1 << 2
	SoftLimit        Throttled = 1 << 3 // the soft temperature limit is reached
	WasUnderVoltage  Throttled = UnderVoltage << 16
	WasCapped        Throttled = FrequencyCapped << 16
	WasSlowedDown    Throttled = SlowedDown << 16
	SoftLimitReached Throttled = SoftLimit << 16

	knownBits Throttled = 0xF<<16 | 0xF
)

// ParseThrottled reads the word as the kernel's get_throttled file prints it ("50005") or as the firmware's own command
// does ("throttled=0x50005"). The error is of kind Checksum: garbled.
func ParseThrottled(text string) (Throttled, error) {
	digits := strings.TrimSpace(text)
	digits = strings.TrimPrefix(digits, "throttled=")
	digits = strings.TrimPrefix(digits, "0x")
	n, err := strconv.ParseUint(digits, 16, 32)
	if err != nil {
		return 0, sensors.Errorf(sensors.Checksum, "garbled text %q where a throttled word belongs", text)
	}
	return Throttled(n), nil
}

// Has reports whether any of some bits is set.
func (t Throttled) Has(bits Throttled) bool { return t&bits != 0 }

// String says what is wrong, such as "under-voltage now, slowed down before", or "in order".
func (t Throttled) String() string {
	var all []string
	for i, what := range []string{"under-voltage", "frequency capped", "slowed down", "soft temperature limit"} {
		switch {
		case t.Has(1 << i):
			all = append(all, what+" now")
		case t.Has(1 << (16 + i)):
			all = append(all, what+" before")
		}
	}
	if odd := t &^ knownBits; odd != 0 {
		all = append(all, fmt.Sprintf("unknown bits %#x", uint32(odd)))
	}
	if len(all) == 0 {
		return "in order"
	}
	return strings.Join(all, ", ")
}

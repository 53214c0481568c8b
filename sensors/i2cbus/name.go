package i2cbus

import (
	"fmt"
	"strconv"
	"strings"
)

// Name identifies a bus: the number of the kernel's adapter, and the multiplexer channels that lead on from there.
type Name struct {
	Number int
	path   []hop
}

// highestBus is more than any board has; the kernel numbers adapters from 0 (0xfffff is its own bound).
const highestBus = 0xfffff

// ParseName reads "I2C1", "i2c-1", "/dev/i2c-1" or "1", and after it any number of "/0x70:3": channel 3 of the
// multiplexer at 0x70.
func ParseName(text string) (Name, error) {
	wrong := func(why string) (Name, error) {
		return Name{}, fmt.Errorf("I²C bus %q: %s; write it as I2C1, or I2C1/0x70:3 for channel 3 of the multiplexer at 0x70",
			text, why)
	}
	trimmed := strings.TrimPrefix(strings.ToLower(strings.TrimSpace(text)), "/dev/")
	first, rest, further := strings.Cut(trimmed, "/")
	digits := first
	for _, prefix := range []string{"i2c-", "i2c"} {
		if after, found := strings.CutPrefix(first, prefix); found {
			digits = after
			break
		}
	}
	number, err := strconv.ParseUint(digits, 10, 31)
	if err != nil || number > highestBus || digits[0] == '+' {
		return wrong("no bus number")
	}
	name := Name{Number: int(number)}
	for further {
		var part string
		part, rest, further = strings.Cut(rest, "/")
		address, channel, found := strings.Cut(part, ":")
		if !found {
			return wrong(fmt.Sprintf("%q is no multiplexer channel", part))
		}
		a, errA := strconv.ParseUint(address, 0, 8)
		c, errC := strconv.ParseUint(channel, 10, 8)
		if errA != nil || errC != nil {
			return wrong(fmt.Sprintf("%q is no multiplexer channel", part))
		}
		h := hop{uint16(a), uint8(c)}
		if err := h.check(); err != nil {
			return wrong(err.Error())
		}
		for _, before := range name.path {
			if before.address == h.address {
				return wrong(fmt.Sprintf("two multiplexers at %#02x in a row would both answer", h.address))
			}
		}
		name.path = append(name.path, h)
	}
	return name, nil
}

// String writes the name as "I2C1" or "I2C1/0x70:3".
func (n Name) String() string {
	text := "I2C" + strconv.Itoa(n.Number)
	for _, h := range n.path {
		text += h.String()
	}
	return text
}

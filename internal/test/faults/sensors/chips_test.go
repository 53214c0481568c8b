package sensors_test

import (
	"encoding/hex"
	"slices"
	"strings"
	"sync"

	"dewline/sensors/sensortest"
)

// The chips here answer the commands of their data sheets with one measurement, and with what cannot be true once they are
// broken. How they behave in time and at power-on is simulated where each driver is tested by itself.

// chip is a simulated part on an I²C bus.
type chip interface {
	sensortest.Device
	lie() // from now on measure what cannot be
	heal()
}

// locked is a chip that a test breaks and heals while a slow access is still under way.
type locked struct {
	mu sync.Mutex
	chip
}

func (l *locked) do(f func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	f()
}

func (l *locked) Reset() { l.do(l.chip.Reset) }
func (l *locked) lie()   { l.do(l.chip.lie) }
func (l *locked) heal()  { l.do(l.chip.heal) }

func (l *locked) Exchange(w, r []byte) (err error) {
	l.do(func() { err = l.chip.Exchange(w, r) })
	return err
}

func unhex(text string) []byte {
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		panic(err)
	}
	return b
}

// crc is the CRC-8 of Sensirion and of the AHT20 (polynomial 31 hex) over bytes, from an initial value.
func crc(initial byte, bytes ...byte) byte {
	sum := initial
	for _, b := range bytes {
		sum ^= b
		for range 8 {
			if sum&0x80 != 0 {
				sum = sum<<1 ^ 0x31
			} else {
				sum <<= 1
			}
		}
	}
	return sum
}

// frame writes words, each with its checksum.
func frame(words ...uint16) []byte {
	var b []byte
	for _, w := range words {
		b = append(b, byte(w>>8), byte(w), crc(0xFF, byte(w>>8), byte(w)))
	}
	return b
}

// commanded is a part that answers commands: what was asked for last is read in the same transaction or in the next one.
type commanded struct {
	answers map[string][]byte // by command in hex; an empty answer is an acknowledgement
	measure string            // the command whose answer is the measurement
	truth   []byte
	lies    []byte
	asked   []byte
}

func (c *commanded) Reset() {}
func (c *commanded) lie()   { c.answers[c.measure] = c.lies }
func (c *commanded) heal()  { c.answers[c.measure] = c.truth }

func (c *commanded) Exchange(w, r []byte) error {
	if len(w) > 0 {
		answer, known := c.answers[hex.EncodeToString(w)]
		if !known { // a command with parameters
			answer, known = c.answers[hex.EncodeToString(w[:1])]
		}
		if !known {
			return sensortest.NoAcknowledge
		}
		c.asked = answer
	}
	copy(r, c.asked)
	return nil
}

func command(measure string, truth, lies []byte, answers map[string][]byte) *commanded {
	c := &commanded{answers: answers, measure: measure, truth: truth, lies: lies}
	c.heal()
	return c
}

// registered is a part with registers, as words of two bytes or as bytes that follow one another.
type registered struct {
	registers  map[byte][]byte
	measured   byte
	truth, not []byte
	pointer    byte
}

func (c *registered) Reset() {}
func (c *registered) lie()   { c.registers[c.measured] = c.not }
func (c *registered) heal()  { c.registers[c.measured] = c.truth }

func (c *registered) Exchange(w, r []byte) error {
	if len(w) > 0 {
		c.pointer = w[0]
	}
	if len(w) > 1 {
		c.registers[c.pointer] = slices.Clone(w[1:])
	}
	copy(r, c.registers[c.pointer])
	return nil
}

func words(measured byte, truth, not uint16, registers map[byte][]byte) *registered {
	two := func(w uint16) []byte { return []byte{byte(w >> 8), byte(w)} }
	c := &registered{registers: registers, measured: measured, truth: two(truth), not: two(not)}
	c.heal()
	return c
}

// bosch is a BME280 or BMP280: a register map that is read in bursts.
type bosch struct {
	memory     [256]byte
	truth, not []byte
}

func newBosch(id byte, trim, truth string) *bosch {
	c := &bosch{truth: unhex(truth)}
	c.not = make([]byte, len(c.truth))
	c.memory[0xD0] = id
	bytes := unhex(trim)
	copy(c.memory[0x88:], bytes[:26])
	copy(c.memory[0xE1:], bytes[26:])
	c.heal()
	return c
}

func (c *bosch) Reset() {}
func (c *bosch) lie()   { copy(c.memory[0xF7:], c.not) }
func (c *bosch) heal()  { copy(c.memory[0xF7:], c.truth) }

func (c *bosch) Exchange(w, r []byte) error {
	if len(r) > 0 {
		copy(r, c.memory[w[0]:])
		return nil
	}
	for i := 0; i+1 < len(w); i += 2 {
		value := w[i+1]
		if w[i] == 0xF4 {
			value &^= 3 // a forced measurement falls back to sleep
		}
		if w[i] != 0xE0 {
			c.memory[w[i]] = value
		}
	}
	return nil
}

// master is a DS2482 with one DS18B20 on its line.
type master struct {
	pad, truth, not []byte
	pointer         byte
	data, settings  byte
	reset           bool // since the settings were written
	written         int
	output          []byte
}

func newMaster() *master {
	// 22.3125 °C, and the value a probe has at power-on (both from the recorded tree's tests).
	m := &master{truth: unhex("65014b467fff0b102c"), not: unhex("50054b467fff0c101c")}
	m.heal()
	m.pointer = 0xF0
	return m
}

func (m *master) Reset() {}
func (m *master) lie()   { m.pad = m.not }
func (m *master) heal()  { m.pad = m.truth }

func (m *master) Exchange(w, r []byte) error {
	if len(w) > 0 {
		m.take(w)
	}
	for i := range r {
		switch m.pointer {
		case 0xE1:
			r[i] = m.data
		case 0xC3:
			r[i] = m.settings
		default:
			r[i] = 1<<1 | 1<<3 // a presence pulse was seen, the line is high
			if m.reset {
				r[i] |= 1 << 4
			}
		}
	}
	return nil
}

func (m *master) take(w []byte) {
	m.pointer = 0xF0
	switch w[0] {
	case 0xF0:
		m.reset, m.settings = true, 0
	case 0xE1:
		m.pointer = w[1]
	case 0xD2:
		m.settings, m.pointer, m.reset = w[1]&0xF, 0xC3, false
	case 0xB4:
		m.written, m.output = 0, nil
	case 0xA5:
		m.written++
		if w[1] == 0xBE && m.written > 9 { // after 55 hex and the eight bytes of the ROM
			m.output = slices.Clone(m.pad)
		}
	case 0x96:
		m.data = 0xFF
		if len(m.output) > 0 {
			m.data, m.output = m.output[0], m.output[1:]
		}
	}
}

// newTMP102 is the neighbour: 22.5 °C.
func newTMP102() chip {
	return words(0, 0x1680, 0x7FF0, map[byte][]byte{1: {0x60, 0xA0}, 2: {0x4B, 0}, 3: {0x50, 0}})
}

// chips makes each part on its I²C bus. Their measurements are those of the drivers' own tests, which name their sources.
var chips = map[string]func() chip{
	"sht4x": func() chip {
		return command("fd", unhex("62beadb02096"), unhex("ffffacffffac"), map[string][]byte{"89": frame(0x0F5A, 0x31C2)})
	},
	"sht3x": func() chip {
		return command("2400", unhex("62beadcccca5"), unhex("ffffacffffac"), map[string][]byte{
			"f32d": frame(0), "3041": {}, "3066": {}, "3093": {}, "3682": frame(0x0F5A, 0x31C2),
		})
	},
	"htu21": func() chip {
		return command("f3", unhex("683a7c"), unhex("000000"), map[string][]byte{"fe": {}, "f5": unhex("4e856b")})
	},
	"aht20": func() chip {
		never := []byte{0x18, 0, 0, 0, 0, 0}
		return command("ac", unhex("187552058e407f"), append(never, crc(0xFF, never...)), map[string][]byte{"71": {0x18}, "be": {}})
	},
	"hdc302x": func() chip {
		return command("e000", frame(0x62BE, 0xCCCC), frame(0xFFFF, 0xFFFF), map[string][]byte{
			"2130": {}, "3093": {}, "3781": frame(0x3000), "f32d": frame(0), "3041": {},
		})
	},
	"scd4x": func() chip {
		return command("ec05", frame(800, 0x62BE, 0xCCCC), frame(0xFFFF, 0xFFFF, 0xFFFF), map[string][]byte{
			"21b1": {}, "3f86": {}, "3682": frame(0x73B1, 0xEB07, 0x3B0C), "e4b8": frame(0x8006),
		})
	},
	"mcp9808": func() chip {
		return words(5, 0xC168, 0x07E0, map[byte][]byte{6: {0, 0x54}, 7: {4, 0}, 8: {3}})
	},
	"tmp102": newTMP102,
	"lm75":   func() chip { return words(0, 0x1680, 0x7FFF, map[byte][]byte{1: {0}, 2: {0x4B, 0}, 3: {0x50, 0}}) },
	"bme280": func() chip {
		return newBosch(0x60, "6C6E77663200A89227D5D00B6F18CAFFF9FFAC260AD8BD10004B"+"650100140B001E", "553380817FB07913")
	},
	"bmp280": func() chip {
		// The worked example of the BMP280 data sheet: 25.08 °C.
		return newBosch(0x58, "706B436718FC7D8E43D6D00B270B8C00F9FF8C3CF8C670170000", "655AC07EED00")
	},
	"ds248x": func() chip { return newMaster() },
}

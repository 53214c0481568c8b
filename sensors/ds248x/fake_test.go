package ds248x

import (
	"sync"
	"time"

	"dewline/sensors/internal/scratchpad"
	"dewline/sensors/sensortest"
)

// fakeProbe is a DS18B20. Without power of its own it converts only under a strong pull-up.
type fakeProbe struct {
	rom       scratchpad.ROM
	truth     []byte // scratchpad after a good conversion
	pad       []byte
	converted time.Time // when the running conversion ends; zero: none runs
	parasitic bool
	copied    int // commands that would write the EEPROM
}

var powerOn = []byte{0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0x1C}

func newProbe(rom string, truth ...byte) *fakeProbe {
	code, err := scratchpad.ParseROM(rom)
	if err != nil {
		panic(err)
	}
	return &fakeProbe{rom: code, truth: truth, pad: powerOn}
}

func (p *fakeProbe) update() {
	if !p.converted.IsZero() && !time.Now().Before(p.converted) {
		p.pad, p.converted = p.truth, time.Time{}
	}
}

// fakeMaster is a DS2482 with its lines, at the level of bytes: what it takes and shows, when it is busy, and what the
// devices below make of it.
type fakeMaster struct {
	mu      sync.Mutex
	eight   bool
	lines   [8][]*fakeProbe
	shorted bool
	mute    bool // shows busy for ever

	line     int
	settings byte
	wasReset bool
	pointer  byte
	data     byte
	status   byte
	busy     time.Time // until then

	// The transaction on the line: what was written since its reset, who is addressed, what is read next.
	written  []byte
	selected []*fakeProbe
	output   []byte
	step     int
}

func newMaster(probes ...*fakeProbe) *fakeMaster {
	m := &fakeMaster{}
	m.lines[0] = probes
	m.Reset()
	return m
}

// Reset takes the power of the master and its probes away for a moment.
func (m *fakeMaster) Reset() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.restart()
	for _, line := range m.lines {
		for _, p := range line {
			p.pad, p.converted = powerOn, time.Time{}
		}
	}
}

func (m *fakeMaster) restart() {
	m.line, m.settings, m.wasReset, m.pointer, m.status = 0, 0, true, registerStatus, 0
	m.written, m.selected, m.output = nil, nil, nil
}

func (m *fakeMaster) Exchange(w, r []byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(w) > 0 {
		if err := m.command(w); err != nil {
			return err
		}
	}
	for i := range r {
		r[i] = m.show()
	}
	return nil
}

func (m *fakeMaster) show() byte {
	switch m.pointer {
	case registerData:
		return m.data
	case registerLine:
		return lineShown[m.line]
	case 0xC3:
		return m.settings
	}
	status := m.status
	if m.wasReset {
		status |= statusReset
	}
	if !m.shorted {
		status |= 1 << 3
	}
	if m.mute || time.Now().Before(m.busy) {
		status |= statusBusy
	}
	return status
}

func (m *fakeMaster) command(w []byte) error {
	if time.Now().Before(m.busy) && w[0] != cmdDeviceReset && w[0] != cmdReadPointer {
		return sensortest.NoAcknowledge // a busy master takes no new work
	}
	switch {
	case w[0] == cmdDeviceReset:
		m.restart()
	case w[0] == cmdReadPointer:
		m.pointer = w[1]
	case w[0] == cmdConfigure:
		if w[1]>>4 != ^w[1]&0xF {
			return nil // wrong complement: ignored, and the old settings are shown
		}
		m.settings, m.wasReset, m.pointer = w[1]&0xF, false, 0xC3
	case w[0] == cmdSelectLine && m.eight:
		for i, code := range lineCodes {
			if code == w[1] {
				m.line, m.pointer = i, registerLine
			}
		}
	case w[0] == cmdLineReset:
		m.work(1100 * time.Microsecond)
		m.written, m.output, m.step = nil, nil, 0
		m.selected = m.lines[m.line]
		m.status = 0
		if m.shorted {
			m.status = statusShort
		} else if len(m.selected) > 0 {
			m.status = statusPresence
		}
		m.strongEnds()
	case w[0] == cmdWriteByte:
		m.work(560 * time.Microsecond)
		m.strongEnds()
		m.write(w[1])
	case w[0] == cmdReadByte:
		m.work(560 * time.Microsecond)
		m.strongEnds()
		m.data = 0xFF
		if len(m.output) > 0 {
			m.data, m.output = m.output[0], m.output[1:]
		}
	case w[0] == cmdTriplet:
		m.work(210 * time.Microsecond)
		m.triplet(w[1] != 0)
	default:
		return sensortest.NoAcknowledge
	}
	return nil
}

func (m *fakeMaster) work(d time.Duration) {
	m.busy, m.pointer = time.Now().Add(d), registerStatus
}

// strongEnds: whatever happens on the line ends the strong pull-up, and with it the conversion of a parasitic probe.
func (m *fakeMaster) strongEnds() {
	for _, p := range m.lines[m.line] {
		p.update()
		if p.parasitic && !p.converted.IsZero() {
			p.pad, p.converted = powerOn, time.Time{}
		}
	}
}

func (m *fakeMaster) write(b byte) {
	m.written = append(m.written, b)
	strong := m.settings&strongPullUp != 0
	m.settings &^= strongPullUp
	n := len(m.written)
	switch {
	case n == 1:
	case m.written[0] == 0x55 && n <= 9:
		var still []*fakeProbe
		for _, p := range m.selected {
			if p.rom.Bytes()[n-2] == b {
				still = append(still, p)
			}
		}
		m.selected = still
	case b == 0x44:
		for _, p := range m.selected {
			if strong || !p.parasitic {
				p.converted = time.Now().Add(750 * time.Millisecond)
			}
		}
	case b == 0xBE:
		m.output = nil
		for _, p := range m.selected {
			p.update()
			m.output = append([]byte(nil), p.pad...)
		}
	case b == 0x48 || b == 0x4E:
		for _, p := range m.selected {
			p.copied++
		}
	}
}

func (m *fakeMaster) triplet(direction bool) {
	zero, one := false, false
	for _, p := range m.selected {
		if uint64(p.rom)>>m.step&1 == 0 {
			zero = true
		} else {
			one = true
		}
	}
	taken := one && (direction || !zero)
	if !zero && !one {
		taken = true // idle line
	}
	var still []*fakeProbe
	for _, p := range m.selected {
		if (uint64(p.rom)>>m.step&1 == 1) == taken {
			still = append(still, p)
		}
	}
	m.selected = still
	m.step = min(m.step+1, 63)
	m.status = 0
	if !zero {
		m.status |= statusBit
	}
	if !one {
		m.status |= statusSecondBit
	}
	if taken {
		m.status |= statusDirection
	}
}

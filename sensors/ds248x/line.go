package ds248x

import (
	"context"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/onewire"

	"dewline/sensors"
	"dewline/sensors/guard"
	"dewline/sensors/i2cbus"
)

// Commands, register codes and status bits of the masters.
const (
	cmdDeviceReset = 0xF0
	cmdReadPointer = 0xE1
	cmdConfigure   = 0xD2
	cmdSelectLine  = 0xC3 // DS2482-800
	cmdLineReset   = 0xB4
	cmdWriteByte   = 0xA5
	cmdReadByte    = 0x96
	cmdTriplet     = 0x78

	registerStatus = 0xF0
	registerData   = 0xE1
	registerLine   = 0xD2

	statusBusy      = 1 << 0
	statusPresence  = 1 << 1
	statusShort     = 1 << 2
	statusReset     = 1 << 4 // the master was reset and not configured since
	statusBit       = 1 << 5
	statusSecondBit = 1 << 6
	statusDirection = 1 << 7

	// Configuration: low nibble the settings, high nibble their complement.
	activePullUp     = 0x01
	strongPullUp     = 0x04
	configActive     = (^activePullUp&0xF)<<4 | activePullUp
	configStrongNext = (^(activePullUp|strongPullUp)&0xF)<<4 | activePullUp | strongPullUp
)

const (
	lineReset = 1200 * time.Microsecond // reset low 560 µs and presence 584 µs, with a margin
	byteTime  = 600 * time.Microsecond  // eight slots of 70 µs
	patience  = 20 * time.Millisecond   // a master that is still busy then is stuck
)

// Codes that select a line of the DS2482-800 and that it shows then, by line.
var (
	lineCodes = [8]byte{0xF0, 0xE1, 0xD2, 0xC3, 0xB4, 0xA5, 0x96, 0x87}
	lineShown = [8]byte{0xB8, 0xB1, 0xAA, 0xA3, 0x9C, 0x95, 0x8E, 0x87}
)

// line is the 1-Wire bus below a master for the length of one measurement or search. It holds the context of that, since
// onewire.Bus has no room for one.
type line struct {
	ctx     context.Context
	bus     i2c.Bus
	address uint16
}

var _ onewire.BusSearcher = line{}

// String names the line.
func (l line) String() string { return "1-Wire line of " + l.bus.String() }

// setUp resets and configures the master.
func (l line) setUp() error {
	status := make([]byte, 1)
	if err := l.bus.Tx(l.address, []byte{cmdDeviceReset}, nil); err != nil {
		return err
	}
	if err := l.bus.Tx(l.address, []byte{cmdReadPointer, registerStatus}, status); err != nil {
		return err
	}
	// The level bit is left out: it is low while the line is shorted, which is the line's fault and reported as such.
	if status[0]&(statusReset|statusBusy) != statusReset {
		return sensors.Errorf(sensors.Implausible, "status after a reset is %02x: no 1-Wire master answers there", status[0])
	}
	return l.configure(configActive)
}

// configure writes the settings and compares what the master shows of them.
func (l line) configure(settings byte) error {
	shown := make([]byte, 1)
	if err := l.bus.Tx(l.address, []byte{cmdConfigure, settings}, shown); err != nil {
		return err
	}
	if shown[0] != settings&0x0F {
		return sensors.Errorf(sensors.Implausible, "settings are %02x, were set to %02x: no 1-Wire master answers there", shown[0], settings&0x0F)
	}
	return nil
}

// selectLine connects one of the eight lines of a DS2482-800.
func (l line) selectLine(number int) error {
	shown := make([]byte, 1)
	if err := l.bus.Tx(l.address, []byte{cmdSelectLine, lineCodes[number]}, nil); err != nil {
		return err
	}
	if err := l.bus.Tx(l.address, []byte{cmdReadPointer, registerLine}, shown); err != nil {
		return err
	}
	if shown[0] != lineShown[number] {
		return sensors.Errorf(sensors.Implausible, "line register is %02x, want %02x for line %d: no DS2482-800 answers there", shown[0], lineShown[number], number)
	}
	return nil
}

// Tx resets the line, writes w and reads r. With power, the strong pull-up begins right after the last bit and lasts until
// the next use of the line. The lines' devices are powered after writing only; no thermometer needs it after reading.
func (l line) Tx(w, r []byte, power onewire.Pullup) error {
	if power == onewire.StrongPullup && len(r) > 0 {
		return sensors.Errorf(sensors.Unknown, "strong pull-up after reading is not offered")
	}
	if err := l.reset(); err != nil {
		return err
	}
	for i, b := range w {
		if power == onewire.StrongPullup && i == len(w)-1 {
			if err := l.configure(configStrongNext); err != nil {
				return err
			}
		}
		if err := l.bus.Tx(l.address, []byte{cmdWriteByte, b}, nil); err != nil {
			return err
		}
		if _, err := l.settle(byteTime); err != nil {
			return err
		}
	}
	for i := range r {
		if err := l.bus.Tx(l.address, []byte{cmdReadByte}, nil); err != nil {
			return err
		}
		if _, err := l.settle(byteTime); err != nil {
			return err
		}
		if err := l.bus.Tx(l.address, []byte{cmdReadPointer, registerData}, r[i:i+1]); err != nil {
			return err
		}
	}
	return nil
}

// reset resets the devices of the line and looks for their presence.
func (l line) reset() error {
	if err := l.bus.Tx(l.address, []byte{cmdLineReset}, nil); err != nil {
		return err
	}
	status, err := l.settle(lineReset)
	switch {
	case err != nil:
		return err
	case status&statusShort != 0:
		return sensors.Errorf(sensors.Absent, "the 1-Wire data line is shorted to ground")
	case status&statusPresence == 0:
		return sensors.Errorf(sensors.Absent, "no device answers on the 1-Wire line")
	}
	return nil
}

// settle waits until the master has finished the command, and returns its status.
func (l line) settle(expected time.Duration) (byte, error) {
	if err := i2cbus.Sleep(l.ctx, expected); err != nil {
		return 0, err
	}
	status := make([]byte, 1)
	for waited := time.Duration(0); ; waited += expected {
		if err := l.bus.Tx(l.address, nil, status); err != nil {
			return 0, err
		}
		switch {
		case status[0]&statusReset != 0:
			return 0, guard.ErrReset
		case status[0]&statusBusy == 0:
			return status[0], nil
		case waited >= patience:
			return 0, sensors.Errorf(sensors.Busy, "the 1-Wire master is still busy after %s", patience)
		}
		if err := i2cbus.Sleep(l.ctx, expected); err != nil {
			return 0, err
		}
	}
}

// SearchTriplet performs one step of a search: two bits are read, one is written.
func (l line) SearchTriplet(direction byte) (onewire.TripletResult, error) {
	var bit byte
	if direction != 0 {
		bit = 0x80
	}
	if err := l.bus.Tx(l.address, []byte{cmdTriplet, bit}, nil); err != nil {
		return onewire.TripletResult{}, err
	}
	status, err := l.settle(byteTime / 2)
	if err != nil {
		return onewire.TripletResult{}, err
	}
	return onewire.TripletResult{
		GotZero: status&statusBit == 0,
		GotOne:  status&statusSecondBit == 0,
		Taken:   status & statusDirection >> 7,
	}, nil
}

// Search returns the addresses of all devices on the line.
func (l line) Search(alarmOnly bool) ([]onewire.Address, error) {
	return onewire.Search(l, alarmOnly)
}

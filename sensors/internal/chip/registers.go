package chip

import (
	"cmp"
	"fmt"

	"periph.io/x/conn/v3/i2c"
)

// AddressBetween returns the address of a part that answers at lowest to highest, as its pins say; 0 means the lowest. The error
// names the driver.
func AddressBetween(driver string, lowest, highest, given uint16) (uint16, error) {
	address := cmp.Or(given, lowest)
	if address < lowest || address > highest {
		return 0, fmt.Errorf("%s: address %#02x: the part answers at %#02x to %#02x only", driver, address, lowest, highest)
	}
	return address, nil
}

// Registers are those of a part whose registers hold 16 bits, the upper byte first.
type Registers struct {
	Bus     i2c.Bus
	Address uint16
}

// Word reads one register. The error is that of the bus.
func (r Registers) Word(number byte) (uint16, error) {
	answer := make([]byte, 2)
	if err := r.Bus.Tx(r.Address, []byte{number}, answer); err != nil {
		return 0, err
	}
	return uint16(answer[0])<<8 | uint16(answer[1]), nil
}

// Write sends the number of a register and its bytes. The error is that of the bus.
func (r Registers) Write(number byte, bytes ...byte) error {
	return r.Bus.Tx(r.Address, append([]byte{number}, bytes...), nil)
}

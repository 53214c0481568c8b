package ds248x

import (
	"context"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors/i2cbus"
)

// Identify reports whether a 1-Wire master answers at an address. It resets the master, which an MCP9808 at the same address
// takes for the choice of a register. The error is that of the bus: of kind Absent where nothing answers.
func Identify(ctx context.Context, bus i2c.Bus, address uint16) (bool, error) {
	if err := i2cbus.Tx(ctx, bus, address, []byte{cmdDeviceReset}, nil); err != nil {
		return false, err
	}
	status := make([]byte, 1)
	if err := i2cbus.Tx(ctx, bus, address, []byte{cmdReadPointer, registerStatus}, status); err != nil {
		return false, err
	}
	// Presence, short and the search bits are clear after a reset; the level depends on the line.
	return status[0]&^(1<<3) == statusReset, nil
}

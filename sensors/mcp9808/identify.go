package mcp9808

import (
	"context"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors/i2cbus"
)

// Identify reports whether an MCP9808 answers at an address. It only reads. The error is that of the bus: of kind Absent
// where nothing answers.
func Identify(ctx context.Context, bus i2c.Bus, address uint16) (bool, error) {
	answer := make([]byte, 2)
	if err := i2cbus.Tx(ctx, bus, address, []byte{makerID}, answer); err != nil {
		return false, err
	}
	if answer[0] != maker>>8 || answer[1] != maker&0xFF {
		return false, nil
	}
	if err := i2cbus.Tx(ctx, bus, address, []byte{deviceID}, answer); err != nil {
		return false, err
	}
	return answer[0] == device, nil
}

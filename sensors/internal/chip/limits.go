package chip

import (
	"context"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors/i2cbus"
)

// powerOnLimits are the registers of the alert limits of the LM75 and parts alike, and what is in them after power-on: 75 and 80 °C.
var powerOnLimits = map[byte]uint16{0x02: 0x4B00, 0x03: 0x5000}

// HasPowerOnLimits reports whether a part of the LM75's class has the alert limits of after power-on. It only reads. The error is that of
// the bus.
func HasPowerOnLimits(ctx context.Context, bus i2c.Bus, address uint16) (bool, error) {
	answer := make([]byte, 2)
	for register, want := range powerOnLimits {
		if err := i2cbus.Tx(ctx, bus, address, []byte{register}, answer); err != nil {
			return false, err
		}
		if uint16(answer[0])<<8|uint16(answer[1]) != want {
			return false, nil
		}
	}
	return true, nil
}

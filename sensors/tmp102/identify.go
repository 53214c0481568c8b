package tmp102

import (
	"context"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors/i2cbus"
	"dewline/sensors/internal/chip"
)

// alertSettings are the bits of the configuration that set the alert output and the shutdown: zero after power-on and as this package
// leaves them. A part of the class of the LM75 has the same bits in its only byte, where package lm75 sets one of them.
const alertSettings = 0x1F00

// Identify reports whether a TMP102 answers at an address: besides the fixed bits of the configuration its alert limits are all that
// distinguishes it from others there. It only reads. A part whose limits or alert output have been set is not
// recognised. The error is that of the bus: of kind Absent where nothing answers.
func Identify(ctx context.Context, bus i2c.Bus, address uint16) (bool, error) {
	answer := make([]byte, 2)
	if err := i2cbus.Tx(ctx, bus, address, []byte{configuration}, answer); err != nil {
		return false, err
	}
	if (uint16(answer[0])<<8|uint16(answer[1]))&(identity|alertSettings) != isTMP102 {
		return false, nil
	}
	return chip.HasPowerOnLimits(ctx, bus, address)
}

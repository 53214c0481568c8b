package lm75

import (
	"context"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors/i2cbus"
	"dewline/sensors/internal/chip"
)

// Identify reports whether a part of this class answers at an address. It only reads. A TMP102 has the same limits, so its
// own question comes first. A part whose limits or alert output have been set is not recognised. The error is that of the bus:
// of kind Absent where nothing answers.
func Identify(ctx context.Context, bus i2c.Bus, address uint16) (bool, error) {
	settings := make([]byte, 1)
	if err := i2cbus.Tx(ctx, bus, address, []byte{configuration}, settings); err != nil {
		return false, err
	}
	// After power-on, or as this package sets it up; the bits above differ by part.
	if queue := settings[0] &^ (oneShot | resolution); queue != 0 && queue != twoFaults {
		return false, nil
	}
	return chip.HasPowerOnLimits(ctx, bus, address)
}

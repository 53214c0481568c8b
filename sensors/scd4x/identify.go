package scd4x

import (
	"context"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors/i2cbus"
	"dewline/sensors/internal/chip"
)

// Identify reports whether an SCD4x answers at [Address]. It asks whether a measurement is ready, which the part answers in
// every state and which changes nothing. The error is that of the bus: of kind Absent where nothing answers.
func Identify(ctx context.Context, bus i2c.Bus) (bool, error) {
	if err := i2cbus.Tx(ctx, bus, Address, bytesOf(cmdReady), nil); err != nil {
		return false, err
	}
	if err := i2cbus.Sleep(ctx, pause); err != nil {
		return false, err
	}
	answer := make([]byte, 3)
	if err := i2cbus.Tx(ctx, bus, Address, nil, answer); err != nil {
		return false, err
	}
	_, err := chip.Words(crcInitial, answer)
	return err == nil, nil
}

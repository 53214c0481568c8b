package chip

import (
	"cmp"
	"context"
	"fmt"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors"
	"dewline/sensors/guard"
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

// Part is a part with such registers.
type Part interface {
	// SetUp prepares the part, and returns when its first measurement can be read.
	SetUp(ctx context.Context) error
	// Measure reads the latest measurement.
	Measure(ctx context.Context) (sensors.Measurement, error)
}

// Guard returns the guarded sensor of a part at an address as [AddressBetween] takes it. A failed measurement is repeated twice. description
// says everything but where the part is. The error is that of the address.
func Guard(bus i2c.Bus, lowest, highest, given uint16, description sensors.Description, part func(Registers) Part) (*guard.Guarded, error) {
	address, err := AddressBetween(description.Driver, lowest, highest, given)
	if err != nil {
		return nil, err
	}
	description.Where = fmt.Sprintf("%s %#02x", bus, address)
	return guard.New(bus, guard.Options{
		Description: description,
		Repeat:      repetitions,
		Build: func(ctx context.Context, recorder *guard.Recorder) (guard.MeasureFunc, error) {
			p := part(Registers{Bus: recorder, Address: address})
			if err := p.SetUp(ctx); err != nil {
				return nil, err
			}
			return p.Measure, nil
		},
	}), nil
}

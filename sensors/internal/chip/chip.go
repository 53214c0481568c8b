// Package chip holds what the drivers of I²C chips share: transactions that say what they were for, the repetition of a
// failed measurement, and the checks every reading must pass before it leaves a driver.
package chip

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"os"
	"slices"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors"
	"dewline/sensors/i2cbus"
)

// A failed measurement is repeated at most twice, so far apart, as long as the deadline allows (own judgement, no
// published source): a glitch on the wire is over by then, and a device that has gone is not worth more.
const (
	repetitions = 2
	apart       = 50 * time.Millisecond
)

// Conn is the connection of one driver to its chip.
type Conn struct {
	driver  string
	bus     *i2cbus.Bus
	address uint16
	closed  atomic.Bool
	Life
}

// Connect returns a connection; address 0 means the first that is allowed. It touches nothing.
func Connect(driver string, bus i2c.Bus, address uint16, allowed ...uint16) (*Conn, error) {
	if bus == nil {
		return nil, fmt.Errorf("%s: no bus given", driver)
	}
	if address = cmp.Or(address, allowed[0]); slices.Contains(allowed, address) {
		return &Conn{driver: driver, bus: i2cbus.Share(bus), address: address}, nil
	}
	return nil, fmt.Errorf("%s: no such part answers at address %#02x; it can be %s", driver, address, list(allowed))
}

func list(addresses []uint16) string {
	text := ""
	for i, a := range addresses {
		switch {
		case i > 0 && i == len(addresses)-1:
			text += " or "
		case i > 0:
			text += ", "
		}
		text += fmt.Sprintf("%#02x", a)
	}
	return text
}

// Where names bus and address, such as "I2C1 0x44".
func (c *Conn) Where() string { return fmt.Sprintf("%s %#02x", c.bus, c.address) }

// Close makes every later read fail. The bus stays open: it belongs to its opener.
func (c *Conn) Close() error {
	c.closed.Store(true)
	return nil
}

// Tx carries out one transaction. doing is for the error, such as "reading the status".
func (c *Conn) Tx(ctx context.Context, doing string, w, r []byte) error {
	if err := c.bus.TxContext(ctx, c.address, w, r); err != nil {
		return fmt.Errorf("%s: %w", doing, err)
	}
	return nil
}

// Command writes w, waits, and reads n bytes in a transaction of their own: how chips without registers are asked.
func (c *Conn) Command(ctx context.Context, doing string, wait time.Duration, n int, w ...byte) ([]byte, error) {
	if err := c.Tx(ctx, doing, w, nil); err != nil {
		return nil, err
	}
	if err := i2cbus.Sleep(ctx, wait); err != nil {
		return nil, err
	}
	if n == 0 {
		return nil, nil
	}
	answer := make([]byte, n)
	if err := c.Tx(ctx, doing, nil, answer); err != nil {
		return nil, err
	}
	return answer, nil
}

// Read calls once, and again after a failure that may pass. What it returns is fit to leave a driver: it has what happened to the device
// since the last reading; on an error there are no values, and the error names the sensor and has a kind.
func (c *Conn) Read(ctx context.Context, once func(context.Context) (sensors.Measurement, error)) (sensors.Measurement, error) {
	if c.closed.Load() {
		return sensors.Measurement{}, fmt.Errorf("%s at %s: the sensor is closed: %w", c.driver, c.Where(), os.ErrClosed)
	}
	var (
		evidence []byte
		err      error
	)
	for i := range 1 + repetitions {
		if i > 0 && i2cbus.Sleep(ctx, apart) != nil {
			break // the failure before says more than that time is up
		}
		reading, failure := once(ctx)
		if failure == nil {
			c.mark(&reading)
			return reading, nil
		}
		c.missed(failure)
		err = failure
		if len(reading.Evidence) > 0 {
			evidence = reading.Evidence
		}
		if ctx.Err() != nil {
			break
		}
	}
	doing := fmt.Sprintf("reading %s at %s", c.driver, c.Where())
	return sensors.Measurement{Evidence: evidence}, &sensors.Error{Kind: sensors.KindOf(err), Doing: doing, Err: err}
}

// Check refuses values outside the ranges of the description.
func Check(measures []sensors.Measure, values []sensors.Value) error {
	for _, v := range values {
		for _, m := range measures {
			if m.Channel == v.Channel && (math.IsNaN(v.Value) || v.Value < m.Low || v.Value > m.High) {
				return sensors.Errorf(sensors.Implausible, "%s of %.2f %s (word %#x) is outside the part's range of %g to %g",
					v.Channel, v.Value, v.Channel.Unit(), v.Raw, m.Low, m.High)
			}
		}
	}
	return nil
}

// CRC8 is the checksum of the humidity sensors: polynomial x⁸+x⁵+x⁴+1 (0x31), highest bit first, not reflected. The
// initial value is 0xFF at Sensirion (SHT3x-DIS datasheet, table 20) and ASAIR, 0x00 at Measurement Specialties (HTU20D
// datasheet).
func CRC8(initial byte, data ...byte) byte {
	crc := initial
	for _, b := range data {
		crc ^= b
		for range 8 {
			if crc&0x80 != 0 {
				crc = crc<<1 ^ 0x31
			} else {
				crc <<= 1
			}
		}
	}
	return crc
}

// Words takes a frame of 16-bit words apart, each followed by its checksum, highest byte first.
func Words(initial byte, frame []byte) ([]uint16, error) {
	if len(frame) == 0 || len(frame)%3 != 0 {
		return nil, sensors.Errorf(sensors.Implausible, "a frame of %d bytes is not made of words with a checksum each", len(frame))
	}
	words := make([]uint16, 0, len(frame)/3)
	for i := 0; i < len(frame); i += 3 {
		if want := CRC8(initial, frame[i], frame[i+1]); frame[i+2] != want {
			return nil, sensors.Errorf(sensors.Checksum, "word %d of % x should have the checksum %02x", i/3+1, frame, want)
		}
		words = append(words, uint16(frame[i])<<8|uint16(frame[i+1]))
	}
	return words, nil
}

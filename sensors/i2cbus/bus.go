package i2cbus

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"dewline/sensors"
)

// Bus is an I²C bus, or one channel of a multiplexer on it, shared by all its sensors. It implements [i2c.Bus] for drivers
// that know no context, and [Bus.TxContext] for those that do.
type Bus struct {
	wire *wire
	path []hop // the multiplexer channels to open on the way
}

var _ i2c.Bus = (*Bus)(nil)

// wire is what can carry one transaction at a time.
type wire struct {
	raw  i2c.Bus
	turn chan struct{} // holds a token while a transaction is out

	mu        sync.Mutex
	serial    uint64 // of the transaction that is out
	abandoned uint64 // serial of the last abandoned transaction

	ajar []hop // channels whose closing failed; owned by the holder of the lock
}

// Share returns a bus as a [Bus], or the one it already is. Share a wire once and hand the result to all its sensors.
func Share(bus i2c.Bus) *Bus {
	if shared, ok := bus.(*Bus); ok {
		return shared
	}
	return &Bus{wire: &wire{raw: bus, turn: make(chan struct{}, 1)}}
}

// Tx carries out one transaction on bus within ctx, as [Bus.TxContext] does. A bus that is not a [Bus] is not protected
// against a second caller.
func Tx(ctx context.Context, bus i2c.Bus, address uint16, w, r []byte) error {
	return Share(bus).TxContext(ctx, address, w, r)
}

// Sleep waits for d, or until ctx ends, whose error it returns then as a Timeout.
func Sleep(ctx context.Context, d time.Duration) error {
	if d > 0 {
		timer := time.NewTimer(d)
		defer timer.Stop()
		select {
		case <-timer.C:
			return nil
		case <-ctx.Done():
		}
	}
	if err := ctx.Err(); err != nil {
		return &sensors.Error{Kind: sensors.Timeout, Err: err}
	}
	return nil
}

// String names the bus as [Set.Bus] reads it, such as "I2C1" or "I2C1/0x70:3".
func (b *Bus) String() string {
	name := b.wire.raw.String()
	for _, h := range b.path {
		name += h.String()
	}
	return name
}

// SetSpeed asks the wire for another clock.
func (b *Bus) SetSpeed(f physic.Frequency) error { return b.wire.raw.SetSpeed(f) }

// Tx carries out one transaction without a deadline.
func (b *Bus) Tx(address uint16, w, r []byte) error {
	return b.TxContext(context.Background(), address, w, r)
}

// TxContext writes w to the device at address, then reads r, as one transaction. r is left alone unless all went well.
//
// The error is a Timeout where ctx ended first, Busy where the wire was still held by another transaction, and else
// wraps what the bus said, with its errno. Where an abandoned transaction holds the wire, Busy comes at
// once.
func (b *Bus) TxContext(ctx context.Context, address uint16, w, r []byte) error {
	if err := b.reachable(address); err != nil {
		return err
	}
	serial, err := b.wire.take(ctx)
	if err != nil {
		return b.explain(address, err)
	}
	if ctx.Done() == nil {
		defer b.wire.give()
		return b.explain(address, b.carry(address, w, r))
	}
	w, answer := slices.Clone(w), make([]byte, len(r))
	done := make(chan error, 1)
	go func() {
		err := b.carry(address, w, answer)
		b.wire.give()
		done <- err
	}()
	select {
	case err = <-done:
	case <-ctx.Done():
		b.wire.abandon(serial)
		return b.explain(address, &sensors.Error{Kind: sensors.Timeout, Doing: "no answer yet", Err: ctx.Err()})
	}
	if err == nil {
		copy(r, answer)
	}
	return b.explain(address, err)
}

// Idle waits until no transaction is out on the wire any more, an abandoned one included. Where ctx ends first, the error is
// Busy.
func (b *Bus) Idle(ctx context.Context) error {
	select {
	case b.wire.turn <- struct{}{}:
		b.wire.give()
		return nil
	case <-ctx.Done():
		return &sensors.Error{Kind: sensors.Busy, Doing: "a transaction has not come back from the bus", Err: ctx.Err()}
	}
}

func (b *Bus) explain(address uint16, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s address %#02x: %w", b, address, err)
}

// take waits for the wire.
func (w *wire) take(ctx context.Context) (serial uint64, err error) {
	if err := ctx.Err(); err != nil {
		return 0, &sensors.Error{Kind: sensors.Timeout, Doing: "not begun", Err: err}
	}
	select {
	case w.turn <- struct{}{}:
		return w.begin(), nil
	default:
	}
	if w.isAbandoned() {
		return 0, sensors.Errorf(sensors.Busy, "an earlier transaction has not come back from the bus")
	}
	select {
	case w.turn <- struct{}{}:
		return w.begin(), nil
	case <-ctx.Done():
		return 0, &sensors.Error{Kind: sensors.Busy, Doing: "another transaction holds the bus", Err: ctx.Err()}
	}
}

func (w *wire) give() { <-w.turn }

func (w *wire) begin() uint64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.serial++
	return w.serial
}

func (w *wire) abandon(serial uint64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.abandoned = serial
}

func (w *wire) isAbandoned() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.serial == w.abandoned && w.serial != 0
}

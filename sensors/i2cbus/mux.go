package i2cbus

import (
	"errors"
	"fmt"
	"slices"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors"
)

// The addresses and channels of the multiplexers PCA9548A and TCA9548A: address pins A0 to A2 give 0x70 to 0x77, the one
// register has a bit per channel, and it is 0, all channels closed, after power-up and reset.
const (
	lowestMux   = 0x70
	highestMux  = 0x77
	muxChannels = 8
)

// hop is one channel of one multiplexer.
type hop struct {
	address uint16
	channel uint8
}

func (h hop) String() string { return fmt.Sprintf("/%#02x:%d", h.address, h.channel) }

func (h hop) check() error {
	if h.address < lowestMux || h.address > highestMux {
		return fmt.Errorf("no multiplexer can be at %#02x: a PCA9548A or TCA9548A is at 0x70 to 0x77", h.address)
	}
	if h.channel >= muxChannels {
		return fmt.Errorf("multiplexer %#02x has no channel %d: use 0 to 7", h.address, h.channel)
	}
	return nil
}

// Mux returns the bus behind one channel of a PCA9548A or TCA9548A at address on bus; bus may itself be such a channel.
//
// Each transaction opens the channel, talks, and closes it, all in one turn on the wire. That costs two writes of one
// byte, and keeps no memory of the multiplexer which a reset, another program or another multiplexer with the same
// device addresses behind it could belie.
func Mux(bus i2c.Bus, address uint16, channel uint8) (*Bus, error) {
	shared, h := Share(bus), hop{address, channel}
	if err := h.check(); err != nil {
		return nil, err
	}
	if err := shared.reachable(address); err != nil {
		return nil, err
	}
	return &Bus{wire: shared.wire, path: append(slices.Clone(shared.path), h)}, nil
}

// Front returns the bus in front of the last multiplexer on the way to b, or nil where there is none. What hangs there answers on b
// as well, since an open channel is the same wire.
func (b *Bus) Front() *Bus {
	if len(b.path) == 0 {
		return nil
	}
	return &Bus{wire: b.wire, path: slices.Clone(b.path[:len(b.path)-1])}
}

// ErrMuxAddress says that a device would share the address of a multiplexer on its way.
var ErrMuxAddress = errors.New("a device cannot have the address of the multiplexer before it, give one of them another")

// reachable refuses a device at the address of a multiplexer that it hangs behind: both would answer.
func (b *Bus) reachable(address uint16) error {
	for _, h := range b.path {
		if h.address == address {
			return fmt.Errorf("%s address %#02x: %w", b, address, ErrMuxAddress)
		}
	}
	return nil
}

// carry talks to a device in the turn of the caller: it opens the channels on the way, and closes them after.
func (b *Bus) carry(address uint16, w, r []byte) error {
	wire := b.wire
	if err := wire.closeAjar(); err != nil {
		return err
	}
	for i, h := range b.path {
		if err := wire.raw.Tx(h.address, []byte{1 << h.channel}, nil); err != nil {
			wire.close(b.path[:i+1]) // the write may have come through although its acknowledgement did not
			return fmt.Errorf("opening multiplexer channel %s: %w", h, err)
		}
	}
	err := wire.raw.Tx(address, w, r)
	wire.close(b.path)
	return err
}

// close closes channels, the farthest first, and remembers those that would not.
func (w *wire) close(path []hop) {
	for _, h := range slices.Backward(path) {
		if err := w.raw.Tx(h.address, []byte{0}, nil); err != nil && len(w.ajar) == 0 {
			// A farther multiplexer can only be reached through the nearer ones, so the whole way is kept.
			w.ajar = slices.Clone(path)
		}
	}
}

// closeAjar closes the channels that could not be closed after their transaction, since a device behind them may answer
// in place of the one that is meant now. A multiplexer that does not answer at all has gone, and its channels with it.
func (w *wire) closeAjar() error {
	for len(w.ajar) > 0 {
		last := len(w.ajar) - 1
		for i, h := range w.ajar {
			way := byte(1) << h.channel
			if i == last {
				way = 0
			}
			if err := w.raw.Tx(h.address, []byte{way}, nil); err != nil && sensors.KindOf(err) != sensors.Absent {
				return fmt.Errorf("closing multiplexer channel %s, left open by an earlier error: %w", h, err)
			}
		}
		w.ajar = w.ajar[:last]
	}
	return nil
}

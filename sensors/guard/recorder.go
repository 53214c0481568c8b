package guard

import (
	"bytes"
	"sync"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// Recorder is an I²C bus that remembers what a driver forgets: the first error of the bus since the measurement began, and
// the bytes that were read last.
type Recorder struct {
	bus i2c.Bus

	mu   sync.Mutex
	err  error
	last []byte
}

var _ i2c.Bus = (*Recorder)(nil)

// String names the bus below.
func (r *Recorder) String() string { return r.bus.String() }

// SetSpeed does nothing: on Linux it would change the speed of every bus, for everybody.
func (r *Recorder) SetSpeed(physic.Frequency) error { return nil }

// Tx passes a transfer on and keeps its error or its bytes.
func (r *Recorder) Tx(addr uint16, w, read []byte) error {
	err := r.bus.Tx(addr, w, read)
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case err != nil && r.err == nil:
		r.err = err
	case err == nil && len(read) > 0:
		r.last = bytes.Clone(read)
	}
	return err
}

// Bare returns the bus below, for a transfer whose failure is no news, such as a stop command to a part that may not run.
func (r *Recorder) Bare() i2c.Bus { return r.bus }

// Err returns the first error of the bus since the measurement began, as the bus returned it.
func (r *Recorder) Err() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.err
}

// Evidence returns the bytes of the last transfer that read any, or nil.
func (r *Recorder) Evidence() []byte {
	r.mu.Lock()
	defer r.mu.Unlock()
	return bytes.Clone(r.last)
}

func (r *Recorder) begin() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.err, r.last = nil, nil
}

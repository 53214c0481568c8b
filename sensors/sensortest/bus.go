package sensortest

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"syscall"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/physic"
)

// Device is a simulated chip on a [Bus].
type Device interface {
	// Exchange answers one transaction: it takes the bytes written and fills in the bytes read. An error is a missing
	// acknowledgement or worse; see [NoAcknowledge].
	Exchange(w, r []byte) error
	// Reset puts the chip into its power-on state.
	Reset()
}

// NoAcknowledge is what a Linux adapter reports where no device answers (kernel documentation, i2c/fault-codes).
const NoAcknowledge = syscall.ENXIO

// Func is a Device made of functions. A nil PowerOn does nothing.
type Func struct {
	Answer  func(w, r []byte) error
	PowerOn func()
}

// Exchange calls Answer.
func (f Func) Exchange(w, r []byte) error { return f.Answer(w, r) }

// Reset calls PowerOn.
func (f Func) Reset() {
	if f.PowerOn != nil {
		f.PowerOn()
	}
}

// Bus is an I²C bus of simulated devices that can be broken in all the ways a real one breaks. It is safe for use by
// several goroutines; transactions are carried out one at a time, as on a wire. Faults stay until [Bus.Heal], save those
// that name the n-th transaction, which act once.
type Bus struct {
	name string

	wire    sync.Mutex // held while a device answers
	mu      sync.Mutex // guards what follows
	devices map[uint16]Device
	away    map[uint16]bool
	stuck   error            // every transaction fails with it
	blocked chan struct{}    // closed by Heal; nil while the bus is free
	delay   time.Duration    // before each answer
	garble  func(i2ctest.IO) // alters answers
	once    []planned
	log     []i2ctest.IO
}

// planned is a fault of one coming transaction.
type planned struct {
	in     int   // transactions from now; 1 is the next
	err    error // nil: the device resets instead
	device uint16
}

var _ i2c.Bus = (*Bus)(nil)

// NewBus returns a bus without devices.
func NewBus(name string) *Bus {
	return &Bus{name: name, devices: map[uint16]Device{}, away: map[uint16]bool{}}
}

// Attach puts a device onto the bus.
func (b *Bus) Attach(address uint16, device Device) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.devices[address] = device
}

// Unplug makes a device answer nothing, as if its plug were pulled; it comes back with Heal, freshly powered on.
func (b *Bus) Unplug(address uint16) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.away[address] = true
}

// Fail makes every transaction fail with err.
func (b *Bus) Fail(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.stuck = err
}

// FailAt makes the n-th transaction from now fail with err, once; 1 is the next.
func (b *Bus) FailAt(n int, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.once = append(b.once, planned{in: n, err: err})
}

// ResetAt takes the power of a device away for a moment just before the n-th transaction from now; 1 is the next.
func (b *Bus) ResetAt(n int, address uint16) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.once = append(b.once, planned{in: n, device: address})
}

// Power takes the power of a device away for a moment, now.
func (b *Bus) Power(address uint16) {
	b.mu.Lock()
	device := b.devices[address]
	b.mu.Unlock()
	device.Reset()
}

// Block makes every transaction hang until Heal.
func (b *Bus) Block() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.blocked == nil {
		b.blocked = make(chan struct{})
	}
}

// Delay makes every transaction last that long.
func (b *Bus) Delay(d time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.delay = d
}

// Garble lets f alter the bytes read in each transaction, in io.R.
func (b *Bus) Garble(f func(io i2ctest.IO)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.garble = f
}

// Flip flips one bit in every answer of exactly that many bytes; bit 0 is the highest of the first byte.
func (b *Bus) Flip(length, bit int) {
	b.Garble(func(io i2ctest.IO) {
		if len(io.R) == length {
			io.R[bit/8] ^= 0x80 >> (bit % 8)
		}
	})
}

// Heal takes every fault back and lets blocked transactions go on.
func (b *Bus) Heal() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.blocked != nil {
		close(b.blocked)
		b.blocked = nil
	}
	for address := range b.away {
		b.devices[address].Reset()
	}
	clear(b.away)
	b.stuck, b.delay, b.garble, b.once = nil, 0, nil, nil
}

// Log returns the transactions that succeeded so far.
func (b *Bus) Log() []i2ctest.IO {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.log)
}

// String returns the name of the bus.
func (b *Bus) String() string { return b.name }

// SetSpeed is not supported.
func (b *Bus) SetSpeed(physic.Frequency) error {
	return fmt.Errorf("%s: the speed of a simulated bus cannot be set: %w", b.name, errors.ErrUnsupported)
}

// Tx carries out one transaction, or whatever goes wrong with it.
func (b *Bus) Tx(address uint16, w, r []byte) error {
	device, err := b.begin(address)
	if err != nil {
		return err
	}
	b.wire.Lock()
	err = device.Exchange(w, r)
	b.wire.Unlock()
	if err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	io := i2ctest.IO{Addr: address, W: slices.Clone(w), R: r}
	if b.garble != nil {
		b.garble(io)
	}
	io.R = slices.Clone(r)
	b.log = append(b.log, io)
	return nil
}

// begin waits out the faults of time, and finds the device to talk to.
func (b *Bus) begin(address uint16) (Device, error) {
	b.mu.Lock()
	blocked, delay := b.blocked, b.delay
	b.mu.Unlock()
	if blocked != nil {
		<-blocked
	}
	time.Sleep(delay)

	b.mu.Lock()
	defer b.mu.Unlock()
	var failed error
	for i := range b.once {
		b.once[i].in--
		switch p := b.once[i]; {
		case p.in != 0:
		case p.err != nil:
			failed = p.err
		default:
			b.devices[p.device].Reset()
		}
	}
	b.once = slices.DeleteFunc(b.once, func(p planned) bool { return p.in <= 0 })
	device, attached := b.devices[address]
	switch {
	case failed != nil:
		return nil, failed
	case b.stuck != nil:
		return nil, b.stuck
	case !attached, b.away[address]:
		return nil, NoAcknowledge
	}
	return device, nil
}

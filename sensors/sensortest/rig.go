package sensortest

import (
	"testing"
	"time"

	"dewline/sensors"
)

// Fault is a way in which a device misbehaves.
type Fault string

// The faults of the suite.
const (
	Absent      Fault = "absent"      // nothing answers at its address
	Silent      Fault = "silent"      // every access hangs until the device is healed
	Slow        Fault = "slow"        // the answer comes after the deadline
	Garbled     Fault = "garbled"     // bytes arrive altered
	Reset       Fault = "reset"       // the device loses power for a moment, between two reads or within one
	Implausible Fault = "implausible" // a well-formed answer that cannot be true
)

// Rig says how the suite builds a driver on a simulated device, and what kind of part it is.
type Rig struct {
	// Open attaches a new sensor to a new, healthy device. It is called once per case, within the case's bubble.
	Open func(t *testing.T) Bench

	// Timeout is the deadline given to each read. 0 means 3 s, in real time 600 ms.
	Timeout time.Duration

	// RealTime runs the cases on the real clock, for faults that block in a system call.
	RealTime bool

	// NoChecksum says that the part protects its bytes by nothing: an altered answer may then pass as another value
	// within the described range.
	NoChecksum bool

	// Opaque says that the kernel keeps the bytes of a failed read to itself, so that no evidence can be asked for.
	Opaque bool

	// ResetSeen says that the part lets a driver notice a reset: the first good reading after one must have Reset or
	// First set.
	ResetSeen bool

	// Exempt gives the reason for each fault that this device cannot have. A fault which is neither exempt nor filled
	// in by Open is a failure of the rig.
	Exempt map[Fault]string
}

// Bench is a sensor with its simulated device, and the handles by which the suite breaks it. Each handle leaves the
// device broken until Heal; only Reset and ResetMidway act once.
type Bench struct {
	Sensor sensors.Sensor

	// Want is what the healthy device measures. Readings must meet it within the described resolution.
	Want map[sensors.Channel]float64

	// Heal makes the device present, prompt and truthful, and lets blocked accesses go.
	Heal func()

	// Absent takes the device away.
	Absent func()
	// Silent makes every access hang until Heal.
	Silent func()
	// Slow makes the device answer that much later.
	Slow func(time.Duration)
	// Garbled holds ways of altering the answer of a measurement, one bit each; see [Flips]. All are tried.
	Garbled []func()
	// Implausible holds, by name, ways of answering in good form what cannot be true. All are tried.
	Implausible map[string]func()
	// Reset takes the power away for a moment: the device is back at once, in its power-on state.
	Reset func()
	// ResetMidway does so in the middle of the next read. Optional.
	ResetMidway func()
	// FailAt makes the n-th access from now (1 is the next) fail with err, once. Optional.
	FailAt func(n int, err error)
}

// Flips returns one function per bit, 0 to bits-1, that calls flip with it.
func Flips(bits int, flip func(bit int)) []func() {
	all := make([]func(), bits)
	for bit := range all {
		all[bit] = func() { flip(bit) }
	}
	return all
}

// has reports whether the bench can bring a fault about.
func (b Bench) has(f Fault) bool {
	switch f {
	case Absent:
		return b.Absent != nil
	case Silent:
		return b.Silent != nil
	case Slow:
		return b.Slow != nil
	case Garbled:
		return len(b.Garbled) > 0
	case Implausible:
		return len(b.Implausible) > 0
	case Reset:
		return b.Reset != nil
	}
	return false
}

func (r Rig) timeout() time.Duration {
	switch {
	case r.Timeout > 0:
		return r.Timeout
	case r.RealTime:
		return 600 * time.Millisecond
	}
	return 3 * time.Second
}

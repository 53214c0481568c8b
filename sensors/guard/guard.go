// Package guard keeps a sensor driver at arm's length: it turns code that may block, panic, swallow bus errors or go deaf
// after a power dip into a [sensors.Sensor] that does none of these. It was made for drivers of other people; drivers of
// our own use it for what they would otherwise each do again.
//
//	sensor := guard.New(bus, guard.Options{
//		Description: description,
//		Build: func(ctx context.Context, bus *guard.Recorder) (guard.Sense, error) {
//			dev, err := somechip.New(bus, 0x48)
//			if err != nil {
//				return nil, err
//			}
//			return func(ctx context.Context) (sensors.Reading, error) { … dev.Sense … }, nil
//		},
//	})
//
// What the guard does, and the fault each measure contains:
//
//   - It asks for one measurement at a time and never starts a background loop of the driver; halting such a loop
//     deadlocks or panics in several drivers of periph.io/x/devices.
//   - The driver runs in a goroutine of its own, at most one at any time. A caller whose context ends gets a Timeout; the
//     next one waits for the straggler, as long as its own context allows, before anything else is started.
//   - The device is built again after every failure, overrun, panic and detected reset, since most drivers set up their
//     chip once and never again.
//   - The bus is wrapped by a [Recorder]. Drivers format bus errors with %v, which loses the errno, or ignore them; the
//     recorder keeps the first one, so a failure is classified by its errno and never by its text, and a reading that came
//     about over a swallowed bus error is refused.
//   - Every value is checked against the range in the description; what lies outside, is no number or is missing, is
//     Implausible.
//
// A kernel call that hangs cannot be cancelled by anybody. The guard outlives it.
package guard

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors"
	"dewline/sensors/i2cbus"
)

// ErrReset is what a [Sense] wraps when it sees that the device has lost its settings since it was built. The guard then
// builds it again on the next read, and marks that reading.
var ErrReset = errors.New("the device lost its settings, as after a dip of its supply; the next read sets it up again")

// ErrNotReady is what a [Sense] wraps when the device is well but has no measurement yet. The error is of kind Busy, and
// the device is not built again.
var ErrNotReady = errors.New("no measurement is ready yet")

// Turn lets one call at a time into a device. Sensors that share a device share a Turn, so that while a call of one hangs
// none of the others starts.
type Lock chan struct{}

// NewTurn returns a free turn.
func NewTurn() Lock { return make(Lock, 1) }

// Sense performs one measurement. It runs in the guard's goroutine, so it may block; where it waits by itself it should
// honour ctx.
type MeasureFunc func(ctx context.Context) (sensors.Measurement, error)

// Options of a guarded sensor. Description and Build are required.
type Options struct {
	// Description is what Describe returns. Its measures are the range check: a reading must have every channel named
	// there, inside Low and High, and no other.
	Description sensors.Description
	// Build sets the device up and returns how to measure with it. It is called on the first read and again after every
	// failure, in the guard's goroutine; no device needs to be present before that.
	Build func(ctx context.Context, bus *Recorder) (MeasureFunc, error)
	// Spacing is the shortest time from one measurement to the next; an earlier read waits. 0 means none.
	Spacing time.Duration
	// Repeat is how many times a failed measurement is tried again at once, a moment apart, while the context lasts. It is
	// for parts that are set up quickly.
	Repeat int
	// Turn is shared with other sensors on the same device. nil means that there are none.
	Turn Lock
}

// Sensor is a guarded driver.
type Guarded struct {
	options Options
	bus     *Recorder
	closed  atomic.Bool
	turn    Lock // holds a token while a call into the driver is out; the call that put it there owns what follows

	sense MeasureFunc // nil: to be built
	fresh bool        // built and not yet measured with
	reset bool        // the device lost its settings and has not answered since
	lived bool        // the device has answered at least once
	last  time.Time   // of the last measurement
}

var _ sensors.Sensor = (*Guarded)(nil)

// New returns a guarded sensor. It touches nothing: the device is set up by the first read.
func New(bus i2c.Bus, options Options) *Guarded {
	turn := cmp.Or(options.Turn, NewTurn())
	return &Guarded{options: options, bus: &Recorder{bus: bus}, turn: turn}
}

// Describe returns the description given to [New].
func (s *Guarded) Describe() sensors.Description {
	d := s.options.Description
	d.Measures, d.Notes = slices.Clone(d.Measures), slices.Clone(d.Notes)
	return d
}

// Close ends the use of the sensor. It does not wait for a call that hangs, and leaves the bus open, which belongs to
// its opener.
func (s *Guarded) Close() error {
	s.closed.Store(true)
	return nil
}

type outcome struct {
	reading sensors.Measurement
	err     error
}

// apart is how long after a failure the measurement is repeated (own judgement, no published source): a glitch on the wire
// is over by then.
const apart = 50 * time.Millisecond

// Read performs one measurement, after setting the device up where that is due. It returns no later than ctx ends.
func (s *Guarded) Read(ctx context.Context) (sensors.Measurement, error) {
	if s.closed.Load() {
		return sensors.Measurement{}, fmt.Errorf("%s: the sensor was closed: %w", s.doing(), os.ErrClosed)
	}
	reading, err := s.once(ctx)
	for range s.options.Repeat {
		if err == nil || errors.Is(err, ErrNotReady) || i2cbus.Sleep(ctx, apart) != nil {
			break
		}
		again, failure := s.once(ctx)
		if failure != nil && ctx.Err() != nil {
			break // the failure before says more than that time is up
		}
		reading, err = again, failure
	}
	return reading, err
}

// once tries once.
func (s *Guarded) once(ctx context.Context) (sensors.Measurement, error) {
	if err := ctx.Err(); err != nil {
		return sensors.Measurement{}, s.timeout("not begun", err)
	}
	select {
	case s.turn <- struct{}{}:
	case <-ctx.Done():
		return sensors.Measurement{}, s.timeout("an earlier read has not come back from the bus", ctx.Err())
	}
	if err := i2cbus.Sleep(ctx, time.Until(s.last.Add(s.options.Spacing))); err != nil {
		<-s.turn
		return sensors.Measurement{}, s.timeout("the part wants more time between two reads", err)
	}
	done := make(chan outcome, 1)
	go func() {
		defer func() { <-s.turn }()
		reading, err := s.measure(ctx)
		if ctx.Err() != nil {
			s.sense = nil // this outcome may be unseen, so nothing may be built on it
		}
		done <- outcome{reading, err}
	}()
	select {
	case o := <-done:
		return o.reading, o.err
	case <-ctx.Done():
		return sensors.Measurement{Evidence: s.bus.Evidence()}, s.timeout("no complete answer from the bus", ctx.Err())
	}
}

// measure is the part that runs in the guard's goroutine.
func (s *Guarded) measure(ctx context.Context) (sensors.Measurement, error) {
	s.bus.begin()
	reading, err := s.call(ctx)
	s.last = time.Now()
	if err == nil {
		// A driver that answers over a failed transfer answers with what was in its buffer.
		err = s.bus.Err()
	}
	if reading.Evidence == nil {
		reading.Evidence = s.bus.Evidence()
	}
	if err == nil {
		err = s.check(&reading)
	}
	if err != nil {
		if !errors.Is(err, ErrNotReady) || s.bus.Err() != nil {
			s.sense = nil
		}
		s.reset = s.reset || reading.Reset || errors.Is(err, ErrReset)
		return sensors.Measurement{Evidence: reading.Evidence}, s.classify(err)
	}
	reading.First = reading.First || s.fresh
	reading.Reset = s.lived && (reading.Reset || s.reset)
	s.fresh, s.reset, s.lived = false, false, true
	return reading, nil
}

// call builds the device where that is due and measures once. A panic inside the driver becomes an error.
func (s *Guarded) call(ctx context.Context) (reading sensors.Measurement, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("the driver panicked: %v", r)
		}
	}()
	if s.sense == nil {
		sense, err := s.options.Build(ctx, s.bus)
		if err != nil {
			return reading, err
		}
		if err := s.bus.Err(); err != nil {
			return reading, err
		}
		s.sense, s.fresh = sense, true
	}
	return s.sense(ctx)
}

// check holds the values against the description.
func (s *Guarded) check(reading *sensors.Measurement) error {
	if got, want := len(reading.Values), len(s.options.Description.Measures); got != want {
		return sensors.Errorf(sensors.Implausible, "the driver returned %d values, want %d", got, want)
	}
	for _, m := range s.options.Description.Measures {
		if _, ok := reading.Measured(m.Channel); !ok {
			return sensors.Errorf(sensors.Implausible, "the driver returned no %s", m.Channel)
		}
	}
	return reading.RefuseOutside(s.options.Description.Measures)
}

// classify gives a failure its kind: the one the driver's wrapper chose, else the one the errno of the bus speaks of.
func (s *Guarded) classify(err error) error {
	kind := sensors.KindOf(err)
	if bus := s.bus.Err(); bus != nil && kind == sensors.Unknown {
		kind = sensors.KindOf(bus)
		if !errors.Is(err, bus) {
			err = fmt.Errorf("%w (the driver says: %v)", bus, err)
		}
	}
	switch {
	case kind != sensors.Unknown:
	case errors.Is(err, ErrReset):
		kind = sensors.Implausible
	case errors.Is(err, ErrNotReady):
		kind = sensors.Busy
	}
	return &sensors.Error{Kind: kind, Doing: s.doing(), Err: err}
}

func (s *Guarded) timeout(what string, cause error) error {
	return &sensors.Error{Kind: sensors.Timeout, Doing: s.doing(), Err: fmt.Errorf("%s: %w", what, cause)}
}

func (s *Guarded) doing() string {
	return "reading " + s.options.Description.Driver + " at " + s.options.Description.Where
}

package sensortest

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"syscall"
	"time"

	"dewline/sensors"
)

// checks is the suite. Each case is a way in which monitoring went wrong in the field: a value that nothing
// measured, a loop that hangs on one sensor, a sensor that never comes back.
var checks = []check{
	{"describe", "", describe},
	{"healthy", "", healthy},
	{"ended context", "", endedContext},
	{"close", "", closeTwice},
	{"absent", Absent, absent},
	{"absent from the start", Absent, absentFromTheStart},
	{"silent", Silent, silent},
	{"silent from the start", Silent, silentFromTheStart},
	{"close while silent", Silent, closeWhileSilent},
	{"slow", Slow, slow},
	{"garbled", Garbled, garbled},
	{"garbled from the start", Garbled, garbledFromTheStart},
	{"implausible", Implausible, implausible},
	{"reset", Reset, reset},
	{"reset midway", Reset, resetMidway},
	{"one access fails", "", oneAccessFails},
}

func describe(ctx context.Context, s *session) error {
	before := s.Sensor.Describe()
	if before.Driver == "" || before.Part == "" || before.Where == "" {
		return fmt.Errorf("driver %q, part %q and where %q must all be given", before.Driver, before.Part, before.Where)
	}
	if len(before.Measures) == 0 {
		return errors.New("no measures are described")
	}
	if before.MinimumInterval <= 0 {
		return errors.New("MinimumInterval must be positive")
	}
	seen := map[sensors.Channel]bool{}
	for _, m := range before.Measures {
		switch {
		case m.Channel.Unit() == "":
			return fmt.Errorf("channel %q has no unit", m.Channel)
		case seen[m.Channel]:
			return fmt.Errorf("channel %q is described twice", m.Channel)
		case !(m.Low < m.High):
			return fmt.Errorf("%s: range %v to %v", m.Channel, m.Low, m.High)
		case !(m.Resolution > 0) || !(m.Accuracy > 0):
			return fmt.Errorf("%s: resolution %v and accuracy %v must be positive", m.Channel, m.Resolution, m.Accuracy)
		}
		seen[m.Channel] = true
	}
	for channel := range s.Want {
		if !seen[channel] {
			return fmt.Errorf("the rig wants %s, which is not described", channel)
		}
	}

	// A caller may do with the slices what it likes.
	spoilt := s.Sensor.Describe()
	clear(spoilt.Measures)
	clear(spoilt.Notes)
	if err := sameDescription(before, s.Sensor.Describe()); err != nil {
		return fmt.Errorf("changing a returned description: %w", err)
	}
	if _, err := s.good(ctx, attempts); err != nil {
		return err
	}
	if err := sameDescription(before, s.Sensor.Describe()); err != nil {
		return fmt.Errorf("after a read: %w", err)
	}
	if s.Silent == nil {
		return nil
	}
	s.Silent()
	return s.promptly("Describe", func() error { return sameDescription(before, s.Sensor.Describe()) })
}

// sameDescription compares what must not change. Part and Notes may come to know more.
func sameDescription(a, b sensors.Description) error {
	a.Part, a.Notes, b.Part, b.Notes = "", nil, "", nil
	if !reflect.DeepEqual(a, b) {
		return fmt.Errorf("the description changed from %+v to %+v", a, b)
	}
	return nil
}

func healthy(ctx context.Context, s *session) error {
	for i := range 3 {
		if _, err := s.good(ctx, 1); err != nil {
			return fmt.Errorf("read %d: %w", i+1, err)
		}
		s.pause()
	}
	return nil
}

func endedContext(ctx context.Context, s *session) error {
	ended, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := s.bad(ended, sensors.Timeout); err != nil {
		return err
	}
	return s.recovers(ctx)
}

func closeTwice(ctx context.Context, s *session) error {
	if _, err := s.good(ctx, 1); err != nil {
		return err
	}
	for range 2 {
		if err := s.Sensor.Close(); err != nil {
			return fmt.Errorf("close: %w", err)
		}
	}
	reading, err := s.Sensor.Read(ctx)
	if err == nil || len(reading.Values) > 0 {
		return errors.New("read after close gives no error")
	}
	return sensible(s.Sensor.Describe())
}

func sensible(d sensors.Description) error {
	if d.Driver == "" || len(d.Measures) == 0 {
		return errors.New("a closed sensor no longer describes itself")
	}
	return nil
}

func absent(ctx context.Context, s *session) error {
	if _, err := s.good(ctx, 1); err != nil {
		return err
	}
	return absentFromTheStart(ctx, s)
}

func absentFromTheStart(ctx context.Context, s *session) error {
	s.Absent()
	for range 2 {
		if _, err := s.bad(ctx, sensors.Absent); err != nil {
			return err
		}
		s.pause()
	}
	return s.recovers(ctx)
}

func silent(ctx context.Context, s *session) error {
	if _, err := s.good(ctx, 1); err != nil {
		return err
	}
	return silentFromTheStart(ctx, s)
}

// silentFromTheStart reads three times from a device that hangs: the first read outlives it, the others find it held.
func silentFromTheStart(ctx context.Context, s *session) error {
	s.Silent()
	if _, err := s.bad(ctx, sensors.Timeout); err != nil {
		return err
	}
	for range 2 {
		s.pause()
		if _, err := s.bad(ctx, sensors.Timeout, sensors.Busy); err != nil {
			return fmt.Errorf("while an earlier read still hangs: %w", err)
		}
	}
	return s.recovers(ctx)
}

func closeWhileSilent(ctx context.Context, s *session) error {
	s.Silent()
	if _, err := s.bad(ctx, sensors.Timeout); err != nil {
		return err
	}
	return s.promptly("Close", s.Sensor.Close)
}

func slow(ctx context.Context, s *session) error {
	if _, err := s.good(ctx, 1); err != nil {
		return err
	}
	s.Slow(s.rig.timeout() + min(s.rig.timeout()/2, time.Second))
	if _, err := s.bad(ctx, sensors.Timeout); err != nil {
		return err
	}
	return s.recovers(ctx)
}

func garbled(ctx context.Context, s *session) error {
	for bit, garble := range s.Garbled {
		if _, err := s.good(ctx, attempts); err != nil {
			return err
		}
		garble()
		if err := s.notFooled(ctx); err != nil {
			return fmt.Errorf("variant %d: %w", bit, err)
		}
		if err := s.recovers(ctx); err != nil {
			return fmt.Errorf("variant %d: %w", bit, err)
		}
	}
	return nil
}

// notFooled reads an altered answer.
func (s *session) notFooled(ctx context.Context) error {
	reading, err, broken := s.read(ctx)
	switch {
	case broken != nil:
		return broken
	case err != nil:
		kinds := []sensors.Kind{sensors.Checksum, sensors.Implausible}
		if s.rig.NoChecksum { // an altered status word may also look like a conversion that never ends
			kinds = append(kinds, sensors.Busy, sensors.Timeout)
		}
		if err := isOf(err, kinds...); err != nil {
			return err
		}
		return s.evident(reading)
	case s.rig.NoChecksum, len(reading.Refused) > 0:
		return nil // read has checked the range
	}
	return s.truthful(reading) // the altered bit meant nothing, or a repetition was clean
}

func garbledFromTheStart(ctx context.Context, s *session) error {
	s.Garbled[0]()
	if err := s.notFooled(ctx); err != nil {
		return err
	}
	return s.recovers(ctx)
}

func implausible(ctx context.Context, s *session) error {
	for _, name := range slices.Sorted(maps.Keys(s.Implausible)) {
		s.Implausible[name]()
		reading, err, broken := s.read(ctx)
		if broken != nil {
			return broken
		}
		if err == nil && len(reading.Refused) > 0 { // the other channels stand
			err = reading.Refused[0].Err
		}
		if err = isOf(err, sensors.Implausible); err == nil {
			err = s.evident(reading)
		}
		if err == nil {
			err = s.recovers(ctx)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return nil
}

func reset(ctx context.Context, s *session) error { return s.resets(ctx, s.Reset) }

func resetMidway(ctx context.Context, s *session) error {
	if s.ResetMidway == nil {
		return nil
	}
	return s.resets(ctx, s.ResetMidway)
}

// resets takes the power away once the device has been set up, and wants either truth or an error until it is set up
// again.
func (s *session) resets(ctx context.Context, takePowerAway func()) error {
	if _, err := s.good(ctx, 1); err != nil {
		return err
	}
	s.pause()
	takePowerAway()
	reading, err := s.good(ctx, attempts)
	if err != nil {
		return err
	}
	if s.rig.ResetSeen && !reading.Reset && !reading.First {
		return errors.New("the first good reading after a reset has neither Reset nor First set")
	}
	s.pause()
	reading, err = s.good(ctx, 1)
	if err == nil && reading.Reset {
		err = errors.New("one reset is reported twice")
	}
	return err
}

// oneAccessFails lets each of the first accesses fail in turn, with each errno that a bus gives.
func oneAccessFails(ctx context.Context, s *session) error {
	if s.FailAt == nil {
		return nil
	}
	const accesses = 12 // more than any driver here needs to set a device up and read it
	for n := 1; n <= accesses; n++ {
		for _, errno := range []error{syscall.ENXIO, syscall.EREMOTEIO, syscall.EIO, syscall.ETIMEDOUT, syscall.EAGAIN} {
			s.FailAt(n, errno)
			for range 2 {
				reading, err, broken := s.read(ctx)
				if broken == nil && err == nil {
					broken = s.truthful(reading)
				}
				if broken != nil {
					return fmt.Errorf("access %d fails with %w: %w", n, errno, broken)
				}
			}
			if err := s.recovers(ctx); err != nil {
				return fmt.Errorf("access %d fails with %w: %w", n, errno, err)
			}
		}
	}
	return nil
}

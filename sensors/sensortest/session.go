package sensortest

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"dewline/sensors"
)

// session is one case at work on its bench.
type session struct {
	Bench
	t   *testing.T
	rig Rig
}

// attempts is how many reads a driver may take to be as before once its device is healthy again. The first may find
// the bus still held by the fault, the second may be spent on setting the device up.
const attempts = 3

// read reads once under the rig's deadline, and checks what holds for every read: it is back in time, it gives values
// or an error and never both, and its values are those of Describe.
func (s *session) read(ctx context.Context) (sensors.Measurement, error, error) {
	ctx, cancel := context.WithTimeout(ctx, s.rig.timeout())
	defer cancel()
	type result struct {
		reading sensors.Measurement
		err     error
	}
	done := make(chan result, 1)
	go func() {
		reading, err := s.Sensor.Read(ctx)
		done <- result{reading, err}
	}()
	overdue, calledOff := s.overdue(ctx)
	defer calledOff()
	var got result
	select {
	case got = <-done:
	case <-overdue:
		s.Heal()
		<-done
		return sensors.Measurement{}, nil, errors.New("read did not come back when its context had ended")
	}
	return got.reading, got.err, s.sane(got.reading, got.err)
}

// overdue returns a channel that is closed some time after ctx has ended: at once would be too strict, since the driver
// wakes at the same instant. The second result calls it off.
func (s *session) overdue(ctx context.Context) (<-chan struct{}, func() bool) {
	grace := 20 * time.Millisecond
	if s.rig.RealTime {
		grace = 20 * time.Second // only ever waited for by a driver that hangs
	}
	late := make(chan struct{})
	return late, context.AfterFunc(ctx, func() { time.AfterFunc(grace, func() { close(late) }) })
}

// promptly runs f, which must not wait for the device, while the device hangs.
func (s *session) promptly(what string, f func() error) error {
	done := make(chan error, 1)
	go func() { done <- f() }()
	ctx, cancel := context.WithTimeout(context.Background(), s.rig.timeout())
	defer cancel()
	overdue, calledOff := s.overdue(ctx)
	defer calledOff()
	select {
	case err := <-done:
		return err
	case <-overdue:
		s.Heal()
		<-done
		return fmt.Errorf("%s waits for a device that hangs", what)
	}
}

// sane checks what holds for the result of any read.
func (s *session) sane(reading sensors.Measurement, err error) error {
	if err != nil {
		if len(reading.Values) > 0 {
			return fmt.Errorf("read gives values %v beside the error %w", reading.Values, err)
		}
		if sensors.KindOf(err) == sensors.Unknown {
			return fmt.Errorf("read gives an error of unknown kind: %w", err)
		}
		return nil
	}
	description := s.Sensor.Describe()
	for _, v := range reading.Values {
		m, described := description.MeasureOf(v.Channel)
		switch {
		case !described:
			return fmt.Errorf("read gives %s, which Describe does not list", v.Channel)
		case math.IsNaN(v.Value), v.Value < m.Low, v.Value > m.High:
			return fmt.Errorf("read gives %s %v, outside the described %v to %v", v.Channel, v.Value, m.Low, m.High)
		}
	}
	if len(reading.Values) == 0 {
		return errors.New("read gives neither a value nor an error")
	}
	for _, m := range description.Measures {
		n := count(reading, m.Channel)
		if refused, ok := reading.RefusalOf(m.Channel); ok {
			n++
			if err := isOf(refused.Err, sensors.Implausible); err != nil {
				return fmt.Errorf("refusing %s: %w", m.Channel, err)
			}
		}
		if n != 1 {
			return fmt.Errorf("read gives %d values of %s, want one", n, m.Channel)
		}
	}
	return nil
}

func count(reading sensors.Measurement, channel sensors.Channel) int {
	n := 0
	for _, v := range reading.Values {
		if v.Channel == channel {
			n++
		}
	}
	return n
}

// truthful checks a reading against what the healthy device measures.
func (s *session) truthful(reading sensors.Measurement) error {
	description := s.Sensor.Describe()
	for channel, want := range s.Want {
		got, found := reading.Measured(channel)
		if !found {
			return fmt.Errorf("read gives no %s", channel)
		}
		m, _ := description.MeasureOf(channel)
		if math.Abs(got.Value-want) > m.Resolution {
			return fmt.Errorf("read gives %s %v, but the device measures %v (resolution %v)",
				channel, got.Value, want, m.Resolution)
		}
	}
	return nil
}

// good reads until a reading comes, at most so many times, and checks that it is right. On the real clock a read that
// finds the device still held does not count, as the fault before may take its time to let go.
func (s *session) good(ctx context.Context, tries int) (sensors.Measurement, error) {
	const patience = 20 * time.Second
	start := time.Now()
	var last error
	for try := 0; try < tries; try++ {
		reading, err, broken := s.read(ctx)
		if broken != nil {
			return reading, broken
		}
		if last = err; err == nil {
			return reading, s.truthful(reading)
		}
		if s.rig.RealTime && sensors.KindOf(err) == sensors.Busy && time.Since(start) < patience {
			try--
		}
		s.pause()
	}
	return sensors.Measurement{}, fmt.Errorf("no reading from a healthy device in %d reads: %w", tries, last)
}

// bad reads once and wants an error of one of the given kinds.
func (s *session) bad(ctx context.Context, kinds ...sensors.Kind) (sensors.Measurement, error) {
	reading, err, broken := s.read(ctx)
	if broken != nil {
		return reading, broken
	}
	return reading, isOf(err, kinds...)
}

func isOf(err error, kinds ...sensors.Kind) error {
	if err == nil {
		return fmt.Errorf("read gives no error, want one of kind %v", kinds)
	}
	for _, kind := range kinds {
		if sensors.KindOf(err) == kind {
			return nil
		}
	}
	return fmt.Errorf("read gives an error of kind %s, want %v: %w", sensors.KindOf(err), kinds, err)
}

// evident wants the bytes behind a failed read.
func (s *session) evident(reading sensors.Measurement) error {
	if !s.rig.Opaque && len(reading.Evidence) == 0 {
		return errors.New("bytes were obtained, but the failed reading carries no evidence")
	}
	return nil
}

// recovers heals the device and wants it read again.
func (s *session) recovers(ctx context.Context) error {
	s.Heal()
	s.pause()
	if _, err := s.good(ctx, attempts); err != nil {
		return fmt.Errorf("after the fault: %w", err)
	}
	return nil
}

// pause lets the time between two reads pass, where it costs nothing.
func (s *session) pause() {
	if s.rig.RealTime {
		time.Sleep(5 * time.Millisecond)
		return
	}
	time.Sleep(max(s.Sensor.Describe().MinimumInterval, time.Second))
}

package sensortest

import (
	"context"
	"fmt"
	"runtime"
	"testing"
	"testing/synctest"
	"time"
)

// check is one case of the suite. needs names the fault it brings about; "" runs on every rig.
type check struct {
	name  string
	needs Fault
	run   func(ctx context.Context, s *session) error
}

// Run runs the suite, one subtest per case.
func Run(t *testing.T, rig Rig) {
	t.Helper()
	for _, c := range checks {
		t.Run(c.name, func(t *testing.T) {
			if err := try(t, rig, c); err != nil {
				t.Error(err)
			}
		})
	}
}

// try runs one case on a bench of its own and returns what the driver did wrong.
func try(t *testing.T, rig Rig, c check) (err error) {
	if reason, exempt := rig.Exempt[c.needs]; exempt && c.needs != "" {
		if reason == "" {
			return fmt.Errorf("the rig exempts %q without a reason", c.needs)
		}
		t.Logf("no %q here: %s", c.needs, reason)
		return nil
	}
	body := func(t *testing.T) {
		s := &session{t: t, rig: rig, Bench: rig.Open(t)}
		switch {
		case s.Sensor == nil || s.Heal == nil || len(s.Want) == 0:
			err = fmt.Errorf("the rig must fill in Sensor, Want and Heal")
			return
		case c.needs != "" && !s.has(c.needs):
			err = fmt.Errorf("the rig neither fills in %q nor says in Exempt why it cannot happen", c.needs)
			return
		}
		err = c.run(t.Context(), s)
		s.Heal() // lets go of whatever still hangs, so that only true leaks remain
		if closing := s.Sensor.Close(); err == nil && closing != nil {
			err = fmt.Errorf("close: %w", closing)
		}
		if !rig.RealTime {
			time.Sleep(time.Minute) // a slow access may still be on its way, and comes back by itself
		}
	}
	if rig.RealTime {
		before := runtime.NumGoroutine()
		body(t)
		if err == nil {
			err = settled(before)
		}
		return err
	}
	// The bubble itself panics where a goroutine is left behind.
	synctest.Test(t, body)
	return err
}

// settled waits for the number of goroutines to fall back to what it was.
func settled(before int) error {
	const patience = 10 * time.Second
	for end := time.Now().Add(patience); ; time.Sleep(5 * time.Millisecond) {
		now := runtime.NumGoroutine()
		if now <= before {
			return nil
		}
		if time.Now().After(end) {
			return fmt.Errorf("%d goroutines before the case, %d after it and %s of patience", before, now, patience)
		}
	}
}

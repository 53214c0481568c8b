package kernelfile

import (
	"context"
	"errors"
	"syscall"
	"time"

	"dewline/sensors"
)

// Retry is how often a failed read is repeated. Two more times, 50 ms apart, is the rule of the drivers here
// (engineering judgement, no published source): it rides over one burst of interference and stays within a poll.
type Retry struct {
	More  int           // how many more times at most
	Pause time.Duration // how long to wait before each
	Needs time.Duration // how long one read takes: another is begun only if it can end before the deadline
}

// Do reads, and reads again as long as worth says so of the error and the deadline of ctx allows. A read that cannot end
// in time is not begun: it would trade a precise error for a timeout, and leave a call behind in the kernel.
func (r Retry) Do(ctx context.Context, worth func(error) bool, read func() error) error {
	err := read()
	for range r.More {
		if err == nil || !worth(err) || !Wait(ctx, r.Pause, r.Needs) {
			return err
		}
		err = read()
	}
	return err
}

// Doing says what was being done when an error came, in front of what the error says itself, and keeps its kind.
func Doing(what string, err error) error {
	if inner, ok := err.(*sensors.Error); ok {
		if inner.Doing != "" {
			what += ": " + inner.Doing
		}
		return &sensors.Error{Kind: inner.Kind, Doing: what, Err: inner.Err}
	}
	return &sensors.Error{Kind: sensors.KindOf(err), Doing: what, Err: err}
}

// Passing reports whether an error may be gone a moment later: bytes were garbled or cut short (ENODATA), the device was
// busy, or it did not acknowledge on its bus (ENXIO or EREMOTEIO, which may mean busy as well as unplugged).
func Passing(err error) bool {
	if errors.Is(err, ErrStuck) {
		return false
	}
	if errors.Is(err, syscall.ENODATA) {
		return true
	}
	switch sensors.KindOf(err) {
	case sensors.Checksum, sensors.Busy:
		return true
	case sensors.Absent:
		return errors.Is(err, syscall.ENXIO) || errors.Is(err, syscall.EREMOTEIO)
	}
	return false
}

// Wait waits for pause and reports true. It reports false at once when pause and then needs do not fit before the
// deadline of ctx, and false when ctx ends meanwhile.
func Wait(ctx context.Context, pause, needs time.Duration) bool {
	if deadline, ok := ctx.Deadline(); ok && time.Until(deadline) <= pause+needs {
		return false
	}
	timer := time.NewTimer(pause)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

package store

import (
	"context"
	"runtime"
	"time"
)

// hurry is what is left of the patience with a disk that has not answered in time or was held by another program: the next
// entry must not wait as long once more.
const hurry = 20 * time.Millisecond

// writeSoon writes what waits, and does not wait for longer than the patience allows. A write that takes longer goes on by
// itself, and takes along what has come in the meantime.
func (s *Store) writeSoon(ctx context.Context, doing string) error {
	s.mu.Lock()
	patience, stuck := s.options.Patience, s.late && !s.writing.IsZero()
	if s.late && patience > 0 {
		patience = min(patience, hurry)
	}
	s.left = s.left || stuck
	s.mu.Unlock()
	if stuck {
		return s.slow(doing)
	}
	done := make(chan error, 1)
	ctx = context.WithoutCancel(ctx) // half a write is of no use
	go func() {
		s.write.Lock()
		defer s.write.Unlock()
		err := s.transact(ctx, doing, false)
		done <- err       // an alarm waits for nothing else
		runtime.Gosched() // and who waits goes on at once, where otherwise another thread has to be woken for it
		s.catchUp(ctx, err, logPagesAlarms)
	}()
	if patience == 0 {
		return <-done
	}
	timer := time.NewTimer(patience)
	defer timer.Stop()
	select {
	case err := <-done:
		return err
	case <-timer.C:
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	select {
	case err := <-done: // after all
		return err
	default:
		s.late = true
		return s.slow(doing)
	}
}

// catchUp does what need not be waited for after a write that has ended with err, and writes what has been left to it. A log of so many
// pages is copied into the main file. Store.write is held.
func (s *Store) catchUp(ctx context.Context, err error, pages int) {
	for err == nil {
		s.markLog(ctx, pages)
		if !s.takeLeft() {
			return
		}
		err = s.transact(ctx, "writing the journal", false)
	}
}

// slow is the error of a write that has not ended in time.
func (f *file) slow(doing string) error { return &Error{Doing: doing, Path: f.path, Kind: ErrSlow} }

// begins notes that a write begins.
func (f *file) begins() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.writing = time.Now()
}

func (f *file) ends() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.writing = time.Time{}
}

// takeLeft reports whether something has come that its writer left to the write that was under way. All others wait for their turn, and
// are kept from it no longer than need be.
func (f *file) takeLeft() (left bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	left, f.left = f.left, false
	return left
}

// Package serial delivers the items of a queue one at a time, each with an answer of its own, for webhook and e-mail. It drives
// a [deliver.Worker]:
//
//	sender := serial.New(serial.Options{Name: "webhook", Queue: queue, Deliver: func(ctx context.Context, item deliver.Item) error {…}})
//	go sender.Run(ctx)
//	err := sender.Add(item)
//
// Items stay in order: one that cannot be delivered now is tried again, and those behind it wait. One that can never be delivered
// ([deliver.ErrUnsendable]) is given up and reported.
//
// A service that answers the same item with "later" again and again may be failing because of that item. So after
// [Options.Patience], or a minute of refusals, the next item is tried, if there is one. Only if the service accepts that one is the
// first one given up, since a service that is out of order refuses them all. A service that cannot be reached, or refuses all
// items, is tried without end.
package serial

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/deliver"
)

// The times of a sender.
const (
	// MaxWait bounds the pause that a service may ask for.
	MaxWait         = time.Hour
	defaultPatience = time.Hour
	refusalPatience = time.Minute
)

// RetryAfterError is the answer of a service that is reachable and does not accept the item now.
type RetryAfterError struct {
	// After is the pause that it asks for; 0 if it asks for none. No more than [MaxWait] is granted.
	After time.Duration
	// Refusal marks an answer that means no rather than not now, such as 403. Its cause is most often a mistake at either end that
	// will be corrected, so the item is tried again, but the next one is tried sooner.
	Refusal bool
	// Err says what it answered.
	Err error
}

// Error implements error.
func (l *RetryAfterError) Error() string { return l.Err.Error() }

// Unwrap returns the answer.
func (l *RetryAfterError) Unwrap() error { return l.Err }

// Options configure a [Sender].
type Options struct {
	// Name names the notifier in the log: "webhook".
	Name  string
	Queue deliver.Queue
	// Deliver sends one item and returns nil once the service has accepted it. An error that wraps [deliver.ErrUnsendable] means
	// that it never will, a [RetryAfterError] that it was reached and asks for another try, any other that it was not reached.
	// Calls do not overlap. Deliver must return soon after ctx has ended.
	Deliver func(ctx context.Context, item deliver.Item) error
	// GivenUp is called with each item that is given up, and the reason; nil means that it is only logged. It must not wait: the
	// goroutine that delivers calls it.
	GivenUp func(item deliver.Item, reason error)
	// Patience is how long the same item may be answered with a [RetryAfterError] before the next one is tried; 0 means an hour.
	Patience time.Duration
	// Random returns a number in [0, 1) to spread waiting times; nil means chance.
	Random func() float64
	Log    *slog.Logger // nil means silence
}

// Sender empties a queue, one item at a time.
type Sender struct {
	o       Options
	worker  *deliver.Worker
	refused atomic.Bool // the last answer was a refusal

	// These belong to the goroutine of Run.
	notBefore time.Time
	asked     string    // event of the item that was answered with a RetryAfterError
	since     time.Time // time of the first such answer
	passed    *passed   // the item that the next one is tried before
	poison    *passed   // the item that the service refuses while it accepts others
}

// passed is an item that is passed over, and the answer to it.
type passed struct {
	id     uint64
	answer error
}

// New returns a sender; [Sender.Run] starts it.
func New(o Options) *Sender {
	o.Patience = cmp.Or(o.Patience, defaultPatience)
	if o.GivenUp == nil {
		o.GivenUp = func(deliver.Item, error) {}
	}
	o.Log = cmp.Or(o.Log, slog.New(slog.DiscardHandler))
	o.Log = o.Log.With("notifier", o.Name)
	s := &Sender{o: o}
	s.worker = deliver.NewWorker(deliver.WorkerOptions{Queue: oneByOne{o.Queue, s}, Transport: s, Random: o.Random, Log: o.Log})
	return s
}

// Add puts an item into the queue. It does not wait for its delivery.
func (s *Sender) Add(item deliver.Item) error {
	if err := s.o.Queue.Add(item); err != nil {
		return fmt.Errorf("%s: %s: %w", s.o.Name, item.Event, err)
	}
	s.worker.Wake()
	return nil
}

// Run delivers until ctx ends, and goes on for at most two seconds with what waits then. It always returns nil.
func (s *Sender) Run(ctx context.Context) error {
	s.worker.Run(ctx)
	return nil
}

// Status is the state of a sender.
type Status struct {
	Pending int             // in the queue
	Oldest  instant.Instant // of them; None where nothing waits
	Sent    uint64
	GivenUp uint64
	Err     string // the last failure; "" after a delivery
	Refused bool   // the service has refused the item
}

// Status returns the state of the sender.
func (s *Sender) Status() Status {
	stats := s.worker.Stats()
	return Status{
		Sent: stats.Sent, GivenUp: stats.Unsendable, Err: stats.Err,
		Pending: s.o.Queue.Pending(), Oldest: s.o.Queue.Oldest(), Refused: s.refused.Load() && stats.Err != "",
	}
}

// Open implements [deliver.Transport]. It waits while the service has asked for a pause.
func (s *Sender) Open(ctx context.Context) (deliver.Conn, error) {
	wait := time.NewTimer(time.Until(s.notBefore))
	defer wait.Stop()
	select {
	case <-wait.C:
		return conn{s}, nil
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
}

// deliver sends one item and handles the answer.
func (s *Sender) deliver(ctx context.Context, item deliver.Item) error {
	var err error
	if s.poison != nil && s.poison.id == item.ID {
		err = fmt.Errorf("%w: others are taken, and the answer to this one has been again and again: %w", deliver.ErrUnsendable, s.poison.answer)
		s.poison = nil
	} else {
		err = s.o.Deliver(ctx, item)
	}
	later, isLater := errors.AsType[*RetryAfterError](err)
	s.refused.Store(isLater && later.Refusal)
	if err == nil {
		if s.passed != nil {
			s.poison, s.passed = s.passed, nil
			s.worker.Wake()
		}
		return nil
	}
	if isLater {
		s.notBefore = time.Now().Add(min(max(later.After, 0), MaxWait))
	}
	if errors.Is(err, deliver.ErrUnsendable) {
		s.o.GivenUp(item, err)
		s.worker.Wake() // otherwise it looks for the next item only at the next interval
		return err
	}
	s.skipPoison(item, err)
	return err
}

// skipPoison decides whether the next item is tried before this one.
func (s *Sender) skipPoison(item deliver.Item, answer error) {
	if s.passed != nil { // the other one is refused too: the passed one is not the cause
		s.passed, s.since = nil, time.Now()
		return
	}
	later, ok := errors.AsType[*RetryAfterError](answer)
	if !ok {
		return
	}
	patience := s.o.Patience
	if later.Refusal {
		patience = min(patience, refusalPatience)
	}
	if s.asked != item.Event || s.since.IsZero() {
		s.asked, s.since = item.Event, time.Now()
	}
	if time.Since(s.since) < patience {
		return
	}
	if s.o.Queue.Pending() > 1 {
		s.passed = &passed{item.ID, answer}
	}
}

// conn implements [deliver.Conn]. It never ends by itself: each item has a connection of its own.
type conn struct{ s *Sender }

// Send implements [deliver.Conn]. It waits for the answer.
func (c conn) Send(ctx context.Context, item deliver.Item) (deliver.Ack, error) {
	if err := c.s.deliver(ctx, item); err != nil {
		return nil, err
	}
	return accepted{}, nil
}

// Done implements [deliver.Conn].
func (conn) Done() <-chan struct{} { return nil }

// Drop implements [deliver.Conn].
func (conn) Drop(error) {}

// accepted is the acknowledgement of an item whose answer is known already.
type accepted struct{}

var closed = func() chan struct{} { c := make(chan struct{}); close(c); return c }()

// Done implements [deliver.Ack].
func (accepted) Done() <-chan struct{} { return closed }

// Err implements [deliver.Ack].
func (accepted) Err() error { return nil }

// oneByOne returns one item of a queue at a time, and the next one only when none is in flight. Otherwise a failure would repeat
// everything that the worker had in flight, even what was delivered in the meantime.
type oneByOne struct {
	deliver.Queue
	sender *Sender
}

// Next implements [deliver.Queue]. limit is the free part of the worker's window.
func (q oneByOne) Next(after uint64, limit int) ([]deliver.Item, error) {
	if limit < deliver.Window {
		return nil, nil
	}
	s := q.sender
	if s.poison != nil {
		return q.Queue.Next(s.poison.id-1, 1)
	}
	if s.passed != nil {
		items, err := q.Queue.Next(max(after, s.passed.id), 1)
		if err != nil || len(items) > 0 {
			return items, err
		}
		s.passed, s.since = nil, time.Now() // all those behind it are gone
		after = 0
	}
	return q.Queue.Next(after, 1)
}

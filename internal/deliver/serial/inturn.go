// Package inturn is what outlets share that hand over one message at a time, each with an answer of its own: webhook and
// mail. It drives an [outlet.Worker]:
//
//	sender := inturn.New(inturn.Options{Name: "webhook", Queue: queue, Deliver: func(ctx context.Context, item outlet.Item) error {…}})
//	go sender.Run(ctx)
//	err := sender.Add(item)
//
// The order is kept: a message that cannot be delivered now is tried again, and those behind it wait. What can never be
// delivered ([outlet.ErrUnsendable]) is given up and reported. A far side that answers to one and the same message again and
// again that it should come later may be stumbling over that very message. So after [Options.Patience], or a minute of refusals, the one behind it, if
// there is one, is tried: only if the far side takes that is the first one given up, since a far side that is out of order
// for a day refuses them all. A far side that cannot be reached, or refuses all, is waited for without end.
package serial

import (
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
	// LongestWait bounds what a far side may ask for.
	MaxWait         = time.Hour
	defaultPatience = time.Hour
	refusalPatience = time.Minute
)

// Later is the answer of a far side that is there and does not want the message now.
type RetryAfterError struct {
	// After is how long it asks to be left alone, 0 where it does not say. No more than [LongestWait] is granted.
	After time.Duration
	// Refusal marks an answer that says no rather than not now, such as 403: it is most often a mistake at either end that is put right,
	// and so the message is tried again, but the next one is tried sooner.
	Refusal bool
	// Err says what it answered.
	Err error
}

// Error implements error.
func (l *RetryAfterError) Error() string { return l.Err.Error() }

// Unwrap returns what the far side answered.
func (l *RetryAfterError) Unwrap() error { return l.Err }

// Options are the surroundings of a [Sender].
type Options struct {
	// Name stands in the log: "webhook".
	Name  string
	Queue deliver.Queue
	// Deliver hands over one item and returns nil once the far side has taken it. An error that wraps [outlet.ErrUnsendable]
	// means that it never will, a [Later] that it was there and asks for another try, any other that it was not reached. It is
	// never called twice at the same time, and must end soon after ctx.
	Deliver func(ctx context.Context, item deliver.Item) error
	// GivenUp is told of each item that is given up, and why; nil means that only the log is. It must not wait: it
	// is called by the goroutine that delivers.
	GivenUp func(item deliver.Item, why error)
	// Patience is how long one and the same item may be answered with [Later] before the next one is tried; 0 means an hour.
	Patience time.Duration
	// Random returns a number in [0, 1) to spread waiting times; nil means chance.
	Random func() float64
	Log    *slog.Logger // nil means silence
}

// Sender empties a queue, one item at a time.
type Sender struct {
	o       Options
	worker  *deliver.Worker
	success atomic.Int64 // instant of the last delivery
	refused atomic.Bool  // the last answer was a refusal

	// These belong to the goroutine of Run.
	notBefore time.Time
	asked     string    // event of the item that was answered with Later
	since     time.Time // first time that it was
	passed    *passed   // the item that the next one is tried before
	poison    *passed   // the item over which the far side stumbles: it takes others
}

// passed is an item that is passed over, and what the far side has said to it.
type passed struct {
	id     uint64
	answer error
}

// New returns a sender that [Sender.Run] sets to work.
func New(o Options) *Sender {
	if o.Patience == 0 {
		o.Patience = defaultPatience
	}
	if o.GivenUp == nil {
		o.GivenUp = func(deliver.Item, error) {}
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	o.Log = o.Log.With("outlet", o.Name)
	s := &Sender{o: o}
	s.success.Store(int64(instant.None))
	s.worker = deliver.NewWorker(deliver.WorkerOptions{Queue: oneByOne{o.Queue, s}, Carrier: s, Random: o.Random, Log: o.Log})
	return s
}

// Add puts an item into the queue. It does not wait for the far side.
func (s *Sender) Add(item deliver.Item) error {
	if err := s.o.Queue.Add(item); err != nil {
		return fmt.Errorf("%s: %s: %w", s.o.Name, item.Event, err)
	}
	s.Wake()
	return nil
}

// Wake tells that something was added to the queue.
func (s *Sender) Wake() { s.worker.Wake() }

// Run works until ctx ends, and goes on for at most two seconds with what waits then. It always returns nil.
func (s *Sender) Run(ctx context.Context) error {
	s.worker.Run(ctx)
	return nil
}

// Status tells how a sender fares.
type Status struct {
	Pending int             // in the queue
	Oldest  instant.Instant // of them; None where nothing waits
	Sent    uint64
	GivenUp uint64
	Last    instant.Instant // of the last delivery; None before the first
	Err     string          // what went wrong last and is not cured; "" when all is well
	Refused bool            // what went wrong is that the far side says no
}

// Status returns how the sender fares.
func (s *Sender) Status() Status {
	stats := s.worker.Stats()
	status := Status{
		Sent: stats.Sent, GivenUp: stats.Unsendable, Err: stats.Err,
		Oldest: instant.None, Last: instant.Instant(s.success.Load()), Refused: s.refused.Load() && stats.Err != "",
	}
	var err error
	if status.Pending, err = s.o.Queue.Pending(); err == nil {
		status.Oldest, err = s.o.Queue.Oldest()
	}
	if err != nil {
		status.Err = "outbox: " + err.Error()
	}
	return status
}

// Open implements [outlet.Carrier]: the way is open unless the far side has asked to be left alone.
func (s *Sender) Open(ctx context.Context) (deliver.Conn, error) {
	wait := time.NewTimer(time.Until(s.notBefore))
	defer wait.Stop()
	select {
	case <-wait.C:
		return passage{s}, nil
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
}

// deliver hands over one item and judges the answer.
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
		s.success.Store(int64(instant.Of(time.Now())))
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
		s.worker.Wake() // it looks for the next one only if it is told to
		return err
	}
	s.skipPoison(item, err)
	return err
}

// loseOrKeepPatience decides whether the next item is tried before this one.
func (s *Sender) skipPoison(item deliver.Item, answer error) {
	if s.passed != nil { // the other one is not taken either: it is not this one's fault
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
	if waiting, err := s.o.Queue.Pending(); err == nil && waiting > 1 {
		s.passed = &passed{item.ID, answer}
	}
}

// passage is the open way. It never ends by itself, since there is no connection that could.
type passage struct{ s *Sender }

// Send implements [outlet.Passage]. It waits for the answer.
func (p passage) Send(ctx context.Context, item deliver.Item) (deliver.Ack, error) {
	if err := p.s.deliver(ctx, item); err != nil {
		return nil, err
	}
	return taken{}, nil
}

// Done implements [outlet.Passage].
func (passage) Done() <-chan struct{} { return nil }

// Drop implements [outlet.Passage].
func (passage) Drop(error) {}

// taken is the receipt of what the far side has taken already.
type taken struct{}

var closed = func() chan struct{} { c := make(chan struct{}); close(c); return c }()

// Done implements [outlet.Receipt].
func (taken) Done() <-chan struct{} { return closed }

// Err implements [outlet.Receipt].
func (taken) Err() error { return nil }

// oneByOne hands out one item of a queue at a time: the next one only when nothing is under way. Otherwise a failure would
// bring everything that the worker had taken along, and that was delivered in the meantime, once more.
type oneByOne struct {
	deliver.Queue
	sender *Sender
}

// Next implements [outlet.Queue]. The worker asks for what is left of its window.
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

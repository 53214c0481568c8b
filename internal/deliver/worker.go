package deliver

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"sync"
	"time"
)

// Carrier is a way out to people.
type Transport interface {
	// Open waits until the way is open, or for ctx.
	Open(ctx context.Context) (Conn, error)
}

// Passage is an open way, such as one connection to a broker.
type Conn interface {
	// Send hands an item over, in the order of the calls. It waits while too much is under way. An error that wraps
	// [ErrUnsendable] means that this item never can be sent; any other ends the passage.
	Send(ctx context.Context, item Item) (Ack, error)
	// Done is closed when the passage has ended. It never opens again.
	Done() <-chan struct{}
	// Drop ends the passage.
	Drop(reason error)
}

// Receipt tells whether an item has arrived.
type Ack interface {
	// Done is closed when that is known.
	Done() <-chan struct{}
	// Err returns nil once the far side has acknowledged the item on the passage that carried it. It is valid after Done.
	Err() error
}

// ErrUnsendable says that an item can never be sent.
var ErrUnsendable = errors.New("this message can never be sent")

// The times of a worker.
const (
	// Window is how many items are under way at most.
	Window = 32
	// AckTimeout is how long an acknowledgement may take before the passage is given up.
	AckTimeout   = 20 * time.Second
	firstBackoff = time.Second
	longBackoff  = time.Minute
	// lookAgain is how often a queue is looked at without having been called, in case somebody else adds to it.
	lookAgain = time.Minute
	grace     = 2 * time.Second
)

// WorkerOptions are the surroundings of a [Worker].
type WorkerOptions struct {
	Queue   Queue
	Carrier Transport
	// Random returns a number in [0, 1) to spread the waiting times; nil means chance.
	Random func() float64
	Log    *slog.Logger // nil means silence
}

// Worker empties a queue: in order, at most 32 items under way, each of them removed only when it is acknowledged on the
// passage that carried it. When a passage ends, everything unacknowledged is sent again on the next, with the same
// identity.
type Worker struct {
	o    WorkerOptions
	wake chan struct{}

	mu     sync.Mutex
	stats  WorkerStats
	told   []string  // failures that the log has had since it went well
	failed time.Time // the last failure
}

// mostTold is how many different failures are told until it goes well again, and goesWell is how long it must then have gone well.
const (
	maxTold  = 8
	goesWell = time.Minute
)

// WorkerStats tells how a worker fares.
type WorkerStats struct {
	Sent       uint64 // acknowledged items
	Unsendable uint64 // items given up since they can never be sent
	Err        string // the last failure; "" after a success
}

// NewWorker returns a worker that [Worker.Run] sets to work.
func NewWorker(o WorkerOptions) *Worker {
	if o.Random == nil {
		o.Random = rand.Float64
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Worker{o: o, wake: make(chan struct{}, 1)}
}

// Wake tells the worker that something was added to the queue. It never waits.
func (w *Worker) Wake() {
	select {
	case w.wake <- struct{}{}:
	default:
	}
}

// Stats returns how the worker fares.
func (w *Worker) Stats() WorkerStats {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.stats
}

// Run works until ctx ends. Then it goes on for at most two seconds with what is in the queue, provided the way is open,
// so that the last words of a run get out.
func (w *Worker) Run(ctx context.Context) {
	for attempt := 0; ctx.Err() == nil; attempt++ {
		before := w.Stats().Sent
		passage, err := w.o.Carrier.Open(ctx)
		if err == nil {
			err = w.serve(ctx, passage)
		}
		if err == nil || ctx.Err() != nil {
			return
		}
		w.noteFailure(err)
		if w.Stats().Sent > before {
			attempt = 0
		}
		select {
		case <-time.After(backoff(attempt, w.o.Random())):
		case <-ctx.Done():
		}
	}
}

// backoff doubles from 1 s to 1 min and takes between half and all of it.
func backoff(attempt int, random float64) time.Duration {
	wait := longBackoff
	if attempt < 6 { // 2⁶ s is above a minute
		wait = firstBackoff << attempt
	}
	return time.Duration(float64(wait) * (0.5 + random/2))
}

// noteFailure keeps a failure. A far side that is away for days is worth a line for each new reason, not one for each attempt.
func (w *Worker) noteFailure(err error) {
	w.mu.Lock()
	w.stats.Err, w.failed = err.Error(), time.Now()
	news := !slices.Contains(w.told, w.stats.Err) && len(w.told) < maxTold
	if news {
		w.told = append(w.told, w.stats.Err)
	}
	w.mu.Unlock()
	if news {
		w.o.Log.Warn("what waits in the outbox could not be delivered, trying again", "err", err)
	}
}

// underWay is an item with its receipt.
type underWay struct {
	item    Item
	receipt Ack
	sent    time.Time
}

// serve sends over one passage until it ends (an error) or until the work is over (nil).
func (w *Worker) serve(ctx context.Context, p Conn) error {
	// The last words need a context that outlives ctx.
	work, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	defer context.AfterFunc(ctx, func() { time.AfterFunc(grace, stop) })()
	var flight []underWay
	var after uint64
	fromTheStart := time.Now()
	for {
		// A queue passes over what it cannot read for a while.
		if len(flight) == 0 && time.Since(fromTheStart) >= lookAgain {
			after, fromTheStart = 0, time.Now()
		}
		filled, err := w.fill(work, p, &flight, &after)
		if err != nil {
			if work.Err() != nil {
				return nil
			}
			p.Drop(err)
			return err
		}
		if ctx.Err() != nil && len(flight) == 0 && !filled {
			return nil
		}
		if err := w.wait(ctx, work, p, &flight); err != nil {
			if work.Err() != nil {
				return nil
			}
			p.Drop(err)
			return err
		}
	}
}

// fill sends as much as the window takes and reports whether there was anything.
func (w *Worker) fill(ctx context.Context, p Conn, flight *[]underWay, after *uint64) (filled bool, err error) {
	items, err := w.o.Queue.Next(*after, Window-len(*flight))
	if err != nil { // a disk that fails is no reason to hang up; it is asked again
		w.noteFailure(fmt.Errorf("outbox: %w", err))
		return false, nil
	}
	for _, item := range items {
		filled = true
		*after = item.ID
		receipt, err := p.Send(ctx, item)
		if errors.Is(err, ErrUnsendable) {
			w.giveUp(item, err)
			continue
		}
		if err != nil {
			return true, err
		}
		*flight = append(*flight, underWay{item, receipt, time.Now()})
	}
	return filled, nil
}

// giveUp removes an item that would block all others for ever.
func (w *Worker) giveUp(item Item, why error) {
	w.o.Log.Error("a message is given up", "event", item.Event, "topic", item.Topic, "err", why)
	if err := w.o.Queue.Done(item.ID); err != nil {
		w.o.Log.Error("outbox", "err", err)
	}
	w.mu.Lock()
	w.stats.Unsendable++
	w.mu.Unlock()
}

// wait waits for the acknowledgement of the oldest item, or for new ones. Brokers acknowledge in order (MQTT 3.1.1
// section 4.6), so the oldest is the one to watch.
func (w *Worker) wait(ctx, work context.Context, p Conn, flight *[]underWay) error {
	if len(*flight) == 0 {
		again := time.NewTimer(lookAgain)
		defer again.Stop()
		select {
		case <-w.wake:
		case <-again.C:
		case <-ctx.Done():
		case <-p.Done():
			return errors.New("the connection ended")
		}
		return nil
	}
	oldest := (*flight)[0]
	late := time.NewTimer(AckTimeout - time.Since(oldest.sent))
	defer late.Stop()
	wake := w.wake
	if len(*flight) == Window {
		wake = nil // there is no room anyway
	}
	select {
	case <-oldest.receipt.Done():
		return w.settle(oldest, flight)
	case <-wake:
		return nil
	case <-late.C:
		return fmt.Errorf("no acknowledgement of %s within %s", oldest.item.Event, AckTimeout)
	case <-work.Done():
		return context.Cause(work)
	}
}

func (w *Worker) settle(oldest underWay, flight *[]underWay) error {
	if err := oldest.receipt.Err(); err != nil {
		return err
	}
	*flight = (*flight)[1:]
	err := w.o.Queue.Done(oldest.item.ID)
	w.mu.Lock()
	w.stats.Sent++
	if err == nil {
		w.stats.Err = ""
		if time.Since(w.failed) >= goesWell {
			w.told = nil
		}
	}
	w.mu.Unlock()
	if err != nil { // it will go out once more on the next passage, with the same identity
		w.noteFailure(fmt.Errorf("outbox: %w", err))
	}
	return nil
}

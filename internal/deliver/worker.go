package deliver

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"dewline/internal/mqtt"
)

// Transport opens connections to a peer: a broker, a mail server, a web service.
type Transport interface {
	// Open waits until there is a connection, or for ctx.
	Open(ctx context.Context) (Conn, error)
}

// Conn is an open connection.
type Conn interface {
	// Send sends an item, in the order of the calls. It waits while too many are in flight. An error that wraps
	// [ErrUnsendable] means that this item can never be sent; any other ends the connection.
	Send(ctx context.Context, item Item) (Ack, error)
	// Done is closed when the connection has ended.
	Done() <-chan struct{}
	// Drop ends the connection.
	Drop(reason error)
}

// Ack is the pending acknowledgement of an item.
type Ack interface {
	// Done is closed when the item is acknowledged or lost.
	Done() <-chan struct{}
	// Err returns nil if the peer has acknowledged the item on the connection that carried it. It is valid after Done.
	Err() error
}

// ErrUnsendable is wrapped by the error of an item that can never be sent.
var ErrUnsendable = errors.New("this message can never be sent")

// The times of a worker.
const (
	// Window is how many items are in flight at most.
	Window = 32
	// AckTimeout is how long an acknowledgement may take before the connection is dropped.
	AckTimeout = 20 * time.Second
	// lookAgain is how often a queue is read without a call of Wake, in case another process adds to it.
	lookAgain = time.Minute
	grace     = 2 * time.Second
)

// WorkerOptions configure a [Worker].
type WorkerOptions struct {
	Queue     Queue
	Transport Transport
	// Random returns a number in [0, 1) to spread the waiting times; nil means chance.
	Random func() float64
	Log    *slog.Logger // nil means silence
}

// Worker empties a queue: in order, at most 32 items in flight, each of them removed only when it is acknowledged on the
// connection that carried it. When a connection ends, everything unacknowledged is sent again on the next, with the same
// identity.
type Worker struct {
	o    WorkerOptions
	wake chan struct{}

	mu     sync.Mutex
	stats  WorkerStats
	logged []string  // failures logged since deliveries last worked for goesWell
	failed time.Time // the last failure
}

// maxReasons is how many different failures are logged until deliveries work again, and goesWell is for how long they must then
// have worked.
const (
	maxReasons = 8
	goesWell   = time.Minute
)

// WorkerStats are the counters of a worker.
type WorkerStats struct {
	Sent       uint64 // acknowledged items
	Unsendable uint64 // items given up since they can never be sent
	Err        string // the last failure; "" after a success
}

// NewWorker returns a worker; [Worker.Run] starts it.
func NewWorker(o WorkerOptions) *Worker {
	if o.Random == nil {
		o.Random = rand.Float64
	}
	o.Log = cmp.Or(o.Log, slog.New(slog.DiscardHandler))
	return &Worker{o: o, wake: make(chan struct{}, 1)}
}

// Wake makes the worker look into its queue now. It never waits.
func (w *Worker) Wake() {
	select {
	case w.wake <- struct{}{}:
	default:
	}
}

// Stats returns the counters of the worker.
func (w *Worker) Stats() WorkerStats {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.stats
}

// Run delivers until ctx ends. Then it goes on for at most two seconds with what is in the queue, if a connection is open, so
// that the last messages of a run get out.
func (w *Worker) Run(ctx context.Context) {
	for attempt := 0; ctx.Err() == nil; attempt++ {
		before := w.Stats().Sent
		conn, err := w.o.Transport.Open(ctx)
		if err == nil {
			err = w.serve(ctx, conn)
		}
		if err == nil || ctx.Err() != nil {
			return
		}
		w.noteFailure(err)
		if w.Stats().Sent > before {
			attempt = 0
		}
		select {
		case <-time.After(mqtt.Backoff(attempt, w.o.Random())):
		case <-ctx.Done():
		}
	}
}

// noteFailure notes a failure. A peer that is away for days gets a line in the log for each new reason, not one for each attempt.
func (w *Worker) noteFailure(err error) {
	w.mu.Lock()
	w.stats.Err, w.failed = err.Error(), time.Now()
	fresh := !slices.Contains(w.logged, w.stats.Err) && len(w.logged) < maxReasons
	if fresh {
		w.logged = append(w.logged, w.stats.Err)
	}
	w.mu.Unlock()
	if fresh {
		w.o.Log.Warn("what waits in the outbox could not be delivered, trying again", "err", err)
	}
}

// inFlight is a sent item with its pending acknowledgement.
type inFlight struct {
	item Item
	ack  Ack
	sent time.Time
}

// serve sends over one connection until that ends (an error) or until the work is over (nil).
func (w *Worker) serve(ctx context.Context, p Conn) error {
	// The last messages need a context that outlives ctx.
	work, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	defer context.AfterFunc(ctx, func() { time.AfterFunc(grace, cancel) })()
	var flight []inFlight
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
func (w *Worker) fill(ctx context.Context, p Conn, flight *[]inFlight, after *uint64) (filled bool, err error) {
	items, err := w.o.Queue.Next(*after, Window-len(*flight))
	if err != nil { // a failing disk is no reason to drop the connection; it is read again
		w.noteFailure(fmt.Errorf("outbox: %w", err))
		return false, nil
	}
	for _, item := range items {
		filled = true
		*after = item.ID
		ack, err := p.Send(ctx, item)
		if errors.Is(err, ErrUnsendable) {
			w.giveUp(item, err)
			continue
		}
		if err != nil {
			return true, err
		}
		*flight = append(*flight, inFlight{item, ack, time.Now()})
	}
	return filled, nil
}

// giveUp removes an item that would block all others for ever.
func (w *Worker) giveUp(item Item, why error) {
	w.o.Log.Error("a message is given up", "event", item.Event, "topic", item.Topic, "err", why)
	w.o.Queue.Done(item.ID)
	w.mu.Lock()
	w.stats.Unsendable++
	w.mu.Unlock()
}

// wait waits for the acknowledgement of the oldest item, or for new ones. Brokers acknowledge in order (MQTT 3.1.1
// section 4.6), so the oldest is the one to watch.
func (w *Worker) wait(ctx, work context.Context, p Conn, flight *[]inFlight) error {
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
	case <-oldest.ack.Done():
		return w.settle(oldest, flight)
	case <-wake:
		return nil
	case <-late.C:
		return fmt.Errorf("no acknowledgement of %s within %s", oldest.item.Event, AckTimeout)
	case <-work.Done():
		return context.Cause(work)
	}
}

func (w *Worker) settle(oldest inFlight, flight *[]inFlight) error {
	if err := oldest.ack.Err(); err != nil {
		return err
	}
	*flight = (*flight)[1:]
	w.o.Queue.Done(oldest.item.ID)
	w.mu.Lock()
	defer w.mu.Unlock()
	w.stats.Sent++
	w.stats.Err = ""
	if time.Since(w.failed) >= goesWell {
		w.logged = nil
	}
	return nil
}

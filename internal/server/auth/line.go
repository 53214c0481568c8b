package auth

import (
	"context"
	"slices"
	"sync"
)

// How many may wait for a hash to be computed, which one does at a time: it takes megabytes, and a second on a small board. From
// one network few may wait, so that the others get their turn.
const (
	maxWaiting        = 64
	maxNetworkWaiting = 2
)

// line is the queue of tries that wait for a hash to be computed. Networks with an earlier successful log-in go first.
type line struct {
	mu      sync.Mutex
	busy    bool
	waiting []*waiter
}

type waiter struct {
	network string
	known   bool
	turn    chan struct{} // closed when it is
}

// enter waits for a turn, which [line.leave] ends. The errors are [ErrBusy] and that of the context.
func (l *line) enter(ctx context.Context, network string, known bool) error {
	l.mu.Lock()
	if !l.busy {
		l.busy = true
		l.mu.Unlock()
		return nil
	}
	own, strangers := 0, 0
	for _, w := range l.waiting {
		if w.network == network {
			own++
		}
		if !w.known {
			strangers++
		}
	}
	if own >= maxNetworkWaiting || !known && strangers >= maxWaiting {
		l.mu.Unlock()
		return ErrBusy
	}
	w := &waiter{network, known, make(chan struct{})}
	l.waiting = append(l.waiting, w)
	l.mu.Unlock()
	select {
	case <-w.turn:
		return nil
	case <-ctx.Done():
	}
	l.mu.Lock()
	if i := slices.Index(l.waiting, w); i >= 0 {
		l.waiting = slices.Delete(l.waiting, i, i+1)
		l.mu.Unlock()
		return ctx.Err()
	}
	l.mu.Unlock()
	l.leave() // the turn came at the same moment: it is for the next one
	return ctx.Err()
}

// leave gives the turn to the next one.
func (l *line) leave() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.waiting) == 0 {
		l.busy = false
		return
	}
	next := max(slices.IndexFunc(l.waiting, func(w *waiter) bool { return w.known }), 0)
	w := l.waiting[next]
	l.waiting = slices.Delete(l.waiting, next, next+1)
	close(w.turn)
}

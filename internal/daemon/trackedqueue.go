package daemon

import (
	"sync"

	"dewline/internal/core/journal"
	"dewline/internal/deliver"
	"dewline/internal/server/status"
)

// trackedQueue is the queue of a notifier. It notes the fate of the items: whether the last one was given up, and whether a
// test was delivered.
type trackedQueue struct {
	deliver.Queue

	mu       sync.Mutex
	lost     uint64 // number of the item that is being given up
	gaveUp   string // why the last item was given up; "" once another was delivered
	test     status.Test
	testID   uint64 // number of the test's item; 0 until Next has returned it
	recorded bool   // the journal has the delivery of the test
}

// expect notes that a test is going into the queue.
func (p *trackedQueue) expect(event string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.test, p.testID, p.recorded = status.Test{Event: event, State: status.TestWaits}, 0, false
}

// taken returns, once, the event of a test that was delivered.
func (p *trackedQueue) taken() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.recorded || p.test.State != status.TestDelivered {
		return ""
	}
	p.recorded = true
	return p.test.Event
}

// Next implements [deliver.Queue].
func (p *trackedQueue) Next(after uint64, limit int) ([]deliver.Item, error) {
	items, err := p.Queue.Next(after, limit)
	p.mu.Lock()
	defer p.mu.Unlock()
	for i := range items {
		if p.test.Event != "" && items[i].Event == p.test.Event {
			p.testID = items[i].ID
		}
	}
	return items, err
}

// Done implements [deliver.Queue].
func (p *trackedQueue) Done(id uint64) {
	p.mu.Lock()
	if p.lost != id {
		p.gaveUp = ""
		if id == p.testID && p.test.State == status.TestWaits {
			p.test.State = status.TestDelivered
		}
	}
	p.lost = 0
	p.mu.Unlock()
	p.Queue.Done(id)
}

// lose notes that an item is given up. [trackedQueue.Done] follows.
func (p *trackedQueue) lose(item deliver.Item, why error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.lost, p.gaveUp = item.ID, why.Error()
	if p.test.Event != "" && item.Event == p.test.Event {
		p.test.State, p.test.Reason = status.TestFailed, why.Error()
	}
}

// fill adds what the queue has noted to the state of its notifier.
func (p *trackedQueue) fill(o *status.NotifierHealth) {
	p.mu.Lock()
	defer p.mu.Unlock()
	o.GaveUp, o.Test = p.gaveUp, p.test
}

// queue returns the queue of a notifier. It survives a new configuration, so that waiting messages go out through the new
// notifier of that name.
func (w *notifierWatch) queue(name string) *trackedQueue {
	p := w.queues[name]
	if p == nil {
		p = &trackedQueue{Queue: w.open(name)}
		w.queues[name] = p
	}
	return p
}

// expectTests notes the tests among entries that are about to be recorded.
func (w *notifierWatch) expectTests(entries []*journal.Entry) {
	for _, e := range entries {
		if e.Kind != journal.NotifierTest {
			continue
		}
		for _, name := range e.Notifiers {
			w.queue(name).expect(e.ID())
		}
	}
}

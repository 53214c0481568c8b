package daemon

import (
	"sync"

	"dewline/internal/deliver"
	"dewline/internal/server/status"
)

// post is the queue of an outlet. It sees what becomes of what goes out: whether the last item was given up, and whether a test
// has arrived.
type post struct {
	deliver.Queue

	mu       sync.Mutex
	lost     uint64 // number of the item that is being given up
	gaveUp   string // why the last item was given up; "" once another was delivered
	test     status.Test
	testID   uint64 // number of the test's item; 0 while nobody has taken it out yet
	recorded bool   // that it was delivered is on record
}

// expect begins to look out for a test.
func (p *post) expect(event string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.test, p.testID, p.recorded = status.Test{Event: event, State: status.TestWaits}, 0, false
}

// taken returns, once, the event of a test that was delivered.
func (p *post) taken() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.recorded || p.test.State != status.TestDelivered {
		return ""
	}
	p.recorded = true
	return p.test.Event
}

// Next implements [outlet.Queue].
func (p *post) Next(after uint64, limit int) ([]deliver.Item, error) {
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

// Done implements [outlet.Queue].
func (p *post) Done(id uint64) error {
	p.mu.Lock()
	if p.lost != id {
		p.gaveUp = ""
		if id == p.testID && p.test.State == status.TestWaits {
			p.test.State = status.TestDelivered
		}
	}
	p.lost = 0
	p.mu.Unlock()
	return p.Queue.Done(id)
}

// lose notes that an item is given up. [post.Done] follows.
func (p *post) lose(item deliver.Item, why error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.lost, p.gaveUp = item.ID, why.Error()
	if p.test.Event != "" && item.Event == p.test.Event {
		p.test.State, p.test.Reason = status.TestFailed, why.Error()
	}
}

// fill tells what the queue has seen.
func (p *post) fill(o *status.NotifierHealth) {
	p.mu.Lock()
	defer p.mu.Unlock()
	o.GaveUp, o.Test = p.gaveUp, p.test
}

// post returns the queue of an outlet. It outlives a new configuration: what waits in it goes out by whatever way there is then;
// with a history it outlives the program.
func (l *loop) post(name string) *post {
	p := l.posts[name]
	if p == nil {
		p = &post{Queue: deliver.NewMemory(0, 0, 0)}
		if l.keeper.store != nil {
			p.Queue = l.keeper.store.Queue(name)
		}
		l.posts[name] = p
	}
	return p
}

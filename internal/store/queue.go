package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"math"
	"slices"
	"sync"
	"sync/atomic"

	"dewline/internal/core/instant"
	"dewline/internal/deliver/queue"
)

// OutboxItem is an item for the queue of a notifier. Its ID is given by the store.
type OutboxItem struct {
	Notifier string
	queue.Item
}

// Queue is the outbox of one notifier, kept in the file. An index of it is in memory, and the bodies are that the disk has not
// taken yet: while the disk fails the queue goes on in memory, and [Store.Health] reports it. So are the bodies of the oldest alarms
// ([keptBytes]), so that a disk that cannot be read any more holds up no alarm. What is done leaves the file with the next
// write, so that a delivery costs the card nothing; after a power cut it may be delivered again.
//
// An item with the event and topic of one that waits, or was given to the queue lately, is taken to be the same and is not added
// again. So the items that [Store.Record] has put there may safely be added by the notifier once more.
type Queue struct {
	outbox   *outbox
	notifier string

	mu      sync.Mutex
	items   []queued // by ID
	bytes   int
	done    []uint64 // to be deleted from the file
	dropped uint64
	kept    int // bytes of the bodies that are in memory and in the file
	known   map[identity]bool
	recent  []identity // those of known, oldest first
}

// outbox holds the queues.
type outbox struct {
	*file
	queues   map[string]*Queue // guarded by file.mu
	lastItem atomic.Uint64
	flush    func() // writes what waits, in time
}

// identity is what makes two items the same.
type identity struct{ event, topic string }

// queued is an item in the index.
type queued struct {
	queue.Item      // without its body where that is in the file
	size       int  // of the body
	unsaved    bool // not in the file
	kept       bool // in the file, with its body in memory all the same
	hidden     bool // not yet tried to be saved: not to be seen by the notifier
}

// recentEvents is how many events are remembered to find repeats.
const recentEvents = 4096

// keptBytes is how much of the bodies of saved alarms a queue keeps in memory: well over a thousand of them. The three days
// without a broker of the fault tests left 350 waiting.
const keptBytes = 1 << 20

// Queue returns the queue of a notifier, such as "mqtt".
func (o *outbox) Queue(name string) *Queue {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.queue(name)
}

// NewQueue returns the queue of a notifier of a site without a history: it is in memory alone.
func NewQueue(notifier string) *Queue {
	o := newStore("", Options{}).outbox
	q := o.Queue(notifier)
	o.flush = func() { // nothing is to be deleted from a file
		q.mu.Lock()
		defer q.mu.Unlock()
		q.done = nil
	}
	return q
}

// queue is Queue with Store.mu held.
func (o *outbox) queue(name string) *Queue {
	q := o.queues[name]
	if q == nil {
		q = &Queue{outbox: o, notifier: name, known: map[identity]bool{}}
		o.queues[name] = q
	}
	return q
}

// Add implements [queue.Queue]. It writes, and returns [queue.ErrFull] for telemetry that finds no room. A failure of the disk is
// no error here, since the item is kept in memory.
func (q *Queue) Add(item queue.Item) error {
	q.outbox.mu.Lock()
	added, err := q.put(item)
	q.outbox.mu.Unlock()
	if err != nil || !added {
		return err
	}
	q.outbox.flush()
	q.show()
	return nil
}

// put adds an item that the notifier does not see yet. Store.mu is held.
func (q *Queue) put(item queue.Item) (added bool, err error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if item.Event != "" && q.known[identity{item.Event, item.Topic}] {
		return false, nil
	}
	o := &q.outbox.options
	q.giveUp(func(old queued) bool { return !old.At.IsNone() && item.At.Sub(old.At) > o.OutboxAge }, len(q.items))
	for len(q.items) >= o.OutboxItems || q.bytes+len(item.Body) > o.OutboxBytes {
		if q.giveUp(func(queued) bool { return true }, 1) {
			continue
		}
		if item.Class == queue.Telemetry {
			q.dropped++
			return false, queue.ErrFull
		}
		break
	}
	item.ID = q.outbox.lastItem.Add(1)
	q.add(queued{Item: item, size: len(item.Body), unsaved: true, hidden: true})
	return true, nil
}

// add appends an item. Queue.mu is held.
func (q *Queue) add(item queued) {
	if !item.unsaved {
		q.keep(&item)
	}
	q.items = append(q.items, item)
	q.bytes += item.size
	if item.Event == "" {
		return
	}
	id := identity{item.Event, item.Topic}
	q.known[id] = true
	q.recent = append(q.recent, id)
	for len(q.recent) > max(recentEvents, len(q.items)) {
		delete(q.known, q.recent[0])
		q.recent = q.recent[1:]
	}
}

// giveUp drops the oldest telemetry for which old holds, at most so many.
func (q *Queue) giveUp(old func(queued) bool, most int) bool {
	before := len(q.items)
	q.items = slices.DeleteFunc(q.items, func(i queued) bool {
		if most == 0 || i.Class != queue.Telemetry || !old(i) {
			return false
		}
		most--
		q.forget(i)
		q.dropped++
		return true
	})
	return len(q.items) < before
}

// keep drops the body of an item that is in the file, unless it is worth keeping.
func (q *Queue) keep(i *queued) {
	if i.kept = i.Class == queue.Alarm && i.Body != nil && q.kept+i.size <= keptBytes; i.kept {
		q.kept += i.size
	} else {
		i.Body = nil
	}
}

func (q *Queue) forget(i queued) {
	q.bytes -= i.size
	if i.kept {
		q.kept -= i.size
	}
	q.done = append(q.done, i.ID)
}

// show lets the notifier see everything.
func (q *Queue) show() {
	q.mu.Lock()
	defer q.mu.Unlock()
	for i := range q.items {
		q.items[i].hidden = false
	}
}

func (q *Queue) find(id uint64) (int, bool) {
	return slices.BinarySearchFunc(q.items, id, func(i queued, id uint64) int { return cmp.Compare(i.ID, id) })
}

// Next implements [queue.Queue]. Where the file cannot be read it passes over what only the file holds, and over what follows
// that in its topic.
func (q *Queue) Next(after uint64, limit int) ([]queue.Item, error) {
	items, err := q.read(q.seen(after, limit))
	if err == nil {
		return items, nil
	}
	items = nil
	blocked := map[string]bool{}
	for _, i := range q.seen(after, math.MaxInt) {
		switch {
		case len(items) >= limit:
			return items, nil
		case i.unsaved || i.kept:
			if !blocked[i.Topic] {
				items = append(items, i.Item)
			}
		default:
			blocked[i.Topic] = true
		}
	}
	if len(items) == 0 {
		return nil, q.outbox.explain("reading the outbox", err)
	}
	return items, nil
}

// seen returns what the notifier may see behind an ID, at most so many.
func (q *Queue) seen(after uint64, limit int) []queued {
	q.mu.Lock()
	defer q.mu.Unlock()
	first, found := q.find(after)
	if found {
		first++
	}
	all := q.items[first:]
	all = all[:min(limit, len(all))]
	if hidden := slices.IndexFunc(all, func(i queued) bool { return i.hidden }); hidden >= 0 {
		all = all[:hidden]
	}
	return slices.Clone(all)
}

// read gives what waits with its bodies, without what was done in the meantime and has none any more.
func (q *Queue) read(waiting []queued) ([]queue.Item, error) {
	items := make([]queue.Item, len(waiting))
	missing := map[uint64]int{} // ID → index
	for k, i := range waiting {
		items[k] = i.Item
		if !i.unsaved && !i.kept {
			missing[i.ID] = k
		}
	}
	if len(missing) == 0 {
		return items, nil
	}
	if err := q.readBodies(items, missing); err != nil {
		return nil, err
	}
	kept := items[:0]
	for k, i := range items {
		if at, gone := missing[i.ID]; !gone || at != k {
			kept = append(kept, i)
		}
	}
	return kept, nil
}

// readBodies fills in the bodies that are in the file alone, and takes those it found out of missing.
func (q *Queue) readBodies(items []queue.Item, missing map[uint64]int) error {
	ctx := context.Background()
	reader, err := q.outbox.reader(ctx)
	if err != nil {
		return err
	}
	for i, err := range scanned(ctx, reader, scanBody, "SELECT id, body FROM outbox WHERE outlet = ? AND id BETWEEN ? AND ?",
		q.notifier, int64(items[0].ID), int64(items[len(items)-1].ID)) {
		if err != nil {
			return err
		}
		if k, wanted := missing[i.ID]; wanted {
			items[k].Body = i.Body
			delete(missing, i.ID)
		}
	}
	return nil
}

func scanBody(rows *sql.Rows) (i queue.Item, err error) {
	var id int64
	err = rows.Scan(&id, &i.Body)
	i.ID = uint64(id)
	return i, err
}

var errNotOpen = errors.New("the file is not open")

// Done implements [queue.Queue].
func (q *Queue) Done(id uint64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if k, found := q.find(id); found {
		q.forget(q.items[k])
		q.items = slices.Delete(q.items, k, k+1)
	}
}

// Pending implements [queue.Queue].
func (q *Queue) Pending() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.items)
}

// Oldest implements [queue.Queue].
func (q *Queue) Oldest() instant.Instant {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.items) == 0 {
		return instant.None
	}
	return q.items[0].At
}

// Dropped returns how many items were given up for want of room or for age.
func (q *Queue) Dropped() uint64 {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.dropped
}

var _ queue.Queue = (*Queue)(nil)

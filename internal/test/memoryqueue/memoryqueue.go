// Package memoryqueue is a [queue.Queue] in memory, written apart from that of package store, which is compared with it.
package memoryqueue

import (
	"slices"
	"sync"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/deliver/queue"
)

// Memory is a queue in memory, bounded by number, size and age. When it is full it gives up the oldest telemetry. It never
// gives up alarms, so a queue full of alarms grows: at an alarm a minute and 1 KiB each that is less than 2 MiB a day.
type Memory struct {
	items, bytes int
	age          time.Duration

	mu      sync.Mutex
	waiting []queue.Item // by ID
	size    int          // sum of their bodies
	lastID  uint64
	dropped uint64
}

// New returns an empty queue; a bound of 0 means the default.
func New(items, bytes int, age time.Duration) *Memory {
	q := &Memory{items: items, bytes: bytes, age: age}
	if items == 0 {
		q.items = queue.DefaultItems
	}
	if bytes == 0 {
		q.bytes = queue.DefaultBytes
	}
	if age == 0 {
		q.age = queue.DefaultAge
	}
	return q
}

// Add implements [queue.Queue]. Age is counted back from the newest item.
func (q *Memory) Add(item queue.Item) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.giveUp(func(old queue.Item) bool { return !old.At.IsNone() && item.At.Sub(old.At) > q.age })
	for len(q.waiting) >= q.items || q.size+len(item.Body) > q.bytes {
		if q.giveUpOldest() {
			continue
		}
		if item.Class == queue.Telemetry {
			q.dropped++
			return queue.ErrFull
		}
		break
	}
	q.lastID++
	item.ID = q.lastID
	q.waiting = append(q.waiting, item)
	q.size += len(item.Body)
	return nil
}

// giveUp drops the telemetry for which old holds.
func (q *Memory) giveUp(old func(queue.Item) bool) {
	q.waiting = slices.DeleteFunc(q.waiting, func(i queue.Item) bool {
		if i.Class != queue.Telemetry || !old(i) {
			return false
		}
		q.size -= len(i.Body)
		q.dropped++
		return true
	})
}

func (q *Memory) giveUpOldest() bool {
	k := slices.IndexFunc(q.waiting, func(i queue.Item) bool { return i.Class == queue.Telemetry })
	if k < 0 {
		return false
	}
	q.remove(k)
	q.dropped++
	return true
}

func (q *Memory) remove(k int) {
	q.size -= len(q.waiting[k].Body)
	q.waiting = slices.Delete(q.waiting, k, k+1)
}

// Next implements [queue.Queue].
func (q *Memory) Next(after uint64, limit int) ([]queue.Item, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	first, _ := q.find(after + 1)
	return slices.Clone(q.waiting[first:min(first+max(0, limit), len(q.waiting))]), nil
}

func (q *Memory) find(id uint64) (int, bool) {
	return slices.BinarySearchFunc(q.waiting, id, func(i queue.Item, id uint64) int {
		switch {
		case i.ID < id:
			return -1
		case i.ID > id:
			return 1
		}
		return 0
	})
}

// Done implements [queue.Queue].
func (q *Memory) Done(id uint64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if k, found := q.find(id); found {
		q.remove(k)
	}
}

// Pending implements [queue.Queue].
func (q *Memory) Pending() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.waiting)
}

// Oldest implements [queue.Queue].
func (q *Memory) Oldest() instant.Instant {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.waiting) == 0 {
		return instant.None
	}
	return q.waiting[0].At
}

// Dropped returns how many items were given up.
func (q *Memory) Dropped() uint64 {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.dropped
}

package store

import (
	"context"
	"database/sql"
	"slices"

	"dewline/internal/core/instant"
	"dewline/internal/deliver/queue"
)

// waiting is what has to be written of the queues.
type waiting []queueChanges

type queueChanges struct {
	queue *Queue
	put   []queued
	done  []uint64
}

// queuesWaiting collects what has to be written. Store.mu is held.
func (o *outbox) queuesWaiting() waiting {
	var w waiting
	for _, q := range o.queues {
		q.mu.Lock()
		c := queueChanges{queue: q, done: slices.Clone(q.done)}
		for _, i := range q.items {
			if i.unsaved {
				c.put = append(c.put, i)
			}
		}
		q.mu.Unlock()
		if len(c.put)+len(c.done) > 0 {
			w = append(w, c)
		}
	}
	return w
}

func (w waiting) empty() bool {
	return !slices.ContainsFunc(w, func(c queueChanges) bool { return len(c.put) > 0 })
}

const (
	insertItem = "INSERT OR IGNORE INTO outbox (id, outlet, event, class, topic, at, body) VALUES (?, ?, ?, ?, ?, ?, ?)"
	deleteItem = "DELETE FROM outbox WHERE id = ?"
)

func (w waiting) write(ctx context.Context, tx transaction) error {
	for _, c := range w {
		for _, id := range c.done {
			if err := tx.exec(ctx, deleteItem, int64(id)); err != nil {
				return err
			}
		}
		for _, i := range c.put {
			if err := tx.exec(ctx, insertItem, int64(i.ID), c.queue.notifier, i.Event, i.Class, i.Topic, millisOrNull(i.At), bytesOf(i.Body)); err != nil {
				return err
			}
		}
	}
	return nil
}

// bytesOf makes an empty blob of no bytes at all, which would be a NULL.
func bytesOf(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

func millisOrNull(at instant.Instant) sql.Null[int64] {
	return sql.Null[int64]{V: millis(at), Valid: !at.IsNone()}
}

// written marks everything as written. Store.mu is held.
func (w waiting) written() {
	for _, c := range w {
		q := c.queue
		q.mu.Lock()
		for _, i := range c.put {
			if k, found := q.find(i.ID); found {
				q.items[k].unsaved, q.items[k].hidden = false, false
				q.keep(&q.items[k])
			}
		}
		q.done = slices.Delete(q.done, 0, len(c.done))
		q.mu.Unlock()
	}
}

// storedItem is an item in the file, with its body where it is an alarm's.
type storedItem struct {
	Outlet string
	queued
}

// loadItems returns the index of the outbox in the file, and the bodies of the oldest alarms.
func loadItems(ctx context.Context, db *sql.DB) ([]storedItem, error) {
	var items []storedItem
	kept := map[string]int{}
	for i, err := range scanned(ctx, db, scanItem, `SELECT id, outlet, event, class, topic, at, length(body), CASE class WHEN ? THEN body END
		FROM outbox ORDER BY id`, queue.Alarm) {
		if err != nil {
			return nil, err
		}
		if kept[i.Outlet] += len(i.Body); kept[i.Outlet] > keptBytes {
			i.Body = nil
		}
		items = append(items, i)
	}
	return items, nil
}

func scanItem(rows *sql.Rows) (i storedItem, err error) {
	var id int64
	var at sql.Null[int64]
	err = rows.Scan(&id, &i.Outlet, &i.Event, &i.Class, &i.Topic, &at, &i.size, &i.Body)
	i.ID, i.At = uint64(id), instant.None
	if at.Valid {
		i.At = fromMillis(at.V)
	}
	return i, err
}

// adoptItems puts the items of the file before those in memory, which get new numbers above them. Store.mu is held.
func (o *outbox) adoptItems(items []storedItem, last uint64) {
	old := map[*Queue][]queued{}
	for _, q := range o.queues {
		q.mu.Lock()
		old[q] = q.items
		q.items, q.bytes, q.kept, q.done = nil, 0, 0, nil
		q.mu.Unlock()
	}
	o.lastItem.Add(last)
	for _, i := range items {
		q := o.queue(i.Outlet)
		q.mu.Lock()
		q.add(i.queued)
		q.mu.Unlock()
	}
	for q, waiting := range old {
		q.mu.Lock()
		for _, i := range waiting {
			i.ID += last
			q.items, q.bytes = append(q.items, i), q.bytes+i.size
		}
		q.mu.Unlock()
	}
}

// dropLostItems forgets items that were in a file alone that was set aside as damaged, and returns how many. Those whose body was
// kept have to be written once more. Store.mu is held.
func (o *outbox) dropLostItems(items []storedItem) (lost int) {
	there := map[uint64]bool{}
	for _, i := range items {
		there[i.ID] = true
	}
	for _, q := range o.queues {
		q.mu.Lock()
		for k := range q.items {
			if i := &q.items[k]; i.kept && !there[i.ID] {
				i.unsaved, i.kept = true, false
				q.kept -= i.size
			}
		}
		q.items = slices.DeleteFunc(q.items, func(i queued) bool {
			if i.unsaved || there[i.ID] {
				return false
			}
			q.bytes -= i.size
			q.dropped++
			lost++
			return true
		})
		q.mu.Unlock()
	}
	return lost
}

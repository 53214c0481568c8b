// Package delivertest holds the conformance suite for implementations of [queue.Queue], which the tests of each of them run, and hands
// journal entries to notifiers.
package delivertest

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/deliver/queue"
)

// Item returns an invented item, the n-th minute of a morning.
func Item(n int, class queue.Class) queue.Item {
	return queue.Item{
		Event: fmt.Sprintf("run-%d", n), Class: class, Topic: "dewline/north-loft/events", Body: fmt.Appendf(nil, `{"n":%d}`, n),
		At: instant.Of(time.Date(2026, 7, 1, 6, n, 0, 0, time.UTC)),
	}
}

// Notifier makes the items of journal entries and sends them.
type Notifier interface {
	OfEntry(entry *journal.Entry) (queue.Item, error)
	Add(item queue.Item) error
}

// Send has a notifier send a journal entry, as the daemon does.
func Send(t testing.TB, to Notifier, entry *journal.Entry) {
	t.Helper()
	item, err := to.OfEntry(entry)
	require.NoError(t, err)
	require.NoError(t, to.Add(item))
}

// Queue runs the rules. empty returns an empty queue that can hold at least 200 small items.
func Queue(t *testing.T, empty func(t *testing.T) queue.Queue) {
	t.Run("an empty queue has nothing", func(t *testing.T) {
		q := empty(t)
		hasPending(t, q, 0)
		items, err := q.Next(0, 10)
		require.NoError(t, err)
		assert.Empty(t, items)
		oldest := q.Oldest()
		assert.True(t, oldest.IsNone())
		q.Done(7)
	})
	t.Run("items come out as they went in, in order", func(t *testing.T) {
		q := empty(t)
		add(t, q, 0, 50)
		items, err := q.Next(0, 100)
		require.NoError(t, err)
		require.Len(t, items, 50)
		var last uint64
		for n, item := range items {
			assert.Greater(t, item.ID, last, "IDs count up from above 0")
			last = item.ID
			want := Item(n, queue.Alarm)
			want.ID = item.ID
			assert.Equal(t, want, item)
		}
		oldest := q.Oldest()
		assert.Equal(t, Item(0, queue.Alarm).At, oldest)
	})
	t.Run("next goes on after an ID and takes nothing out", func(t *testing.T) {
		q := empty(t)
		add(t, q, 0, 10)
		all, err := q.Next(0, 100)
		require.NoError(t, err)
		some, err := q.Next(all[3].ID, 2)
		require.NoError(t, err)
		assert.Equal(t, all[4:6], some)
		none, err := q.Next(all[9].ID, 5)
		require.NoError(t, err)
		assert.Empty(t, none)
		hasPending(t, q, 10)
	})
	t.Run("done removes one, in any order, once", func(t *testing.T) {
		q := empty(t)
		add(t, q, 0, 4)
		all, err := q.Next(0, 10)
		require.NoError(t, err)
		for _, k := range []int{2, 0, 0} {
			q.Done(all[k].ID)
		}
		left, err := q.Next(0, 10)
		require.NoError(t, err)
		assert.Equal(t, []queue.Item{all[1], all[3]}, left)
		oldest := q.Oldest()
		assert.Equal(t, all[1].At, oldest)
	})
	t.Run("IDs are never used again", func(t *testing.T) {
		q := empty(t)
		add(t, q, 0, 1)
		first, err := q.Next(0, 1)
		require.NoError(t, err)
		q.Done(first[0].ID)
		add(t, q, 1, 1)
		second, err := q.Next(0, 1)
		require.NoError(t, err)
		assert.Greater(t, second[0].ID, first[0].ID)
	})
	t.Run("several goroutines may use it", func(t *testing.T) {
		q := empty(t)
		var all sync.WaitGroup
		for g := range 4 {
			all.Go(func() {
				for n := range 25 {
					assert.NoError(t, q.Add(Item(100*g+n, queue.Alarm)))
				}
			})
		}
		all.Go(func() {
			for range 50 {
				_, err := q.Next(0, 10)
				assert.NoError(t, err)
			}
		})
		all.Wait()
		hasPending(t, q, 100)
	})
}

func add(t *testing.T, q queue.Queue, from, count int) {
	t.Helper()
	for n := range count {
		require.NoError(t, q.Add(Item(from+n, queue.Alarm)))
	}
}

func hasPending(t *testing.T, q queue.Queue, want int) {
	t.Helper()
	n := q.Pending()
	assert.Equal(t, want, n)
}

// Events returns the identities of all that waits.
func Events(t require.TestingT, q queue.Queue) []string {
	items, err := q.Next(0, 1000)
	require.NoError(t, err)
	var names []string
	for _, item := range items {
		names = append(names, item.Event)
	}
	return names
}

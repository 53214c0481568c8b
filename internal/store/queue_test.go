package store

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/deliver/queue"
	"dewline/internal/test/delivertest"
	"dewline/internal/test/memoryqueue"
)

func TestQueueKeepsTheRules(t *testing.T) {
	t.Run("in the file", func(t *testing.T) {
		delivertest.Queue(t, func(t *testing.T) queue.Queue { return begin(t, tempPath(t)).Queue("mqtt") })
	})
	t.Run("in memory, the disk failing", func(t *testing.T) {
		delivertest.Queue(t, func(t *testing.T) queue.Queue {
			s := begin(t, tempPath(t))
			_, err := s.database().writer.Exec("PRAGMA query_only = on")
			require.NoError(t, err)
			return s.Queue("mqtt")
		})
	})
	t.Run("of a site without a history", func(t *testing.T) {
		delivertest.Queue(t, func(*testing.T) queue.Queue { return NewQueue("mqtt") })
	})
}

func TestAQueueInMemoryForgetsWhatIsDone(t *testing.T) {
	q := NewQueue("mqtt")
	for n := range 100 {
		require.NoError(t, q.Add(delivertest.Item(n, queue.Alarm)))
		waiting, err := q.Next(0, 10)
		require.NoError(t, err)
		require.Len(t, waiting, 1)
		require.NotEmpty(t, waiting[0].Body)
		q.Done(waiting[0].ID)
	}
	assert.Len(t, q.done, 1, "what was done since the last item")
}

// TestQueueAgainstMemory compares the queue in the file, with restarts, with the one in memory.
func TestQueueAgainstMemory(t *testing.T) {
	percent(t, 20, func(t *rapid.T) {
		folder, err := os.MkdirTemp("", "history")
		require.NoError(t, err)
		defer os.RemoveAll(folder)
		const items, bytes = 12, 200
		open := func() *Store {
			return quick(t, filepath.Join(folder, "history.db"), Options{OutboxItems: items, OutboxBytes: bytes, OutboxAge: 100 * minute})
		}
		s := open()
		defer func() { abandon(s) }()
		want := memoryqueue.New(items, bytes, 100*minute)
		n := 0
		t.Repeat(map[string]func(*rapid.T){
			"add": func(t *rapid.T) {
				n++
				item := delivertest.Item(n, rapid.SampledFrom([]queue.Class{queue.Alarm, queue.Telemetry}).Draw(t, "class"))
				item.At = noon.Add(minute * time.Duration(rapid.SampledFrom([]int{n, n - 90}).Draw(t, "minute")))
				require.Equal(t, want.Add(item), s.Queue("mqtt").Add(item))
			},
			"done": func(t *rapid.T) {
				all, err := want.Next(0, 100)
				require.NoError(t, err)
				if len(all) == 0 {
					t.Skip("nothing waits")
				}
				k := rapid.IntRange(0, len(all)-1).Draw(t, "which")
				mine, err := s.Queue("mqtt").Next(0, 100)
				require.NoError(t, err)
				want.Done(all[k].ID)
				s.Queue("mqtt").Done(mine[k].ID)
			},
			"restart": func(t *rapid.T) {
				if rapid.IntRange(0, 3).Draw(t, "really") > 0 {
					t.Skip("not so often: it takes time")
				}
				require.NoError(t, s.Close(t.Context()))
				s = open()
			},
			"": func(t *rapid.T) {
				all, err := want.Next(0, 100)
				require.NoError(t, err)
				mine, err := s.Queue("mqtt").Next(0, 100)
				require.NoError(t, err)
				require.Len(t, mine, len(all))
				for i := range all {
					mine[i].ID = all[i].ID
				}
				require.Equal(t, append([]queue.Item{}, all...), mine)
				oldest := want.Oldest()
				mineOldest := s.Queue("mqtt").Oldest()
				require.Equal(t, oldest, mineOldest)
			},
		})
	})
}

func TestQueuesOfNotifiersAreApart(t *testing.T) {
	s := begin(t, tempPath(t))
	for i, name := range []string{"mqtt", "mail", "mqtt"} {
		require.NoError(t, s.Queue(name).Add(delivertest.Item(i, queue.Alarm)))
	}
	items, err := s.Queue("mail").Next(0, 10)
	require.NoError(t, err)
	require.Len(t, items, 1)
	assert.Equal(t, delivertest.Item(1, queue.Alarm).Body, items[0].Body)
	assert.Equal(t, 2, s.Queue("mqtt").Pending())
}

func TestRepeatsAreNotQueuedAgain(t *testing.T) {
	s := begin(t, tempPath(t))
	q := s.Queue("mqtt")
	item := delivertest.Item(1, queue.Alarm)
	require.NoError(t, s.Record(t.Context(), nil, []OutboxItem{{"mqtt", item}}, State{}))
	require.NoError(t, q.Add(item))
	items, err := q.Next(0, 10)
	require.NoError(t, err)
	require.Len(t, items, 1)
	q.Done(items[0].ID)
	require.NoError(t, q.Add(item), "delivered a moment ago")
	assert.Zero(t, q.Pending())
	for range 3 { // without an event nothing is known of identity
		require.NoError(t, q.Add(queue.Item{Class: queue.Telemetry}))
	}
	assert.Equal(t, 3, q.Pending())
}

// What was delivered leaves the file with the next write, and costs none of its own.
func TestDoneIsWrittenLater(t *testing.T) {
	s := begin(t, tempPath(t))
	for n := range 10 {
		require.NoError(t, s.Queue("mqtt").Add(delivertest.Item(n, queue.Alarm)))
	}
	items, err := s.Queue("mqtt").Next(0, 10)
	require.NoError(t, err)
	rows := func() int64 {
		n, err := number(t.Context(), s.database().reader, "SELECT count(*) FROM outbox")
		require.NoError(t, err)
		return n
	}
	for _, i := range items {
		s.Queue("mqtt").Done(i.ID)
	}
	assert.Equal(t, int64(10), rows())
	require.NoError(t, s.Commit(t.Context()))
	assert.Zero(t, rows())
	assert.Zero(t, s.Health().DroppedItems)
}

// What only a file holds that cannot be read is passed over, with what follows it in its topic; alarms are in memory, also after a
// restart. When the file is back everything comes in its order.
func TestAlarmsDoNotWaitForAFileThatCannotBeRead(t *testing.T) {
	path := tempPath(t)
	s := begin(t, path)
	alarm := func(n int) queue.Item { return delivertest.Item(n, queue.Alarm) }
	reading := func(n int) queue.Item {
		i := delivertest.Item(n, queue.Telemetry)
		i.Topic = "dewline/north-loft/readings"
		return i
	}
	for _, i := range []queue.Item{reading(1), alarm(2), reading(3), alarm(4)} {
		require.NoError(t, s.Queue("mqtt").Add(i))
	}
	s = again(t, s)
	q := s.Queue("mqtt")
	s.detach()
	s.options.Patience, s.late, s.writing = 1, true, time.Unix(1, 0) // so that the file stays closed
	for _, i := range []queue.Item{reading(5), alarm(6)} {
		require.NoError(t, q.Add(i))
	}
	events := func(after uint64, limit int) (all []string) {
		items, err := q.Next(after, limit)
		require.NoError(t, err)
		for _, i := range items {
			assert.NotEmpty(t, i.Body)
			all = append(all, i.Event)
		}
		return all
	}
	assert.Equal(t, []string{"run-2", "run-4", "run-6"}, events(0, 10))
	assert.Equal(t, []string{"run-2", "run-4"}, events(0, 2))
	assert.Equal(t, []string{"run-4", "run-6"}, events(2, 10))

	q.Done(2)
	require.NoError(t, s.Commit(t.Context()))
	assert.Equal(t, []string{"run-1", "run-3", "run-4", "run-5", "run-6"}, events(0, 10))

	s.detach()
	for _, i := range []uint64{4, 6} {
		q.Done(i)
	}
	_, err := q.Next(0, 10)
	require.ErrorIs(t, err, errNotOpen, "nothing is left to report")
}

// The memory for them is bounded: behind what has no room there the order of the topic holds everything up.
func TestKeptBodiesAreBounded(t *testing.T) {
	s := begin(t, tempPath(t))
	q := s.Queue("mqtt")
	const size = keptBytes / 4
	var all []OutboxItem
	for n := range 6 {
		item := delivertest.Item(n, queue.Alarm)
		item.Body = make([]byte, size)
		all = append(all, OutboxItem{"mqtt", item})
	}
	require.NoError(t, s.Record(t.Context(), nil, all, State{}))
	for range 2 { // as written, and as loaded
		settled(s)
		db := s.db
		s.db = nil
		items, err := q.Next(0, 10)
		require.NoError(t, err)
		assert.Len(t, items, 4)
		s.db = db
		items, err = q.Next(0, 10)
		require.NoError(t, err)
		assert.Len(t, items, 6)
		s = again(t, s)
		q = s.Queue("mqtt")
	}
	for range 6 {
		items, err := q.Next(0, 1)
		require.NoError(t, err)
		q.Done(items[0].ID)
	}
	assert.Zero(t, q.kept)
}

// A file that is set aside as damaged loses no alarm that is in memory as well.
func TestKeptBodiesAreWrittenIntoANewFile(t *testing.T) {
	path := tempPath(t)
	s := begin(t, path)
	for n, class := range []queue.Class{queue.Alarm, queue.Telemetry, queue.Alarm} {
		require.NoError(t, s.Queue("mqtt").Add(delivertest.Item(n, class)))
	}
	_, err := s.database().writer.Exec("DELETE FROM outbox")
	require.NoError(t, err)
	s.detach()
	require.NoError(t, s.Commit(t.Context()))
	s = again(t, s)
	items, err := s.Queue("mqtt").Next(0, 10)
	require.NoError(t, err)
	require.Len(t, items, 2)
	for k, n := range []int{0, 2} {
		assert.Equal(t, delivertest.Item(n, queue.Alarm).Body, items[k].Body)
	}
}

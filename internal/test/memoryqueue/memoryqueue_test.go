package memoryqueue_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/deliver"
	"dewline/internal/deliver/queue"
	"dewline/internal/test/delivertest"
	"dewline/internal/test/memoryqueue"
)

func TestMemoryKeepsTheRulesOfAQueue(t *testing.T) {
	delivertest.Queue(t, func(*testing.T) deliver.Queue { return memoryqueue.New(0, 0, 0) })
}

func TestAFullQueueGivesUpTheOldestTelemetry(t *testing.T) {
	q := memoryqueue.New(4, 0, 0)
	for n, class := range []queue.Class{deliver.Telemetry, deliver.Alarm, deliver.Telemetry, deliver.Alarm} {
		require.NoError(t, q.Add(delivertest.Item(n, class)))
	}
	require.NoError(t, q.Add(delivertest.Item(4, deliver.Telemetry)))
	assert.Equal(t, []string{"run-1", "run-2", "run-3", "run-4"}, delivertest.Events(t, q))
	require.NoError(t, q.Add(delivertest.Item(5, deliver.Alarm)))
	require.NoError(t, q.Add(delivertest.Item(6, deliver.Alarm)))
	assert.Equal(t, []string{"run-1", "run-3", "run-5", "run-6"}, delivertest.Events(t, q))
	assert.Equal(t, uint64(3), q.Dropped())
	require.ErrorIs(t, q.Add(delivertest.Item(7, deliver.Telemetry)), queue.ErrFull, "nothing but alarms")
	require.NoError(t, q.Add(delivertest.Item(8, deliver.Alarm)), "an alarm always finds room")
	assert.Equal(t, []string{"run-1", "run-3", "run-5", "run-6", "run-8"}, delivertest.Events(t, q))
}

func TestTheQueueIsBoundedByBytesAndAge(t *testing.T) {
	q := memoryqueue.New(0, 25, 0)
	for n := range 5 { // 7 bytes each
		require.NoError(t, q.Add(delivertest.Item(n, deliver.Telemetry)))
	}
	assert.Equal(t, []string{"run-2", "run-3", "run-4"}, delivertest.Events(t, q))

	aged := memoryqueue.New(0, 0, 10*time.Minute)
	require.NoError(t, aged.Add(delivertest.Item(0, deliver.Telemetry)))
	require.NoError(t, aged.Add(delivertest.Item(0, deliver.Alarm)))
	require.NoError(t, aged.Add(delivertest.Item(5, deliver.Telemetry)))
	require.NoError(t, aged.Add(delivertest.Item(12, deliver.Telemetry)))
	items, err := aged.Next(0, 10)
	require.NoError(t, err)
	require.Len(t, items, 3)
	assert.Equal(t, deliver.Alarm, items[0].Class)
}

// TestNoAlarmIsEverGivenUp: whatever is added and delivered, every alarm leaves by Done only, and order holds.
func TestNoAlarmIsEverGivenUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := memoryqueue.New(rapid.IntRange(1, 6).Draw(t, "items"), rapid.IntRange(1, 60).Draw(t, "bytes"), time.Hour)
		waiting := map[string]bool{}
		for n := range rapid.IntRange(0, 40).Draw(t, "steps") {
			if rapid.IntRange(0, 3).Draw(t, "what") == 0 {
				items, err := q.Next(0, 1)
				require.NoError(t, err)
				if len(items) > 0 {
					q.Done(items[0].ID)
					delete(waiting, items[0].Event)
				}
				continue
			}
			item := delivertest.Item(n, rapid.SampledFrom([]queue.Class{deliver.Telemetry, deliver.Alarm}).Draw(t, "class"))
			err := q.Add(item)
			if item.Class == deliver.Alarm {
				require.NoError(t, err)
				waiting[item.Event] = true
			}
		}
		items, err := q.Next(0, 1000)
		require.NoError(t, err)
		var last uint64
		for _, item := range items {
			require.Greater(t, item.ID, last)
			last = item.ID
			delete(waiting, item.Event)
		}
		require.Empty(t, waiting)
		pending := q.Pending()
		require.Len(t, items, pending)
	})
}

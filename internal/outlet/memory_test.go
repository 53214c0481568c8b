package outlet_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/outlet"
	"dewline/internal/outlet/outlettest"
)

func TestMemoryKeepsTheRulesOfAQueue(t *testing.T) {
	outlettest.Queue(t, func(*testing.T) outlet.Queue { return outlet.NewMemory(0, 0, 0) })
}

// events returns the identities of all that waits.
func events(t require.TestingT, q outlet.Queue) []string {
	items, err := q.Next(0, 1000)
	require.NoError(t, err)
	var names []string
	for _, item := range items {
		names = append(names, item.Event)
	}
	return names
}

func TestAFullQueueGivesUpTheOldestTelemetry(t *testing.T) {
	q := outlet.NewMemory(4, 0, 0)
	for n, class := range []outlet.Class{outlet.Telemetry, outlet.Alarm, outlet.Telemetry, outlet.Alarm} {
		require.NoError(t, q.Add(outlettest.Item(n, class)))
	}
	require.NoError(t, q.Add(outlettest.Item(4, outlet.Telemetry)))
	assert.Equal(t, []string{"run-1", "run-2", "run-3", "run-4"}, events(t, q))
	require.NoError(t, q.Add(outlettest.Item(5, outlet.Alarm)))
	require.NoError(t, q.Add(outlettest.Item(6, outlet.Alarm)))
	assert.Equal(t, []string{"run-1", "run-3", "run-5", "run-6"}, events(t, q))
	assert.Equal(t, uint64(3), q.Dropped())
	require.ErrorIs(t, q.Add(outlettest.Item(7, outlet.Telemetry)), outlet.ErrFull, "nothing but alarms")
	require.NoError(t, q.Add(outlettest.Item(8, outlet.Alarm)), "an alarm always finds room")
	assert.Equal(t, []string{"run-1", "run-3", "run-5", "run-6", "run-8"}, events(t, q))
}

func TestTheQueueIsBoundedByBytesAndAge(t *testing.T) {
	q := outlet.NewMemory(0, 25, 0)
	for n := range 5 { // 7 bytes each
		require.NoError(t, q.Add(outlettest.Item(n, outlet.Telemetry)))
	}
	assert.Equal(t, []string{"run-2", "run-3", "run-4"}, events(t, q))

	aged := outlet.NewMemory(0, 0, 10*time.Minute)
	require.NoError(t, aged.Add(outlettest.Item(0, outlet.Telemetry)))
	require.NoError(t, aged.Add(outlettest.Item(0, outlet.Alarm)))
	require.NoError(t, aged.Add(outlettest.Item(5, outlet.Telemetry)))
	require.NoError(t, aged.Add(outlettest.Item(12, outlet.Telemetry)))
	items, err := aged.Next(0, 10)
	require.NoError(t, err)
	require.Len(t, items, 3)
	assert.Equal(t, outlet.Alarm, items[0].Class)
}

// TestNoAlarmIsEverGivenUp: whatever is added and delivered, every alarm leaves by Done only, and order holds.
func TestNoAlarmIsEverGivenUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := outlet.NewMemory(rapid.IntRange(1, 6).Draw(t, "items"), rapid.IntRange(1, 60).Draw(t, "bytes"), time.Hour)
		waiting := map[string]bool{}
		for n := range rapid.IntRange(0, 40).Draw(t, "steps") {
			if rapid.IntRange(0, 3).Draw(t, "what") == 0 {
				items, err := q.Next(0, 1)
				require.NoError(t, err)
				if len(items) > 0 {
					require.NoError(t, q.Done(items[0].ID))
					delete(waiting, items[0].Event)
				}
				continue
			}
			item := outlettest.Item(n, rapid.SampledFrom([]outlet.Class{outlet.Telemetry, outlet.Alarm}).Draw(t, "class"))
			err := q.Add(item)
			if item.Class == outlet.Alarm {
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
		pending, err := q.Pending()
		require.NoError(t, err)
		require.Len(t, items, pending)
	})
}

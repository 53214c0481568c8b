package store

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/journal"
	"dewline/internal/deliver/queue"
	"dewline/internal/test/delivertest"
)

// Alarms that come one after the other do not wait until their log is copied into the main file. The next commit of readings copies it, or
// an entry where there was none for long.
func TestLogIsCopiedBetweenAlarms(t *testing.T) {
	s := begin(t, tempPath(t))
	seq := uint64(0)
	record := func(pages int) (frames int) {
		for frames < pages {
			seq++
			e := entry(seq, noon.Add(second), journal.Note)
			e.Text = strings.Repeat("a note that fills half a page", 70)
			require.NoError(t, s.Record(t.Context(), []*journal.Entry{e}, nil, State{}))
			settled(s)
			frames = s.committedFrames(t.Context())
			if info, err := os.Stat(s.path); assert.NoError(t, err) && info.Size() > ourPageSize {
				return frames
			}
		}
		return frames
	}
	assert.GreaterOrEqual(t, record(logPages+100), logPages+100)
	require.NoError(t, s.Commit(t.Context()))
	info, err := os.Stat(s.path)
	require.NoError(t, err)
	assert.Greater(t, info.Size(), int64(ourPageSize))

	s = begin(t, tempPath(t))
	assert.InDelta(t, logPagesAlarms, record(2*logPagesAlarms), 20)
}

// What came while a disk did not answer is written by the write that was under way, once it does, without another call.
func TestWhatIsLeftToAWrite(t *testing.T) {
	s := begin(t, tempPath(t))
	s.write.Lock()
	defer s.write.Unlock()
	s.begins()
	s.late = true
	require.ErrorIs(t, s.Record(t.Context(), []*journal.Entry{entry(1, noon, journal.Note)}, nil, State{}), ErrSlow)
	assert.Equal(t, 1, s.Health().PendingEntries)
	s.catchUp(t.Context(), nil, logPages)
	assert.Zero(t, s.Health().PendingEntries)
	assert.False(t, s.takeLeft())
}

// A message changes its own page of the file and no other.
func TestPagesOfAMessage(t *testing.T) {
	s := begin(t, tempPath(t))
	frames := 0
	for n := range 3 {
		before := frames
		require.NoError(t, s.Queue("mqtt").Add(delivertest.Item(n, queue.Alarm)))
		settled(s)
		frames = s.committedFrames(t.Context())
		if n > 0 {
			assert.Equal(t, 1, frames-before)
		}
	}
}

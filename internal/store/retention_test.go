package store

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
)

func pruneAll(t *testing.T, s *Store, keep time.Duration, now instant.Instant) (steps int) {
	for more := true; more; steps++ {
		var err error
		more, err = s.Prune(t.Context(), keep, now, true)
		require.NoError(t, err)
		require.Less(t, steps, 10_000)
	}
	return steps
}

func TestPrune(t *testing.T) {
	s := begin(t, tempPath(t))
	fill(s, "run-1", water, noon, 10*second, 60*360)
	last := fill(s, "run-1", air, noon, 10*second, 60*360)
	require.NoError(t, s.Record(t.Context(), []*journal.Entry{entry(1, noon, journal.Note)}, nil, State{}))
	require.NoError(t, s.Commit(t.Context()))
	before := s.Health().Bytes

	more, err := s.Prune(t.Context(), time.Nanosecond, last.Add(1000*24*hour), false)
	require.NoError(t, err)
	assert.False(t, more)
	assert.Len(t, collect(t, s, water, instant.None, 0), 60*360, "nothing is old by a clock that is not confirmed")

	assert.Greater(t, pruneAll(t, s, 10*hour, last), 1, "in steps")
	for range 2 {
		for _, p := range s.Points() {
			left := collect(t, s, p, instant.None, 0)
			require.NotEmpty(t, left)
			assert.LessOrEqual(t, left[0].At, last.Add(-10*hour), "whole chunks only")
			assert.Greater(t, left[0].At, last.Add(-10*hour-ChunkSpan))
			assert.Equal(t, last, left[len(left)-1].At)
		}
		entries, err := s.Journal(t.Context(), Filter{})
		require.NoError(t, err)
		assert.Len(t, entries, 1, "the journal stays")
		s = again(t, s)
	}
	fill(s, "run-2", water, last, 10*second, 40*360)
	require.NoError(t, s.Commit(t.Context()))
	assert.Less(t, s.Health().Bytes, 2*before, "room is used again")
	assert.Equal(t, 1, pruneAll(t, s, 0, last), "for ever")
}

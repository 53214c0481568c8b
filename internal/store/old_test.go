package store

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/deliver/queue"
)

// testdata/before-2026-11-30.db was written by this package as it was at commit bcddabb: two points, a step of the clock, chunks that
// still grow, journal, outbox, state and calibration. All of it is invented. It is read, brought up to date and continued.
func TestFileOfAnEarlierProgram(t *testing.T) {
	content, err := os.ReadFile(filepath.Join("testdata", "before-2026-11-30.db"))
	require.NoError(t, err)
	path := tempPath(t)
	require.NoError(t, os.WriteFile(path, content, 0o600))
	last := noon.Add(1499 * 10 * second)
	holds := func(s *Store, entries, items int) {
		t.Helper()
		assert.Empty(t, s.Notices())
		version, err := number(t.Context(), s.database().reader, "PRAGMA user_version")
		require.NoError(t, err)
		assert.Equal(t, int64(len(steps())), version)

		all := collectAll(t, s, water)
		require.Len(t, all, 1600)
		hidden := 0
		for _, sample := range all {
			if sample.Hidden {
				hidden++
			}
			if sample.Segment == 1 {
				assert.Equal(t, valueAt(sample.At), sample.Value)
				assert.Equal(t, "run-1", s.Run(sample.Segment))
			} else {
				assert.Equal(t, 30.0, sample.Value)
			}
		}
		assert.Equal(t, 50, hidden, "of the readings before the step of the clock")
		assert.Len(t, collect(t, s, air, instant.None, instant.None), 750)
		columns, err := s.Columns(t.Context(), water, noon, last.Add(hour), 12)
		require.NoError(t, err)
		count := 0
		for _, c := range columns {
			count += c.Count
		}
		assert.Equal(t, 1550, count)

		found, err := s.Journal(t.Context(), Filter{})
		require.NoError(t, err)
		require.Len(t, found, entries)
		raised := found[entries-2]
		assert.Equal(t, journal.AlarmRaised, raised.Kind)
		assert.Equal(t, "run-1-2", raised.Occurrence)
		assert.Equal(t, 25.5, *raised.Value)
		waiting, err := s.Queue("mqtt").Next(0, 10)
		require.NoError(t, err)
		require.Len(t, waiting, items)
		assert.JSONEq(t, `{"invented":true}`, string(waiting[0].Body))
		calibrations, err := s.Calibrations(t.Context(), "tub-1-probe")
		require.NoError(t, err)
		require.Len(t, calibrations, 1)
		assert.Equal(t, []float64{0.3125, 0.25}, calibrations[0].Readings)
	}

	s := begin(t, path)
	holds(s, 3, 1)
	state, _, reach, err := s.LoadCore()
	require.NoError(t, err)
	assert.Equal(t, "the state of the core", string(state))
	assert.Equal(t, last, reach.At)

	fill(s, "run-2", air, last.Add(24*hour), 10*second, 10)
	e := entry(4, last.Add(24*hour), journal.Note)
	e.Run = "run-2"
	item := OutboxItem{"mqtt", queue.Item{Event: "run-2-4", Class: queue.Alarm, Body: []byte("new")}}
	require.NoError(t, s.Record(t.Context(), []*journal.Entry{e}, []OutboxItem{item}, wholeState("a new state")))
	s = again(t, s)
	assert.Len(t, collect(t, s, air, last.Add(hour), instant.None), 10)
	found, err := s.Journal(t.Context(), Filter{Limit: 1})
	require.NoError(t, err)
	assert.Equal(t, "run-2", found[0].Run)
}

package clockfile_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/daemon"
	"dewline/internal/test/clockfile"
)

var _ daemon.Clock = (*clockfile.Clock)(nil)

func TestClockIsGovernedFromOutside(t *testing.T) {
	path := filepath.Join(t.TempDir(), "clock")
	start := time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC)
	require.NoError(t, clockfile.Write(path, clockfile.Setting{Origin: time.Now(), Wall: start, Pace: 1}))
	clock, err := clockfile.Open(path)
	require.NoError(t, err)
	assert.WithinDuration(t, start, clock.Now(), time.Minute)
	assert.False(t, clock.Synchronised())

	before := clock.Monotonic()
	require.NoError(t, clockfile.Step(path, 3*time.Hour))
	require.NoError(t, clockfile.Change(path, func(s *clockfile.Setting) { s.Synchronised = true }))
	assert.WithinDuration(t, start.Add(3*time.Hour), clock.Now(), time.Minute)
	assert.True(t, clock.Synchronised())
	assert.Less(t, clock.Monotonic()-before, time.Minute, "a step does not move the monotonic clock")

	require.NoError(t, os.Remove(path))
	assert.WithinDuration(t, start.Add(3*time.Hour), clock.Now(), time.Minute, "without its file the clock goes on")
}

// Time that passes in one blow is no step: both clocks count it, and timers do not.
func TestSleep(t *testing.T) {
	path := filepath.Join(t.TempDir(), "clock")
	start := time.Date(2026, 7, 14, 9, 0, 0, 0, time.UTC)
	require.NoError(t, clockfile.Write(path, clockfile.Setting{Origin: time.Now(), Wall: start, Pace: 1, Timers: 600}))
	clock, err := clockfile.Open(path)
	require.NoError(t, err)
	before := clock.Monotonic()
	for i := range 100 { // without a pause: files of the same time and number must not be taken for each other
		require.NoError(t, clockfile.Sleep(path, time.Hour))
		slept := time.Duration(i+1) * time.Hour
		assert.WithinDuration(t, start.Add(slept), clock.Now(), 10*time.Minute)
		assert.InDelta(t, slept, clock.Monotonic()-before, float64(10*time.Minute))
	}
	assert.Equal(t, 100*time.Millisecond, clock.Real(time.Minute))
	time.Sleep(100 * time.Millisecond) // old enough to be known again
	clock.Now()
	require.NoError(t, clockfile.Sleep(path, time.Hour))
	assert.WithinDuration(t, start.Add(101*time.Hour), clock.Now(), 10*time.Minute)
}

func TestPace(t *testing.T) {
	origin := time.Date(2026, 7, 14, 9, 0, 0, 0, time.UTC)
	s := clockfile.Setting{Origin: origin, Wall: origin.AddDate(0, 0, 1), Pace: 60}
	assert.Equal(t, origin.AddDate(0, 0, 1).Add(time.Hour), s.At(origin.Add(time.Minute)))
}

func TestBadFiles(t *testing.T) {
	for _, text := range []string{"", "{}", `{"origin":"2026-07-14T09:00:00Z","wall":"2026-07-14T09:00:00Z","pace":-1}`, "[1"} {
		path := filepath.Join(t.TempDir(), "clock")
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		_, err := clockfile.Open(path)
		assert.ErrorContains(t, err, path)
	}
	_, err := clockfile.Open(filepath.Join(t.TempDir(), "none"))
	assert.ErrorIs(t, err, os.ErrNotExist)
}

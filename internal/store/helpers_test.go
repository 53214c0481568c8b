package store

import (
	"context"
	"flag"
	"log/slog"
	"math"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

// The North Loft, an invented site.
var (
	water = quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}
	air   = quantity.Point{Place: "loft", Quantity: quantity.AirTemperature}
	noon  = instant.Of(time.Date(2026, 9, 1, 12, 0, 0, 0, time.UTC))
)

const second, minute, hour = time.Second, time.Minute, time.Hour

func tempPath(t testing.TB) string { return filepath.Join(t.TempDir(), "history.db") }

// begin opens a store that must be in order.
func begin(t testing.TB, path string) *Store {
	t.Helper()
	s, err := Open(path, Options{Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	t.Cleanup(func() { abandon(s) })
	return s
}

// abandon lets a store go as the end of its process would: nothing is written.
func abandon(s *Store) {
	_ = s.database().close()
	s.lock.release()
}

// settled waits until a write is over, with what no alarm waits for.
func settled(s *Store) {
	s.write.Lock()
	defer s.write.Unlock()
}

// quick opens a store that does not wait for the disk, for tests that open hundreds.
func quick(t require.TestingT, path string, options Options) *Store {
	s, err := Open(path, options)
	require.NoError(t, err)
	_, err = s.database().writer.Exec("PRAGMA synchronous = off")
	require.NoError(t, err)
	return s
}

// percent checks a property as often as a part of -rapid.checks says: SQLite is slow under the race detector, and what is
// drawn here is much at a time.
func percent(t *testing.T, part int, property func(t *rapid.T)) {
	t.Helper()
	checks := flag.Lookup("rapid.checks").Value
	whole := checks.String()
	n, err := strconv.Atoi(whole)
	require.NoError(t, err)
	require.NoError(t, checks.Set(strconv.Itoa(max(1, n*part/100))))
	defer func() { require.NoError(t, checks.Set(whole)) }()
	rapid.Check(t, property)
}

// again closes a store and opens its file again.
func again(t testing.TB, s *Store) *Store {
	t.Helper()
	require.NoError(t, s.Close(t.Context()))
	return begin(t, s.path)
}

// fill appends n readings at a rhythm.
func fill(s *Store, run string, p quantity.Point, from instant.Instant, every time.Duration, n int) instant.Instant {
	at := from
	for i := range n {
		at = from.Add(time.Duration(i) * every)
		s.Append(run, p, at, valueAt(at), quantity.Pass, 0.01)
	}
	return at
}

// valueAt is a made-up temperature in °C with two decimals.
func valueAt(at instant.Instant) float64 {
	day := float64(at) / float64(24*time.Hour)
	return math.Round(100*(22+2*math.Sin(2*math.Pi*day))+float64(int64(at)/1e9%5)) / 100
}

func collect(t require.TestingT, s *Store, p quantity.Point, from, to instant.Instant) []Sample {
	var all []Sample
	for sample, err := range s.Readings(context.Background(), p, from, to) {
		require.NoError(t, err)
		all = append(all, sample)
	}
	return all
}

func collectAll(t require.TestingT, s *Store, p quantity.Point) []Sample {
	var all []Sample
	for sample, err := range s.AllReadings(context.Background(), p, instant.None, instant.None) {
		require.NoError(t, err)
		all = append(all, sample)
	}
	return all
}

func entry(seq uint64, at instant.Instant, kind journal.Kind) *journal.Entry {
	return &journal.Entry{Seq: seq, Run: "run-1", At: at, Kind: kind}
}

// wholeState is a state of the core that takes the place of all before it.
func wholeState(text string) State { return State{Data: []byte(text)} }

// nthState is the n-th of states of which each third takes the place of all before it; the others belong on top.
func nthState(n uint64, text string) State { return State{Data: []byte(text), Part: n%3 != 1} }

// newestState returns the text of the state that was recorded last, of states that begin with the first.
func newestState(t *testing.T, s *Store, n uint64) string {
	t.Helper()
	state, parts, _, err := s.LoadCore()
	require.NoError(t, err)
	require.Len(t, parts, int(n-1)%3, "after %d states", n)
	return string(append([][]byte{state}, parts...)[len(parts)])
}

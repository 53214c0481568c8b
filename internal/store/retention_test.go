package store

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

func pruneAll(t *testing.T, s *Store, r Retention, now instant.Instant) (steps int) {
	for more := true; more; steps++ {
		var err error
		more, err = s.Prune(t.Context(), r, now, true)
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

	more, err := s.Prune(t.Context(), Retention{Keep: time.Nanosecond}, last.Add(1000*24*hour), false)
	require.NoError(t, err)
	assert.False(t, more)
	assert.Len(t, collect(t, s, water, instant.None, 0), 60*360, "nothing is old by a clock that is not confirmed")

	assert.Greater(t, pruneAll(t, s, Retention{Keep: 10 * hour}, last), 1, "in steps")
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
	assert.Equal(t, 1, pruneAll(t, s, Retention{}, last), "for ever")
}

// Thinning keeps what it says: the mean at the sensor's resolution, and exact extremes, of each minute.
func TestThin(t *testing.T) {
	percent(t, 20, func(rt *rapid.T) {
		s := quick(rt, tempPath(t), Options{})
		defer func() { abandon(s) }()
		value := chanceValue(rt)
		every := rapid.SampledFrom([]time.Duration{10 * second, 7 * second, second, 90 * second}).Draw(rt, "every")
		at := noon
		for i := range 1500 {
			at = at.Add(every)
			flag := quantity.Pass
			if i%50 == 3 {
				flag = flags[i/50%len(flags)]
			}
			s.Append("run-1", water, at, value(), flag, 0.01)
		}
		require.NoError(t, s.Commit(t.Context()))
		full := collect(rt, s, water, instant.None, 0)
		columns, err := s.Columns(t.Context(), water, noon, at.Add(1), 1)
		require.NoError(t, err)
		minutes, err := s.Columns(t.Context(), water, noon, noon.Add(10*hour), 600)
		require.NoError(t, err)

		cut := full[len(full)-1].At.Add(-2 * minute)
		pruneAll(t, s, Retention{Thin: 2 * minute}, full[len(full)-1].At)
		thin := collect(rt, s, water, instant.None, 0)
		require.Less(t, len(thin), max(len(full), 1501))
		byMinute := map[instant.Instant][]Sample{}
		for _, r := range full {
			byMinute[r.At/instant.Instant(minute)] = append(byMinute[r.At/instant.Instant(minute)], r)
		}
		for _, m := range thin {
			if m.At > cut {
				break
			}
			if m.Count == 1 && (math.IsNaN(m.Value) || m.Min == m.Value && m.Max == m.Value) {
				continue // a reading, or a minute of one
			}
			low, high, total, count, mask := math.NaN(), math.NaN(), 0.0, 0, uint16(0)
			for _, r := range byMinute[m.At/instant.Instant(minute)] {
				mask |= 1 << r.Flag
				if usable(r.Value, r.Flag) {
					if count++; count == 1 {
						low, high = r.Value, r.Value
					}
					low, high, total = min(low, r.Value), max(high, r.Value), total+r.Value
				}
			}
			require.Equal(rt, count, m.Count)
			require.Equal(rt, worst(mask), m.Flag)
			equalExtremes(rt, low, high, m.Min, m.Max)
			if count > 0 && !math.IsInf(total, 0) {
				require.InDelta(rt, total/float64(count), m.Value, max(0.0625, 1e-9*math.Abs(m.Value)))
			}
		}
		// Summaries are the same; so are those by minute, as far as they are exact.
		again, err := s.Columns(t.Context(), water, noon, at.Add(1), 1)
		require.NoError(t, err)
		require.Equal(t, columns[0].Count, again[0].Count)
		equalExtremes(rt, columns[0].Min, columns[0].Max, again[0].Min, again[0].Max)
		thinned, err := s.Columns(t.Context(), water, noon, noon.Add(10*hour), 600)
		require.NoError(t, err)
		for i := range minutes {
			require.Equal(rt, minutes[i].Count, thinned[i].Count)
			require.Equal(rt, minutes[i].Worst, thinned[i].Worst)
			equalExtremes(rt, minutes[i].Min, minutes[i].Max, thinned[i].Min, thinned[i].Max)
		}
		require.Equal(t, 1, pruneAll(t, s, Retention{Thin: 2 * minute}, full[len(full)-1].At), "once is enough")
	})
}

// equalExtremes makes no difference between the two zeros.
func equalExtremes(t require.TestingT, wantLow, wantHigh, low, high float64) {
	require.True(t, wantLow == low || math.IsNaN(wantLow) && math.IsNaN(low), "low %v, want %v", low, wantLow)
	require.True(t, wantHigh == high || math.IsNaN(wantHigh) && math.IsNaN(high), "high %v, want %v", high, wantHigh)
}

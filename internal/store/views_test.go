package store

import (
	"database/sql"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

// TestViewsDecode compares what plain SQL makes of the file with what the program makes of it.
func TestViewsDecode(t *testing.T) {
	percent(t, 15, func(rt *rapid.T) {
		s := quick(rt, tempPath(t), Options{})
		defer func() { abandon(s) }()
		value := chanceValue(rt)
		every := rapid.SampledFrom([]time.Duration{10 * second, 7 * second, 3 * minute}).Draw(rt, "every")
		jitter := rapid.Int64Range(0, 3).Draw(rt, "jitter")
		at := noon
		for i := range rapid.IntRange(1, 250).Draw(rt, "count") {
			at = at.Add(every + time.Duration(jitter*int64(i%3))*time.Millisecond)
			flag := quantity.Pass
			if i%23 == 7 {
				flag = flags[i%len(flags)]
			}
			s.Append("run-1", water, at, value(), flag, 0.01)
		}
		require.NoError(rt, s.Commit(t.Context()))
		compareReadings(rt, s)
		compareMinutes(rt, s)
	})
}

// TestViewsDecodeEachForm does so for each way to write times.
func TestViewsDecodeEachForm(t *testing.T) {
	for name, r := range rhythms {
		s := begin(t, tempPath(t))
		b := rhythmical(r.at)
		for i, at := range b.at {
			s.Append("run-1", water, fromMillis(at), b.value[i], b.flag[i], 0.01)
		}
		require.NoError(t, s.Commit(t.Context()), name)
		compareReadings(t, s)
		compareMinutes(t, s)
	}
}

func compareReadings(t require.TestingT, s *Store) {
	rows, err := s.database().reader.Query("SELECT at, value, flag, number FROM readings WHERE point = ? AND part = 0 ORDER BY at", water.String())
	require.NoError(t, err)
	defer rows.Close()
	for _, want := range collect(t, s, water, instant.None, 0) {
		require.True(t, rows.Next(), "%v", rows.Err())
		var at int64
		var flag, number int
		var got sql.Null[float64]
		require.NoError(t, rows.Scan(&at, &got, &flag, &number))
		require.Equal(t, millis(want.At), at)
		require.Equal(t, int(want.Flag), flag)
		require.Equal(t, 1, number)
		requireNear(t, want.Value, got)
	}
	require.False(t, rows.Next())
}

// requireNear allows for what the views leave out: the last bits, and values out of reach.
func requireNear(t require.TestingT, want float64, got sql.Null[float64]) {
	reach := math.Abs(want)
	if want != 0 && (math.IsNaN(want) || reach < 0x1p-60 || reach >= 0x1p61) {
		require.False(t, got.Valid, "%v", want)
		return
	}
	require.True(t, got.Valid, "%v", want)
	require.InDelta(t, want, got.V, 1e-9+1e-13*reach)
}

func compareMinutes(t require.TestingT, s *Store) {
	rows, err := s.database().reader.Query("SELECT minute, min, mean, max, count, run FROM minutes WHERE point = ?", water.String())
	require.NoError(t, err)
	defer rows.Close()
	type minuteRow struct {
		low, high, total float64
		count            int
	}
	got := map[int64]minuteRow{}
	for rows.Next() {
		var at int64
		var low, mean, high float64
		var count int
		var run string
		require.NoError(t, rows.Scan(&at, &low, &mean, &high, &count, &run))
		require.Equal(t, "run-1", run)
		m, there := got[at]
		if !there {
			m = minuteRow{math.Inf(1), math.Inf(-1), 0, 0}
		}
		got[at] = minuteRow{min(m.low, low), max(m.high, high), m.total + mean*float64(count), m.count + count}
	}
	require.NoError(t, rows.Err())
	want := map[int64]minuteRow{}
	for _, r := range collect(t, s, water, instant.None, 0) {
		reach := math.Abs(r.Value)
		if !r.Flag.Usable() || math.IsNaN(r.Value) || r.Value != 0 && (reach < 0x1p-60 || reach >= 0x1p61) {
			continue
		}
		at := millis(r.At) / minuteMillis * minuteMillis
		m, there := want[at]
		if !there {
			m = minuteRow{math.Inf(1), math.Inf(-1), 0, 0}
		}
		want[at] = minuteRow{min(m.low, r.Value), max(m.high, r.Value), m.total + r.Value, m.count + 1}
	}
	require.Len(t, got, len(want))
	for at, w := range want {
		g := got[at]
		require.Equal(t, w.count, g.count)
		require.InDelta(t, w.low, g.low, 1e-9)
		require.InDelta(t, w.high, g.high, 1e-9)
		require.InDelta(t, w.total/float64(w.count), g.total/float64(g.count), 1e-9)
	}
}

// The views must decode only what is asked for, or they are of no use on a file of years.
func TestViewsUseTheIndex(t *testing.T) {
	s := begin(t, tempPath(t))
	for _, view := range []string{"readings", "minutes", "chunks"} {
		rows, err := s.database().reader.Query("EXPLAIN QUERY PLAN SELECT * FROM " + view + " WHERE point = 'tub-1/water-temperature' AND chunk_start BETWEEN 1 AND 2")
		require.NoError(t, err)
		var plan strings.Builder
		for rows.Next() {
			var id, parent, unused int
			var line string
			require.NoError(t, rows.Scan(&id, &parent, &unused, &line))
			plan.WriteString(line + "\n")
		}
		require.NoError(t, rows.Err())
		require.NoError(t, rows.Close())
		assert.Contains(t, plan.String(), "chunk_summary (point=? AND start>? AND start<?)", view)
		assert.NotContains(t, plan.String(), "SCAN chunk", view)
		assert.NotContains(t, plan.String(), "MATERIALIZE piece", view)
	}
}

func TestViewsOfTheJournal(t *testing.T) {
	s := begin(t, tempPath(t))
	value := 24.5
	require.NoError(t, s.Record(t.Context(), []*journal.Entry{
		{Seq: 1, Run: "run-1", At: noon, Kind: journal.Note, Place: "tub-1", By: "keeper", Text: "water changed"},
		{Seq: 2, Run: "run-1", At: noon, Kind: journal.Misting, Place: "vivarium-1", By: "keeper"},
		{Seq: 3, Run: "run-1", At: noon, Kind: journal.StageSet, Cohort: "a-2026", Stage: "metamorph"},
		{Seq: 4, Run: "run-1", At: noon, Kind: journal.AlarmRaised, Alarm: "tub-1/water-temperature/high", Priority: "high", Value: &value},
	}, nil, State{}))
	for query, want := range map[string]string{
		"SELECT place || ' ' || by || ' ' || text FROM notes":         "tub-1 keeper water changed",
		"SELECT place || ' ' || by FROM mistings":                     "vivarium-1 keeper",
		"SELECT cohort || ' ' || stage FROM stages":                   "a-2026 metamorph",
		"SELECT alarm || ' ' || priority || ' ' || value FROM alarms": "tub-1/water-temperature/high high 24.5",
		"SELECT datetime(at / 1000, 'unixepoch') FROM notes":          "2026-09-01 12:00:00",
	} {
		var got string
		require.NoError(t, s.database().reader.QueryRow(query).Scan(&got), query)
		assert.Equal(t, want, got)
	}
}

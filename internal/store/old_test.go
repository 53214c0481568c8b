package store

import (
	"database/sql"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
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

// A file that was written before chunks were written as rice.go does it is read, and continued in the new form, without a reading that
// differs. The views read both.
func TestFileFromBeforeRice(t *testing.T) {
	content, err := os.ReadFile(filepath.Join("testdata", "before-2026-12-01.db"))
	require.NoError(t, err)
	path := tempPath(t)
	require.NoError(t, os.WriteFile(path, content, 0o600))
	s := begin(t, path)
	want := earlier()
	last := want[len(want)-1].At
	for i := range 400 {
		sample := PointSample{water, Sample{At: last.Add(time.Duration(i+1) * 10 * second), Value: float64(320+i%3) / 16, Flag: quantity.Pass}}
		s.Append("run-2", water, sample.At, sample.Value, sample.Flag, 0.0625)
		want = append(want, sample)
	}
	holds := func(s *Store) {
		t.Helper()
		assert.Empty(t, s.Notices())
		for _, p := range []quantity.Point{water, air} {
			var at, seen []int64
			var values, got []float64
			var hues, colours []quantity.Flag
			for _, w := range want {
				if w.Point == p {
					at, values, hues = append(at, millis(w.At)), append(values, w.Value), append(hues, w.Flag)
				}
			}
			for _, sample := range collect(t, s, p, instant.None, instant.None) {
				seen, got, colours = append(seen, millis(sample.At)), append(got, sample.Value), append(colours, sample.Flag)
			}
			assert.Equal(t, at, seen, p)
			assert.Equal(t, hues, colours, p)
			sameValues(t, values, got)
		}
		progress, err := s.Progress(t.Context(), "remote-write")
		require.NoError(t, err)
		assert.Equal(t, "far", string(progress))
	}
	holds(s)
	s = again(t, s)
	holds(s)
	compareReadings(t, s)
	forms, err := collected(scanned(t.Context(), s.database().reader, func(rows *sql.Rows) (form string, err error) {
		return form, rows.Scan(&form)
	}, "SELECT DISTINCT form FROM piece ORDER BY form"))
	require.NoError(t, err)
	assert.Equal(t, []string{"0", "1", "10"}, forms)
}

// earlier gives the readings of testdata/before-2026-12-01.db, written by this package as it was at commit a570cd5: two sensors
// whose steps are exact and not exact as floats, times that tremble, a gap, flags, missing values, and values that are on no step. All of it is
// invented.
func earlier() (all []PointSample) {
	chance := rand.New(rand.NewPCG(7, 17))
	walk := 0
	for i := range 500 {
		at := noon.Add(time.Duration(i)*10*second + time.Duration(chance.IntN(4))*time.Millisecond)
		if i >= 450 {
			at = at.Add(7 * minute)
		}
		flag := quantity.Pass
		if i%97 == 40 {
			flag = flags[i/97%len(flags)]
		}
		walk += chance.IntN(5) - 2
		wet, warm := float64(352+walk/8)/16, -45+175*float64(25_000+3*walk)/65535
		switch {
		case i%120 == 60:
			wet = math.NaN()
		case i >= 420:
			warm = 20 + chance.Float64()
		}
		all = append(all, PointSample{water, Sample{At: at, Value: wet, Flag: flag}}, PointSample{air, Sample{At: at, Value: warm, Flag: flag}})
	}
	return all
}

// A file that was brought up to date has the form of a new one. Its outbox is in the same place, by which it is found where the first page
// is lost.
func TestOldFileHasTheFormOfANewOne(t *testing.T) {
	content, err := os.ReadFile(filepath.Join("testdata", "before-2026-11-30.db"))
	require.NoError(t, err)
	path := tempPath(t)
	require.NoError(t, os.WriteFile(path, content, 0o600))
	form := func(s *Store) (all []string) {
		for row, err := range scanned(t.Context(), s.database().reader, func(rows *sql.Rows) (row string, err error) {
			err = rows.Scan(&row)
			return row, err
		}, "SELECT concat(name, ' ', iif(name = 'outbox', rootpage, ''), ' ', sql) FROM sqlite_schema ORDER BY name") {
			require.NoError(t, err)
			all = append(all, row)
		}
		return all
	}
	fresh := form(begin(t, tempPath(t)))
	assert.Equal(t, fresh, form(begin(t, path)))
	assert.NotContains(t, strings.Join(fresh, "\n"), "AUTOINCREMENT")
}

package store

import (
	"bytes"
	"cmp"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
)

func TestEntriesComeBackWhole(t *testing.T) {
	s := begin(t, tempPath(t))
	at := noon.Add(123 * time.Millisecond)
	whole := &journal.Entry{
		Seq: 7, Run: "run-1", At: at, Kind: journal.AlarmRaised, Alarm: "tub-1/water-temperature/high", Occurrence: "o-1",
		State: "B", Was: "A", Priority: "high", Unit: "Cel", Setpoint: new(24.0), Value: new(24.31), Extreme: new(24.4),
		Since: new(at.Add(-minute)), Until: new(at.Add(hour)), Repeats: 2, Names: []string{"tub-1", "tub-2"},
		Cohort: "a-2026", Stage: "larva", Place: "tub-1", By: "keeper", Reason: "the heater", Text: "O'Brien said \"no\" – ½",
	}
	require.NoError(t, s.Record(t.Context(), []*journal.Entry{whole}, nil, State{}))
	require.NoError(t, s.Record(t.Context(), []*journal.Entry{whole}, nil, State{}), "a repeat")
	got, err := again(t, s).Journal(t.Context(), Filter{})
	require.NoError(t, err)
	assert.Equal(t, []*journal.Entry{whole}, got)
}

// The journal with its filters against the plain way: look at every entry.
func TestJournalFilters(t *testing.T) {
	s := begin(t, tempPath(t))
	kinds := []journal.Kind{journal.AlarmRaised, journal.Note, journal.Misting}
	places := []string{"", "tub-1", "tub-10"}
	var all []*journal.Entry
	for i := range 200 {
		e := entry(uint64(i+1), noon.Add(time.Duration((i*37)%200)*minute), kinds[i%3])
		e.Place = places[i/3%3]
		if e.Kind == journal.AlarmRaised {
			e.Alarm, e.Place = cmp.Or(e.Place, "loft")+"/air-temperature/high", ""
		}
		all = append(all, e)
	}
	require.NoError(t, s.Record(t.Context(), all[:150], nil, State{}))
	require.NoError(t, s.Record(t.Context(), all[150:], nil, State{}))
	slices.Reverse(all)
	rapid.Check(t, func(t *rapid.T) {
		f := Filter{
			From:  rapid.SampledFrom([]instant.Instant{0, instant.None, noon.Add(50 * minute)}).Draw(t, "from"),
			To:    rapid.SampledFrom([]instant.Instant{0, instant.None, noon.Add(120 * minute)}).Draw(t, "to"),
			Kinds: rapid.SliceOfDistinct(rapid.SampledFrom(kinds), rapid.ID).Draw(t, "kinds"),
			Alarm: rapid.SampledFrom([]string{"", "", "tub-1/air-temperature/high"}).Draw(t, "alarm"),
			Place: rapid.SampledFrom([]string{"", "tub-1", "tub-10", "%"}).Draw(t, "place"),
			Limit: rapid.SampledFrom([]int{0, 1, 7, 1000}).Draw(t, "limit"), Before: rapid.Uint64Range(0, 250).Draw(t, "before"),
		}
		var want []*journal.Entry
		for _, e := range all {
			if f.From > 0 && e.At < f.From || f.To > 0 && e.At >= f.To || len(f.Kinds) > 0 && !slices.Contains(f.Kinds, e.Kind) ||
				f.Alarm != "" && e.Alarm != f.Alarm || f.Before > 0 && e.Seq >= f.Before ||
				f.Place != "" && e.Place != f.Place && e.Alarm != f.Place+"/air-temperature/high" {
				continue
			}
			want = append(want, e)
		}
		want = want[:min(len(want), cmp.Or(f.Limit, usualLimit))]
		got, err := s.Journal(t.Context(), f)
		require.NoError(t, err)
		require.Equal(t, want, got)
	})
}

func TestCore(t *testing.T) {
	s := begin(t, tempPath(t))
	state, _, reach, err := s.LoadCore()
	require.NoError(t, err)
	assert.Nil(t, state)
	assert.True(t, reach.At.IsNone())

	fill(s, "run-1", water, noon, 10*second, 3)
	require.NoError(t, s.Record(t.Context(), nil, nil, wholeState("first")))
	require.NoError(t, s.Record(t.Context(), []*journal.Entry{entry(1, noon.Add(minute), journal.Note)}, nil, wholeState("second")))
	require.NoError(t, s.Record(t.Context(), []*journal.Entry{entry(2, noon.Add(hour), journal.Note)}, nil, State{}))
	for range 2 {
		state, _, reach, err = s.LoadCore()
		require.NoError(t, err)
		assert.Equal(t, "second", string(state))
		assert.Equal(t, Reach{noon.Add(minute), 1}, reach)
		s = again(t, s)
	}

	parts := func() (all string) {
		_, parts, held, err := s.LoadCore()
		require.NoError(t, err)
		assert.Equal(t, reach, held, "what belongs on top is no newer beginning")
		return string(bytes.Join(parts, []byte(" ")))
	}
	require.NoError(t, s.Record(t.Context(), []*journal.Entry{entry(3, noon.Add(2*hour), journal.Note)}, nil, nthState(2, "second-b")))
	s = again(t, s)
	require.NoError(t, s.Record(t.Context(), []*journal.Entry{entry(4, noon.Add(2*hour), journal.Note)}, nil, nthState(3, "second-c")))
	require.NoError(t, s.Keep(nthState(3, "second-d")))
	assert.Equal(t, "second-b second-c second-d", parts(), "one of them is in memory only")
	s = again(t, s)
	assert.Equal(t, "second-b second-c second-d", parts())
	require.NoError(t, s.Keep(wholeState("third")))
	_, _, reach, err = s.LoadCore()
	require.NoError(t, err)
	assert.Empty(t, parts())
	reach.At = fromMillis(millis(reach.At))
	s = again(t, s)
	assert.Empty(t, parts())
	_, err = s.database().writer.Exec("UPDATE core SET state = x'ffff'")
	require.NoError(t, err)
	_, _, _, err = s.LoadCore()
	require.ErrorIs(t, err, ErrCorrupt)
}

func TestCalibrations(t *testing.T) {
	s := begin(t, tempPath(t))
	first := Calibration{At: noon, Sensor: "tub-1-probe", Channel: "temperature", Reference: 0, Uncertainty: 0.02, Against: "ice bath", Readings: []float64{0.06, 0.0625}}
	second := Calibration{At: noon.Add(-hour), Sensor: "loft-air", Channel: "humidity", Reference: 75.3, Uncertainty: 0.2, Against: "salt: NaCl", Readings: []float64{74}}
	for _, c := range []*Calibration{&first, &second} {
		id, err := s.AddCalibration(t.Context(), *c)
		require.NoError(t, err)
		c.ID = id
	}
	_, err := s.AddCalibration(t.Context(), Calibration{Readings: []float64{math.NaN()}})
	require.ErrorContains(t, err, "take the comparison again")
	s = again(t, s)
	all, err := s.Calibrations(t.Context(), "")
	require.NoError(t, err)
	assert.Equal(t, []Calibration{second, first}, all)
	one, err := s.Calibrations(t.Context(), "tub-1-probe")
	require.NoError(t, err)
	assert.Equal(t, []Calibration{first}, one)
}

func TestBackup(t *testing.T) {
	s := begin(t, tempPath(t))
	fill(s, "run-1", water, noon, 10*second, 5000)
	require.NoError(t, s.Commit(t.Context()))
	target := filepath.Join(t.TempDir(), "copy.db")
	require.NoError(t, os.Chmod(s.path, 0o640))
	require.NoError(t, s.Backup(t.Context(), target))
	info, err := os.Stat(target)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o640), info.Mode(), "a copy is for the eyes of those who may read the history")
	fill(s, "run-1", water, noon.Add(50_000*second), 10*second, 10)
	require.NoError(t, s.Commit(t.Context()))
	require.ErrorContains(t, s.Backup(t.Context(), target), "choose another name")
	require.Error(t, s.Backup(t.Context(), filepath.Join(t.TempDir(), "none", "copy.db")))
	files, err := filepath.Glob(filepath.Join(filepath.Dir(target), "*"))
	require.NoError(t, err)
	assert.Equal(t, []string{target}, files)
	copied := begin(t, target)
	assert.Len(t, collect(t, copied, water, instant.None, 0), 5000)

	beside, err := Open(s.path, Options{ReadOnly: true})
	require.NoError(t, err)
	require.NoError(t, beside.Backup(t.Context(), target+"-2"))
	require.NoError(t, beside.Close(t.Context()))
}

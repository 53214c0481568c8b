package store

import (
	"cmp"
	"math"
	"math/rand/v2"
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
	"dewline/internal/core/quantity"
)

// sample is a reading as the test remembers it.
type sample struct {
	at    int64
	value float64
	flag  quantity.Flag
}

// TestEverythingComesBack: any readings, in any order, cut by commits, restarts and clock steps anywhere.
func TestEverythingComesBack(t *testing.T) {
	percent(t, 20, func(t *rapid.T) {
		folder, err := os.MkdirTemp("", "history")
		require.NoError(t, err)
		defer os.RemoveAll(folder)
		open := func() *Store {
			return quick(t, filepath.Join(folder, "history.db"), Options{})
		}
		s := open()
		defer func() { abandon(s) }()
		model := map[quantity.Point][]sample{}
		now := noon
		value := chanceValue(t)
		chance := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "chance"), 2))
		run := "run-1"
		look := func(t *rapid.T) {
			for p, want := range model {
				want = slices.Clone(want)
				slices.SortStableFunc(want, func(a, b sample) int { return cmp.Compare(a.at, b.at) })
				got := collectAll(t, s, p)
				require.Len(t, got, len(want))
				for i := range want {
					require.Equal(t, want[i].at, millis(got[i].At))
					require.Equal(t, want[i].flag, got[i].Flag)
					sameValues(t, []float64{want[i].value}, []float64{got[i].Value})
				}
			}
		}
		t.Repeat(map[string]func(*rapid.T){
			"append": func(t *rapid.T) {
				p := rapid.SampledFrom([]quantity.Point{water, air}).Draw(t, "point")
				every := rapid.SampledFrom([]time.Duration{10 * second, 200 * time.Millisecond, 5 * minute, 0, -3 * second}).Draw(t, "every")
				for range rapid.IntRange(1, 500).Draw(t, "count") {
					now = now.Add(every + time.Duration(chance.IntN(5)-2)*time.Millisecond)
					v, f := value(), quantity.Pass
					if chance.IntN(20) == 0 {
						f = flags[chance.IntN(len(flags))]
					}
					s.Append(run, p, now, v, f, 0.01)
					model[p] = append(model[p], sample{millis(now), v, f})
				}
			},
			"jump": func(t *rapid.T) {
				now = now.Add(time.Duration(rapid.Int64Range(-int64(100*24*hour), int64(100*24*hour)).Draw(t, "by")))
			},
			"step":   func(*rapid.T) { s.Stepped() },
			"commit": func(t *rapid.T) { require.NoError(t, s.Commit(t.Context())) },
			"restart": func(t *rapid.T) {
				require.NoError(t, s.Close(t.Context()))
				s = open()
				run = rapid.SampledFrom([]string{"run-1", "run-2"}).Draw(t, "run")
			},
			"amend": func(t *rapid.T) {
				all := model[water]
				if len(all) == 0 {
					t.Skip("nothing to amend")
				}
				// Several readings of the time: which one is meant is tested elsewhere.
				i := rapid.IntRange(0, len(all)-1).Draw(t, "which")
				if slices.ContainsFunc(slices.Delete(slices.Clone(all), i, i+1), func(o sample) bool { return o.at == all[i].at }) {
					t.Skip("not the only one of its time")
				}
				all[i].flag = rapid.SampledFrom(flags).Draw(t, "flag")
				s.Amend(water, fromMillis(all[i].at), all[i].flag)
				require.NoError(t, s.Commit(t.Context()))
			},
			"look": look,
		})
		look(t)
	})
}

func TestAppendAllocatesNothing(t *testing.T) {
	s := begin(t, tempPath(t))
	at := noon
	perChunk := testing.AllocsPerRun(20, func() {
		for range nearlyFull {
			at = at.Add(10 * second)
			s.Append("run-1", water, at, valueAt(at), quantity.Pass, 0.01)
		}
		require.NoError(t, s.Commit(t.Context()))
	})
	perCommit := testing.AllocsPerRun(20, func() { require.NoError(t, s.Commit(t.Context())) })
	assert.Less(t, (perChunk-perCommit)/nearlyFull, 0.6, "allocations for a reading, its share of closing and writing a chunk included")
}

func TestRangesAreHalfOpen(t *testing.T) {
	s := begin(t, tempPath(t))
	fill(s, "run-1", water, noon, 10*second, 1000)
	require.NoError(t, s.Commit(t.Context()))
	for _, c := range []struct {
		from, to time.Duration
		want     int
	}{
		{0, 10 * second, 1},
		{0, 10*second + 1, 2},
		{1, 10 * second, 0},
		{1, 10*second + 1, 1},
		{time.Hour, time.Hour + minute, 6},
		{-hour, 0, 0},
		{0, 1000 * 10 * second, 1000},
	} {
		assert.Len(t, collect(t, s, water, noon.Add(c.from), noon.Add(c.to)), c.want, "%v", c)
	}
	assert.Len(t, collect(t, s, water, instant.None, instant.None), 1000)
	assert.Len(t, collect(t, s, water, instant.None, 0), 1000)
	assert.Empty(t, collect(t, s, air, instant.None, 0))
	assert.Equal(t, []quantity.Point{water}, s.Points())
}

func TestChunksAreBounded(t *testing.T) {
	s := begin(t, tempPath(t))
	fill(s, "run-1", water, noon, 10*second, 3000)
	fill(s, "run-1", air, noon, 7*minute, 300)
	require.NoError(t, s.Commit(t.Context()))
	rows, err := s.database().reader.Query("SELECT count, span, start FROM chunk")
	require.NoError(t, err)
	defer rows.Close()
	chunks := 0
	for rows.Next() {
		var count, span, start int64
		require.NoError(t, rows.Scan(&count, &span, &start))
		assert.LessOrEqual(t, count, int64(ChunkReadings))
		assert.LessOrEqual(t, span, chunkSpan)
		if span < chunkSpan/2 {
			assert.GreaterOrEqual(t, count, int64(nearlyFull))
			assert.Zero(t, start%minuteMillis, "a chunk begins with a minute")
		}
		chunks++
	}
	require.NoError(t, rows.Err())
	assert.Greater(t, chunks, 20)
}

func TestAmendMeansTheLatest(t *testing.T) {
	s := begin(t, tempPath(t))
	for _, v := range []float64{1, 2, 3} {
		s.Append("run-1", water, noon, v, quantity.Pass, 1)
	}
	s.Amend(water, noon, quantity.Suspect)
	s.Amend(air, noon, quantity.Fail)                   // unknown point
	s.Amend(water, noon.Add(-second), quantity.Fail)    // unknown time
	s.Amend(water, noon, 7)                             // no flag
	s.Append("run-1", water, noon.Add(second), 4, 0, 1) // no flag either
	require.NoError(t, s.Commit(t.Context()))
	got := collect(t, s, water, instant.None, 0)
	require.Len(t, got, 4)
	assert.Equal(t, []quantity.Flag{1, 1, 3, 2}, []quantity.Flag{got[0].Flag, got[1].Flag, got[2].Flag, got[3].Flag})
}

// A backward step of the clock: both stretches are kept, the later one is shown.
func TestClockStep(t *testing.T) {
	s := begin(t, tempPath(t))
	fill(s, "run-1", water, noon, 10*second, 600) // to 13:40, by a clock that is an hour ahead
	s.Stepped()
	fill(s, "run-1", water, noon.Add(40*minute), 10*second, 30) // 12:40 to 12:44:50
	check := func(s *Store) {
		assert.Len(t, collectAll(t, s, water), 630)
		shown := collect(t, s, water, instant.None, 0)
		assert.Len(t, shown, 600)
		for _, sample := range shown {
			covered := sample.At >= noon.Add(40*minute) && sample.At < noon.Add(45*minute)
			assert.Equal(t, covered, sample.Segment == 2, sample.At.String())
			assert.Equal(t, "run-1", s.Run(sample.Segment))
		}
		columns, err := s.Columns(t.Context(), water, noon, noon.Add(100*minute), 10)
		require.NoError(t, err)
		for _, c := range columns {
			assert.Equal(t, 60, c.Count)
		}
	}
	check(s)
	require.NoError(t, s.Commit(t.Context()))
	check(s)
	check(again(t, s))
}

// A run without a confirmed clock, which then turns out to have been 30 days behind.
func TestRestamp(t *testing.T) {
	s := begin(t, tempPath(t))
	wrong := noon.Add(-30 * 24 * hour)
	fill(s, "run-0", water, wrong.Add(-hour), 10*second, 10)
	fill(s, "run-1", water, wrong, 10*second, 500)
	fill(s, "run-1", air, wrong, minute, 10)
	since := wrong.Add(minute)
	raised := entry(1, wrong.Add(2*minute), journal.AlarmRaised)
	raised.Since = &since
	require.NoError(t, s.Record(t.Context(), []*journal.Entry{raised, {Seq: 9, Run: "run-0", At: wrong.Add(-hour), Kind: journal.RunStarted}}, nil, State{}))
	require.NoError(t, s.Commit(t.Context()))
	last := wrong.Add(500 * 10 * second)
	s.Append("run-1", water, last, 21, quantity.Pass, 0.01)
	s.Amend(water, wrong, quantity.Suspect)

	s.Restamp(Shift{Runs: []string{"run-1"}, By: 30 * 24 * hour, Mark: s.Stepped(), Seq: 9})
	require.NoError(t, s.Record(t.Context(), nil, nil, wholeState("state")))
	require.NoError(t, s.Commit(t.Context()))
	fill(s, "run-1", water, noon.Add(501*10*second), 10*second, 5)
	check := func(s *Store) {
		all := collect(t, s, water, instant.None, 0)
		require.Len(t, all, 516)
		assert.Equal(t, wrong.Add(-hour), all[0].At, "another run stays where it was")
		for i, sample := range all[10:] {
			assert.Equal(t, noon.Add(time.Duration(i)*10*second), sample.At)
		}
		assert.Equal(t, quantity.Suspect, all[10].Flag, "a flag that was on its way")
		assert.Equal(t, noon, collect(t, s, air, instant.None, 0)[0].At)
		entries, err := s.Journal(t.Context(), Filter{})
		require.NoError(t, err)
		require.Len(t, entries, 2)
		assert.Equal(t, wrong.Add(-hour), entries[0].At)
		assert.Equal(t, noon.Add(2*minute), entries[1].At)
		assert.Equal(t, noon.Add(minute), *entries[1].Since)
		found, err := s.Journal(t.Context(), Filter{From: noon, To: noon.Add(hour)})
		require.NoError(t, err)
		assert.Len(t, found, 1)
	}
	check(s)
	check(again(t, s))
	assert.Equal(t, since, *raised.Since, "the caller's entry is not touched")
}

// An unconfirmed run steps twice, is killed, and its clock is confirmed in the next run after a third step: each reading and
// entry moves by the steps that came after it. A power cut before the correction is written leaves all as it was.
func TestRestampOverSeveralSteps(t *testing.T) {
	for _, cut := range []bool{false, true} {
		s := begin(t, tempPath(t))
		fill(s, "run-0", water, noon.Add(-hour), 10*second, 3)
		require.NoError(t, s.Commit(t.Context()))
		var shifts []Shift
		var seq uint64
		note := func(run string, at instant.Instant) {
			seq++
			e := entry(seq, at, journal.Note)
			e.Run = run
			require.NoError(t, s.Record(t.Context(), []*journal.Entry{e}, nil, State{}))
		}
		step := func(by time.Duration) {
			shifts = append(shifts, Shift{Runs: []string{"run-1", "run-2"}, By: by, Mark: s.Stepped(), Seq: seq})
		}
		begin1970 := instant.Instant(0)
		fill(s, "run-1", water, begin1970, 10*second, 6)
		note("run-1", begin1970)
		step(hour)
		fill(s, "run-1", water, begin1970.Add(hour+minute), 10*second, 6)
		note("run-1", begin1970.Add(hour+minute))
		require.NoError(t, s.Commit(t.Context()))
		s = again(t, s)
		fill(s, "run-2", water, begin1970.Add(hour+2*minute), 10*second, 6)
		note("run-2", begin1970.Add(hour+2*minute))
		step(-2 * hour)
		step(noon.Sub(begin1970) + hour)
		note("run-2", noon.Add(3*minute))
		s.Restamp(shifts...)
		if cut {
			abandon(s)
			s = begin(t, s.path)
		} else {
			require.NoError(t, s.Record(t.Context(), nil, nil, wholeState("state")))
		}
		fill(s, "run-2", water, noon.Add(3*minute), 10*second, 6)
		for range 2 {
			all := collect(t, s, water, instant.None, 0)
			entries, err := s.Journal(t.Context(), Filter{})
			require.NoError(t, err)
			require.Len(t, entries, 4)
			if cut {
				assert.Equal(t, begin1970, all[0].At)
				assert.Equal(t, begin1970, entries[3].At)
			} else {
				require.Len(t, all, 27)
				for i, sample := range all[3:] {
					assert.Equal(t, noon.Add(time.Duration(i)*10*second), sample.At)
				}
				for i, e := range entries {
					assert.Equal(t, noon.Add(time.Duration(3-i)*minute), e.At)
				}
			}
			require.NoError(t, s.Commit(t.Context()))
			s = again(t, s)
		}
	}
}

// A state that was recorded after the clock was set back is brought up to date with what came after that, not with what was
// read by the earlier clock at later times.
func TestReadingsSinceAStepBack(t *testing.T) {
	s := begin(t, tempPath(t))
	fill(s, "run-1", water, noon, 10*second, 300)
	s.Stepped()
	require.NoError(t, s.Record(t.Context(), []*journal.Entry{entry(1, noon.Add(10*minute), journal.ClockStepped)}, nil, wholeState("state")))
	since := func() int {
		_, _, reach, err := s.LoadCore()
		require.NoError(t, err)
		assert.Equal(t, noon.Add(10*minute), reach.At)
		count := 0
		for sample, err := range s.ReadingsSince(t.Context(), reach) {
			require.NoError(t, err)
			assert.Equal(t, noon.Add(10*minute+time.Duration(count)*10*second), sample.At)
			count++
		}
		return count
	}
	assert.Zero(t, since())
	fill(s, "run-1", water, noon.Add(10*minute), 10*second, 12)
	assert.Equal(t, 12, since())
	require.NoError(t, s.Commit(t.Context()))
	s = again(t, s)
	assert.Equal(t, 12, since())
}

func TestReadingsSinceIsInOrderOfTime(t *testing.T) {
	s := begin(t, tempPath(t))
	fill(s, "run-1", water, noon, 10*second, 800)
	fill(s, "run-1", air, noon.Add(3*second), 17*second, 400)
	require.NoError(t, s.Commit(t.Context()))
	fill(s, "run-1", air, noon.Add(7000*second), 17*second, 4)
	from := noon.Add(hour)
	var all []PointSample
	for sample, err := range s.ReadingsSince(t.Context(), Reach{At: from}) {
		require.NoError(t, err)
		all = append(all, sample)
	}
	assert.Len(t, all, len(collect(t, s, water, from, 0))+len(collect(t, s, air, from, 0)))
	assert.True(t, slices.IsSortedFunc(all, func(a, b PointSample) int { return cmp.Compare(a.At, b.At) }))
	for sample := range s.ReadingsSince(t.Context(), Reach{At: from}) {
		assert.Equal(t, all[0], sample)
		break // stopping early must leave nothing behind
	}
}

// Columns against the plain way: look at every reading.
func TestColumnsAreExact(t *testing.T) {
	percent(t, 30, func(t *rapid.T) {
		folder, err := os.MkdirTemp("", "history")
		require.NoError(t, err)
		defer os.RemoveAll(folder)
		s := quick(t, filepath.Join(folder, "history.db"), Options{})
		defer func() { abandon(s) }()
		at := noon
		for range rapid.IntRange(1, 4).Draw(t, "stretches") {
			every := rapid.SampledFrom([]time.Duration{10 * second, second, 5 * minute}).Draw(t, "every")
			for i := range rapid.IntRange(1, 1500).Draw(t, "count") {
				at = at.Add(every)
				v := valueAt(at)
				flag := quantity.Pass
				if i%37 == 5 {
					flag = flags[i%len(flags)]
				}
				if flag == quantity.Missing {
					v = math.NaN()
				}
				s.Append("run-1", water, at, v, flag, 0.01)
			}
			switch rapid.IntRange(0, 3).Draw(t, "then") {
			case 0:
				require.NoError(t, s.Commit(t.Context()))
			case 1:
				s.Stepped()
				at = at.Add(time.Duration(rapid.Int64Range(-int64(2*hour), int64(hour)).Draw(t, "step")))
			}
		}
		from := noon.Add(time.Duration(rapid.Int64Range(-int64(hour), int64(6*hour)).Draw(t, "from")))
		to := from.Add(time.Duration(rapid.Int64Range(1, int64(48*hour)).Draw(t, "length")))
		n := rapid.IntRange(1, 200).Draw(t, "columns")
		got, err := s.Columns(t.Context(), water, from, to, n)
		require.NoError(t, err)
		require.Len(t, got, n)
		require.Equal(t, from, got[0].From)
		require.Equal(t, to, got[n-1].To)
		samples := collect(t, s, water, from, to)
		seen := 0
		for i, c := range got {
			if i > 0 {
				require.Equal(t, got[i-1].To, c.From)
			}
			low, high, total, count, mask := math.Inf(1), math.Inf(-1), 0.0, 0, uint16(0)
			for _, r := range samples {
				if r.At < c.From || r.At >= c.To {
					continue
				}
				seen++
				mask |= 1 << r.Flag
				if r.Flag.Usable() && !math.IsNaN(r.Value) {
					low, high, total, count = min(low, r.Value), max(high, r.Value), total+r.Value, count+1
				}
			}
			require.Equal(t, count, c.Count, "column %d", i)
			require.Equal(t, worst(mask), c.Worst, "column %d", i)
			if count == 0 {
				require.True(t, math.IsNaN(c.Min) && math.IsNaN(c.Max) && math.IsNaN(c.Mean))
				continue
			}
			require.Equal(t, low, c.Min)
			require.Equal(t, high, c.Max)
			require.InDelta(t, total/float64(count), c.Mean, 1e-9)
		}
		require.Equal(t, len(samples), seen, "every reading is in one column")
	})
}

// A range between two milliseconds holds no reading.
func TestColumnsOfLessThanAMillisecond(t *testing.T) {
	s := begin(t, tempPath(t))
	fill(s, "run-1", water, noon, 10*second, 5)
	columns, err := s.Columns(t.Context(), water, noon-494, noon-485, 8)
	require.NoError(t, err)
	for _, c := range columns {
		assert.Zero(t, c.Count)
	}
}

func TestColumnsRefuseNonsense(t *testing.T) {
	s := begin(t, tempPath(t))
	for _, c := range []struct {
		from, to instant.Instant
		n        int
	}{{noon, noon, 1}, {noon, noon - 1, 1}, {noon, noon + 1, 0}, {noon, noon + 1, MaxColumns + 1}, {instant.None, noon, 1}, {noon, instant.None, 1}} {
		_, err := s.Columns(t.Context(), water, c.from, c.to, c.n)
		assert.Error(t, err, "%v", c)
	}
}

package replay_test

import (
	"context"
	"errors"
	"iter"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/assemble"
	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/replay"
	"dewline/internal/source/recorded"
	"dewline/internal/store"
)

// The parts of a point have no gap between them, cover the range, add up to its ledger, and are of one local day and one stage
// each. The JSON is the same with and without them.
func TestPartsAddUp(t *testing.T) {
	site := loftSite(t)
	site.Profiles = map[string]*care.Profile{}
	site.Cohorts = []watch.Cohort{{ID: "a-2026", Place: "tub-1", Stages: []care.Since{
		{Stage: care.Larva, At: began.Add(-2 * time.Minute)}, {Stage: care.Metamorph, At: began.Add(70 * time.Second)},
	}}}
	rapid.Check(t, func(t *rapid.T) {
		file := read(t, interleave(t, drawTracks(t)))
		from, _, to := drawRange(t, file, time.Nanosecond)
		if rapid.Bool().Draw(t, "long before") {
			from = from.Add(-50 * time.Hour)
		}
		plain, err := replay.Run(site, file, replay.Options{From: from, To: to})
		require.NoError(t, err)
		result, err := replay.Run(site, file, replay.Options{From: from, To: to, Parts: true})
		require.NoError(t, err)
		require.Equal(t, asJSON(t, plain), asJSON(t, result))
		for _, p := range result.Points {
			sum, at := watch.Ledger{From: from, To: from}, from
			for i := range p.Parts {
				l := &p.Parts[i]
				require.Equal(t, at, l.From)
				require.True(t, l.From < l.To || from == to)
				require.LessOrEqual(t, l.To, instant.Of(care.NextMidnight(l.From.Time(), site.Location)))
				if p.Point.Place == "tub-1" {
					require.Equal(t, care.StageAt(site.Cohorts[0].Stages, l.From.Time()).String(), l.Stage)
					require.Equal(t, care.StageAt(site.Cohorts[0].Stages, l.To.Add(-1).Time()).String(), l.Stage)
				}
				sum.Add(l)
				at = l.To
			}
			require.Equal(t, to, at)
			require.Equal(t, p.Ledger, sum)
		}
	})
}

// What a replay of the history shows is what is known now: each stretch at the stage that is on record for it, whenever that was written.
// It is computed here a second time, second by second, from the last word on each. Where nothing was written late, it is also what the
// core made of it live.
func TestWithJournalIsWhatIsKnownNow(t *testing.T) {
	site := assemble.Site(load(t, loft))
	site.Points = []watch.Point{{Point: quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}}}
	limits := func(high float64) map[quantity.Quantity]care.DayNight {
		b := care.NoBand()
		b.Limits[care.High] = high
		return map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: {Day: b, Night: b}}
	}
	high := map[care.Stage]float64{care.Larva: 24, care.Metamorph: 23, care.Juvenile: 25}
	profile := &care.Profile{Care: map[care.Stage]care.Care{}}
	for stage, limit := range high {
		profile.Care[stage] = care.Care{Bands: limits(limit)}
	}
	site.Profiles = map[string]*care.Profile{"forest": profile}
	for i := range site.Places {
		site.Places[i].Bands = nil
	}
	site.Cohorts = []watch.Cohort{{ID: "a-2026", Profile: "forest", Place: "tub-1", Stages: []care.Since{
		{Stage: care.Larva, At: began.Add(-2 * time.Hour)}, {Stage: care.Metamorph, At: began.Add(20 * time.Minute)},
	}}}
	site.Intervals = nil
	rapid.Check(t, func(t *rapid.T) {
		file := &recorded.File{Points: []quantity.Point{site.Points[0].Point}}
		core := watch.New(site, "live")
		start := instant.Of(began)
		var live []watch.Ledger
		var entries []*journal.Entry
		late := false
		take := func(effects []watch.Effect) {
			for _, e := range effects {
				switch e.Kind {
				case watch.LedgerClosed:
					live = append(live, *e.Ledger)
				case watch.Record:
					entries = append(entries, e.Entry)
				}
			}
		}
		take(core.Step(watch.Event{Kind: watch.StartEvent, At: start}, nil))
		at := start
		for range rapid.IntRange(1, 60).Draw(t, "events") {
			at = at.Add(time.Duration(rapid.IntRange(1, 50).Draw(t, "s")) * time.Second)
			// A reading at the moment of a change too: the core passes a boundary only with the reading after it, and applies a
			// command given between the two as if it had been given at the boundary.
			value := rapid.Float64Range(22, 26).Draw(t, "value")
			file.Rows = append(file.Rows, recorded.Row{At: at, Value: value, Flag: quantity.Pass})
			take(core.Step(watch.Event{Kind: watch.ReadingEvent, At: at, Value: value, Flag: quantity.Pass}, nil))
			if rapid.IntRange(0, 5).Draw(t, "what") == 0 {
				cmd := watch.Command{Verb: watch.SetStage, Cohort: "a-2026"}
				cmd.Stage = rapid.SampledFrom([]string{"larva", "metamorph", "juvenile"}).Draw(t, "stage")
				if rapid.Bool().Draw(t, "late") {
					cmd.At, late = at.Add(-time.Duration(rapid.IntRange(1, 90*60).Draw(t, "ago"))*time.Second), true
				}
				take(core.Step(watch.Event{Kind: watch.CommandEvent, At: at, Command: &cmd}, nil))
			}
		}
		take(core.Finish(at, nil))

		result, err := replay.Run(replay.WithJournal(site, entries), file, replay.Options{Parts: true})
		require.NoError(t, err)
		got := byStage(result.Points[0].Parts)
		if !late { // the live core has waited for the first reading, with which the replay begins
			for stage, zones := range byStage(live) {
				zones[watch.UnknownZone] = 0
				if zones != [watch.ZoneCount]time.Duration{} {
					require.Equal(t, zones, got[stage], stage)
				}
			}
		}
		stageAt := func(x instant.Instant) (last care.Stage) {
			since := instant.None
			for _, s := range site.Cohorts[0].Stages {
				if when := instant.Of(s.At); when <= x {
					last, since = s.Stage, when
				}
			}
			for _, e := range entries {
				if stage, err := care.Parse(e.Stage); err == nil && e.Kind == journal.CohortStage && *e.Since <= x && *e.Since >= since {
					last, since = stage, *e.Since
				}
			}
			return last
		}
		above, elapsed := map[string]float64{}, map[string]float64{}
		for i := 1; i < len(file.Rows); i++ {
			a, b := file.Rows[i-1], file.Rows[i]
			seconds := b.At.Sub(a.At).Seconds()
			for k := range int(seconds) {
				stage := stageAt(a.At.Add(time.Duration(k) * time.Second))
				v0 := a.Value + (b.Value-a.Value)*float64(k)/seconds
				v1 := a.Value + (b.Value-a.Value)*float64(k+1)/seconds
				low, top, limit := min(v0, v1), max(v0, v1), high[stage]
				elapsed[stage.String()]++
				switch {
				case top <= limit: // a value on a limit is within it
				case low >= limit:
					above[stage.String()]++
				default:
					above[stage.String()] += (top - limit) / (top - low)
				}
			}
		}
		for stage, seconds := range elapsed {
			zones := got[stage]
			require.InDelta(t, seconds, (zones[watch.InBand] + zones[watch.HighZone]).Seconds(), 1e-6, stage)
			require.InDelta(t, above[stage], zones[watch.HighZone].Seconds(), 1e-6, stage)
		}
	})
}

func byStage(parts []watch.Ledger) map[string][watch.ZoneCount]time.Duration {
	sums := map[string][watch.ZoneCount]time.Duration{}
	for _, l := range parts {
		if l.Elapsed() == 0 {
			continue
		}
		sum := sums[l.Stage]
		for z := range sum {
			sum[z] += l.InZone[z]
		}
		sums[l.Stage] = sum
	}
	return sums
}

func TestWithJournalLeavesTheSiteAlone(t *testing.T) {
	site := watch.Site{Cohorts: []watch.Cohort{{ID: "a-2026", Stages: []care.Since{{Stage: care.Larva, At: began}}}}}
	late := instant.Of(began.Add(time.Hour))
	moved := replay.WithJournal(site, []*journal.Entry{
		{Seq: 1, Kind: journal.StageSet, Cohort: "a-2026", Stage: "metamorph", At: late.Add(time.Hour), Since: &late},
		{Seq: 2, Kind: journal.StageSet, Cohort: "b-2026", Stage: "adult", At: late},
		{Seq: 3, Kind: journal.StageSet, Cohort: "a-2026", Stage: "pupa", At: late},
		{Seq: 4, Kind: journal.Note, Cohort: "a-2026", Stage: "egg", At: late},
	})
	assert.Nil(t, site.Intervals)
	require.Len(t, moved.Intervals, 2, "b-2026 never began")
	assert.Equal(t, care.Metamorph, moved.Intervals[1].Stage)
	assert.Equal(t, late, moved.Intervals[1].From, "set at two hours for one hour: it counts from one hour on")
}

// A replay from the store is the replay of the file whose readings went into it, whatever their flags.
func TestFromHistoryIsTheFile(t *testing.T) {
	site := loftSite(t)
	files := rapid.Custom(func(t *rapid.T) *recorded.File { return read(t, interleave(t, drawTracks(t))) })
	for seed := range 10 {
		file := files.Example(seed)
		db, err := store.Open(filepath.Join(t.TempDir(), "history.db"), store.Options{})
		require.NoError(t, err)
		defer db.Close(t.Context())
		for i := range file.Rows {
			row := &file.Rows[i]
			row.At = instant.Of(row.At.Time().Truncate(time.Millisecond)) // what the store keeps
			db.Append("live", file.Points[row.Point], row.At, row.Value, row.Flag, 0)
		}
		dew := quantity.Point{Place: "vivarium-1", Quantity: quantity.DewPoint}
		db.Append("live", dew, file.Rows[0].At, 99, quantity.Pass, 0) // replay derives it again and ignores the stored value
		back, err := replay.FromHistory(t.Context(), db, nil, instant.None, instant.None)
		require.NoError(t, err)
		require.EqualValues(t, len(file.Rows), back.Count)
		want, err := replay.Run(site, file, replay.Options{})
		require.NoError(t, err)
		got, err := replay.Run(site, back, replay.Options{})
		require.NoError(t, err)
		require.Equal(t, asJSON(t, want), asJSON(t, got))

		from, to := file.Rows[0].At, file.Rows[len(file.Rows)/2].At
		part, err := replay.FromHistory(t.Context(), db, nil, from, to)
		require.NoError(t, err)
		last := instant.None
		for row, err := range part.Rows() {
			require.NoError(t, err)
			last = row.At
		}
		require.Equal(t, to, last, "the end is in the range")
	}
}

type broken struct{}

func (broken) ReadingsBetween(context.Context, instant.Instant, instant.Instant, func(quantity.Point) bool) iter.Seq2[store.PointSample, error] {
	return func(yield func(store.PointSample, error) bool) {
		yield(store.PointSample{}, errors.New("the disk failed"))
	}
}

func TestFromHistoryNamesWhatFailed(t *testing.T) {
	_, err := replay.FromHistory(t.Context(), broken{}, nil, instant.None, instant.None)
	require.EqualError(t, err, "taking readings out of the history: the disk failed")
}

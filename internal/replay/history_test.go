package replay_test

import (
	"context"
	"errors"
	"iter"
	"math"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

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
		from, _, to := drawRange(t, file)
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

// Stages set while the core runs give the same ledgers as the timeline made from the journal afterwards, also if they were set
// late, ahead of time or twice.
func TestWithJournalIsWhatTheCoreDid(t *testing.T) {
	site := load(t, loft).WatchSite()
	site.Points = []watch.Point{{Point: quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}}}
	limits := func(high float64) map[quantity.Quantity]care.DayNight {
		b := care.NoBand()
		b.Limits[care.High] = high
		return map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: {Day: b, Night: b}}
	}
	site.Profiles = map[string]*care.Profile{"forest": {Care: map[care.Stage]care.Care{
		care.Larva: {Bands: limits(24)}, care.Metamorph: {Bands: limits(23)}, care.Juvenile: {Bands: limits(25)},
	}}}
	for i := range site.Places {
		site.Places[i].Bands = nil
	}
	site.Cohorts = []watch.Cohort{{ID: "a-2026", Profile: "forest", Place: "tub-1", Stages: []care.Since{
		{Stage: care.Larva, At: began.Add(-time.Hour)}, {Stage: care.Metamorph, At: began.Add(20 * time.Minute)},
	}}}
	rapid.Check(t, func(t *rapid.T) {
		file := &recorded.File{Points: []quantity.Point{site.Points[0].Point}}
		core := watch.New(site, "live")
		start := instant.Of(began)
		var live []watch.Ledger
		var entries []*journal.Entry
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
			at = at.Add(time.Duration(rapid.IntRange(0, 50).Draw(t, "s")) * time.Second)
			// A reading at the moment of a change too: the core passes a boundary only with the reading after it, and applies a
			// command given between the two as if it had been given at the boundary.
			value := rapid.Float64Range(22, 26).Draw(t, "value")
			file.Rows = append(file.Rows, recorded.Row{At: at, Value: value, Flag: quantity.Pass})
			take(core.Step(watch.Event{Kind: watch.ReadingEvent, At: at, Value: value, Flag: quantity.Pass}, nil))
			if rapid.IntRange(0, 5).Draw(t, "what") == 0 {
				cmd := watch.Command{Verb: watch.SetStage, Cohort: "a-2026"}
				cmd.Stage = rapid.SampledFrom([]string{"larva", "metamorph", "juvenile"}).Draw(t, "stage")
				if rapid.Bool().Draw(t, "set") {
					cmd.At = at.Add(time.Duration(rapid.IntRange(-90, 30).Draw(t, "min")) * time.Minute)
				}
				take(core.Step(watch.Event{Kind: watch.CommandEvent, At: at, Command: &cmd}, nil))
			}
		}
		file.Rows = append([]recorded.Row{{At: start, Value: math.NaN(), Flag: quantity.Missing}}, file.Rows...)
		file.Rows = append(file.Rows, recorded.Row{At: at, Value: math.NaN(), Flag: quantity.Missing})
		take(core.Finish(at, nil))

		result, err := replay.Run(replay.WithJournal(site, entries), file, replay.Options{Parts: true})
		require.NoError(t, err)
		require.Equal(t, byStage(live), byStage(result.Points[0].Parts))
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
		{Kind: journal.StageSet, Cohort: "a-2026", Stage: "metamorph", At: late.Add(time.Hour), Since: &late},
		{Kind: journal.StageSet, Cohort: "b-2026", Stage: "adult", At: late},
		{Kind: journal.StageSet, Cohort: "a-2026", Stage: "pupa", At: late},
		{Kind: journal.Note, Cohort: "a-2026", Stage: "egg", At: late},
	})
	assert.Equal(t, []care.Since{{Stage: care.Larva, At: began}}, site.Cohorts[0].Stages)
	assert.Equal(t, []care.Since{
		{Stage: care.Larva, At: began}, {Stage: care.Metamorph, At: began.Add(2 * time.Hour)},
	}, moved.Cohorts[0].Stages, "set at two hours for one hour: in force from two hours on")
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
		back, err := replay.FromHistory(t.Context(), db, instant.None, instant.None)
		require.NoError(t, err)
		require.EqualValues(t, len(file.Rows), back.Count)
		want, err := replay.Run(site, file, replay.Options{})
		require.NoError(t, err)
		got, err := replay.Run(site, back, replay.Options{})
		require.NoError(t, err)
		require.Equal(t, asJSON(t, want), asJSON(t, got))

		from, to := file.Rows[0].At, file.Rows[len(file.Rows)/2].At
		part, err := replay.FromHistory(t.Context(), db, from, to)
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

func (broken) ReadingsBetween(context.Context, instant.Instant, instant.Instant) iter.Seq2[store.PointSample, error] {
	return func(yield func(store.PointSample, error) bool) {
		yield(store.PointSample{}, errors.New("the disk failed"))
	}
}

func TestFromHistoryNamesWhatFailed(t *testing.T) {
	_, err := replay.FromHistory(t.Context(), broken{}, instant.None, instant.None)
	require.EqualError(t, err, "taking readings out of the history: the disk failed")
}

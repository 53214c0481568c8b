package cohort_test

import (
	"fmt"
	"math/rand"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
)

// day returns the beginning of a day of the invented season.
func day(n int) instant.Instant {
	return instant.Of(time.Date(2026, 9, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, n))
}

// tale is what a keeper of the North Loft has written, in the order of writing.
type tale struct{ entries []cohort.Entry }

// add adds an entry and returns its ID.
func (t *tale) add(e cohort.Entry) string {
	e.Seq = uint64(len(t.entries) + 1)
	e.ID = fmt.Sprintf("run-%d", e.Seq)
	if e.Kind != journal.CohortCounted && e.Count == 0 {
		e.Count = cohort.NotCounted
	}
	t.entries = append(t.entries, e)
	return e.ID
}

func (t *tale) began(place string, stage care.Stage, count int, since instant.Instant) string {
	return t.add(cohort.Entry{Kind: journal.CohortBegan, Cohort: "b-2026", Profile: "forest", Place: place, Stage: stage, Count: count, Since: since})
}

func (t *tale) stage(stage care.Stage, since instant.Instant, corrects string) string {
	return t.add(cohort.Entry{Kind: journal.CohortStage, Cohort: "b-2026", Stage: stage, Since: since, Corrects: corrects})
}

func (t *tale) moved(place string, since instant.Instant, corrects string) string {
	return t.add(cohort.Entry{Kind: journal.CohortMoved, Cohort: "b-2026", Place: place, Since: since, Corrects: corrects})
}

func (t *tale) counted(count int, since instant.Instant) string {
	return t.add(cohort.Entry{Kind: journal.CohortCounted, Cohort: "b-2026", Count: count, Why: "died", Since: since})
}

// lines writes intervals shortly.
func lines(intervals []cohort.Interval) (text []string) {
	for _, i := range intervals {
		to := "…"
		if i.To != cohort.Open {
			to = i.To.Time().Format("2 Jan")
		}
		text = append(text, fmt.Sprintf("%s %s–%s %s %s %d", i.Cohort, i.From.Time().Format("2 Jan"), to, i.Place, i.Stage, i.Count))
	}
	return text
}

func TestALifeOnRecord(t *testing.T) {
	var k tale
	k.began("tub-1", care.Egg, 120, day(0))
	k.stage(care.Larva, day(5), "")
	k.counted(104, day(9))
	k.moved("tub-2", day(20), "")
	k.moved("vivarium-1", day(60), "")
	k.stage(care.Metamorph, day(58), "") // written down late
	k.counted(0, day(90))
	assert.Equal(t, []string{
		"b-2026 1 Sep–6 Sep tub-1 egg 120",
		"b-2026 6 Sep–10 Sep tub-1 larva 120",
		"b-2026 10 Sep–21 Sep tub-1 larva 104",
		"b-2026 21 Sep–29 Oct tub-2 larva 104",
		"b-2026 29 Oct–31 Oct tub-2 metamorph 104",
		"b-2026 31 Oct–30 Nov vivarium-1 metamorph 104",
	}, lines(cohort.Fold(nil, k.entries)))
}

// A correction takes the place of an entry with its date and all, and can be corrected itself; a note withdraws.
func TestCorrections(t *testing.T) {
	var k tale
	k.began("tub-1", care.Larva, 50, day(0))
	wrong := k.moved("vivarium-1", day(10), "")
	better := k.moved("tub-2", day(12), wrong)
	k.moved("tub-3", day(14), better)
	assert.Equal(t, []string{"b-2026 1 Sep–15 Sep tub-1 larva 50", "b-2026 15 Sep–… tub-3 larva 50"}, lines(cohort.Fold(nil, k.entries)))
	k.add(cohort.Entry{Kind: journal.Note, Since: day(20), Corrects: "run-4"})
	assert.Equal(t, []string{"b-2026 1 Sep–… tub-1 larva 50"}, lines(cohort.Fold(nil, k.entries)))

	another := k.add(cohort.Entry{Kind: journal.CohortBegan, Cohort: "c-2026", Place: "tub-9", Stage: care.Egg, Since: day(1)})
	k.moved("tub-4", day(16), another)
	k.moved("tub-5", day(17), "run-99")
	assert.Equal(t, []string{
		"b-2026 1 Sep–17 Sep tub-1 larva 50", "b-2026 17 Sep–18 Sep tub-4 larva 50", "b-2026 18 Sep–… tub-5 larva 50", "c-2026 2 Sep–… tub-9 egg -1",
	}, lines(cohort.Fold(nil, k.entries)), "what corrects the entry of another cohort, or one that is not there, corrects nothing")
}

// A cohort of the configuration begins what the journal has not seen, and its stages go on holding.
func TestSeeds(t *testing.T) {
	seeds := []cohort.Seed{{ID: "b-2026", Profile: "forest", Place: "tub-1", Stages: []care.Since{
		{Stage: care.Larva, At: day(10).Time()}, {Stage: care.Metamorph, At: day(50).Time()},
	}}}
	assert.Equal(t, []string{"b-2026 11 Sep–21 Oct tub-1 larva -1", "b-2026 21 Oct–… tub-1 metamorph -1"}, lines(cohort.Fold(seeds, nil)))

	var k tale
	k.add(cohort.Entry{Kind: journal.CohortStage, Cohort: "b-2026", Stage: care.Egg, Since: day(3)})
	k.moved("tub-2", day(30), "")
	assert.Equal(t, []string{
		"b-2026 4 Sep–11 Sep tub-1 egg -1", "b-2026 11 Sep–1 Oct tub-1 larva -1", "b-2026 1 Oct–21 Oct tub-2 larva -1", "b-2026 21 Oct–… tub-2 metamorph -1",
	}, lines(cohort.Fold(seeds, k.entries)), "an earlier stage on record lets it begin earlier")
	k.stage(care.Larva, day(55), "config/b-2026/2026-10-21T00:00:00Z")
	assert.Equal(t, []string{
		"b-2026 4 Sep–11 Sep tub-1 egg -1", "b-2026 11 Sep–1 Oct tub-1 larva -1", "b-2026 1 Oct–… tub-2 larva -1",
	}, lines(cohort.Fold(seeds, k.entries)), "what the configuration says can be corrected too")

	seeds[0].Place = "vivarium-1" // the configuration was edited after the place had been recorded
	k.add(cohort.Entry{Kind: journal.CohortBegan, Cohort: "b-2026", Profile: "forest", Place: "tub-1", Stage: care.Larva, Since: day(10), Seeded: true})
	k.add(cohort.Entry{Kind: journal.CohortMoved, Cohort: "b-2026", Place: "vivarium-1", Since: day(70), Seeded: true})
	assert.Equal(t, []string{
		"b-2026 4 Sep–11 Sep tub-1 egg -1", "b-2026 11 Sep–1 Oct tub-1 larva -1", "b-2026 1 Oct–10 Nov tub-2 larva -1", "b-2026 10 Nov–… vivarium-1 larva -1",
	}, lines(cohort.Fold(seeds, k.entries)))

	k.began("tub-7", care.Egg, 90, day(1))
	k.entries = k.entries[len(k.entries)-1:]
	assert.Equal(t, []string{"b-2026 2 Sep–… tub-7 egg 90"}, lines(cohort.Fold(seeds, k.entries)), "where a person has written its beginning down, the configuration has no say")
}

// A stage.set of an older history is a stage like any other; words that this program does not know say nothing.
func TestOlderHistories(t *testing.T) {
	since := day(12)
	read, ok := cohort.Of(&journal.Entry{Seq: 7, Run: "run", At: day(15), Since: &since, Kind: journal.StageSet, Cohort: "b-2026", Stage: "metamorph", Place: "tub-1"})
	require.True(t, ok)
	assert.Equal(t, journal.CohortStage, read.Kind)
	assert.Equal(t, day(12), read.Since)
	_, ok = cohort.Of(&journal.Entry{Kind: journal.StageSet, Cohort: "b-2026", Stage: "pupa"})
	assert.False(t, ok)
	_, ok = cohort.Of(&journal.Entry{Kind: journal.AlarmRaised, Place: "tub-1"})
	assert.False(t, ok)
}

// An entry survives its way through the journal.
func TestEncoding(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := drawTale(t)
		for _, e := range k.entries {
			j := journal.Entry{Seq: e.Seq, Run: "run", At: e.At, Kind: e.Kind}
			e.Run = "run"
			e.WriteTo(&j)
			read, ok := cohort.Of(&j)
			require.True(t, ok)
			require.Equal(t, e, read)
		}
	})
}

var drawnStages = rapid.SampledFrom(care.All())

// drawTale draws what may be on record of two cohorts, in any order of writing and with any corrections.
func drawTale(t *rapid.T) *tale {
	k := &tale{}
	for range rapid.IntRange(0, 25).Draw(t, "entries") {
		e := cohort.Entry{
			Cohort: rapid.SampledFrom([]string{"b-2026", "c-2026"}).Draw(t, "cohort"), Since: day(rapid.IntRange(0, 30).Draw(t, "day")),
			Count: cohort.NotCounted, At: day(40 + len(k.entries)),
		}
		switch rapid.IntRange(0, 9).Draw(t, "kind") {
		case 0, 1:
			e.Kind, e.Profile, e.Place = journal.CohortBegan, "forest", drawPlace(t)
			e.Stage, e.Count = drawnStages.Draw(t, "stage"), rapid.IntRange(1, 99).Draw(t, "count")
		case 2, 3, 4:
			e.Kind, e.Stage, e.Gosner = journal.CohortStage, drawnStages.Draw(t, "stage"), rapid.IntRange(0, 46).Draw(t, "gosner")
		case 5, 6:
			e.Kind, e.Place = journal.CohortMoved, drawPlace(t)
		case 7, 8:
			e.Kind, e.Count = journal.CohortCounted, rapid.IntRange(0, 9).Draw(t, "count")*10
		default:
			e.Kind, e.Cohort = journal.Note, ""
		}
		if len(k.entries) > 0 && rapid.IntRange(0, 2).Draw(t, "corrects") == 0 {
			e.Corrects = k.entries[rapid.IntRange(0, len(k.entries)-1).Draw(t, "which")].ID
		}
		k.add(e)
	}
	return k
}

func drawPlace(t *rapid.T) string {
	return rapid.SampledFrom([]string{"tub-1", "tub-2", "vivarium-1"}).Draw(t, "place")
}

// drawSeeds draws cohorts of a configuration, of which the journal may know others.
func drawSeeds(t *rapid.T) (seeds []cohort.Seed) {
	for _, id := range []string{"a-2026", "b-2026"} {
		if days := rapid.SliceOfNDistinct(rapid.IntRange(0, 30), 0, 3, rapid.ID).Draw(t, "days of "+id); len(days) > 0 {
			slices.Sort(days)
			seed := cohort.Seed{ID: id, Profile: "forest", Place: drawPlace(t)}
			for _, d := range days {
				seed.Stages = append(seed.Stages, care.Since{Stage: drawnStages.Draw(t, "stage"), At: day(d).Time()})
			}
			seeds = append(seeds, seed)
		}
	}
	return seeds
}

// The order in which entries arrive makes no difference.
func TestOrderOfArrivalMakesNoDifference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seeds, k := drawSeeds(t), drawTale(t)
		want := cohort.Fold(seeds, k.entries)
		shuffled := slices.Clone(k.entries)
		rand.New(rand.NewSource(rapid.Int64().Draw(t, "shuffle"))).Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		require.Equal(t, want, cohort.Fold(seeds, shuffled))
	})
}

// The intervals of a cohort follow one another without a hole or an overlap, differ, and hold a living cohort.
func TestIntervalsHaveNoHoles(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var before cohort.Interval
		seen := map[string]bool{}
		for _, i := range cohort.Fold(drawSeeds(t), drawTale(t).entries) {
			require.Less(t, i.From, i.To)
			require.NotZero(t, i.Count)
			require.GreaterOrEqual(t, i.Count, cohort.NotCounted)
			require.NotEqual(t, care.NoStage, i.Stage)
			if i.Cohort == before.Cohort {
				require.Equal(t, before.To, i.From)
			} else {
				require.False(t, seen[i.Cohort], "the intervals of a cohort come together")
			}
			seen[i.Cohort], before = true, i
		}
	})
}

// What an interval says of a moment is what the last word in force on each matter says: computed here without any intervals.
func TestIntervalsAreTheLastWord(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := drawTale(t)
		intervals := cohort.Fold(nil, k.entries)
		corrected := map[string]bool{}
		for _, e := range k.entries {
			for _, o := range k.entries {
				if o.ID == e.Corrects && e.CanCorrect(&o) {
					corrected[o.ID] = true
				}
			}
		}
		last := func(of string, kind journal.Kind, from, to instant.Instant) (found *cohort.Entry) {
			for i := range k.entries {
				e := &k.entries[i]
				if e.Cohort == of && e.Kind == kind && !corrected[e.ID] && e.Since >= from && e.Since <= to && (found == nil || e.Since >= found.Since) {
					found = e
				}
			}
			return found
		}
		for _, of := range []string{"b-2026", "c-2026"} {
			var began *cohort.Entry
			for i := range k.entries {
				if e := &k.entries[i]; e.Cohort == of && e.Kind == journal.CohortBegan && !corrected[e.ID] && (began == nil || e.Since < began.Since) {
					began = e
				}
			}
			alive := began != nil
			for d := range 35 {
				at := day(d)
				got := cohort.At(intervals, of, at)
				if !alive || at < began.Since {
					require.Nil(t, got)
					continue
				}
				stage, place, count := began, began, began
				if e := last(of, journal.CohortStage, began.Since, at); e != nil {
					stage = e
				}
				if e := last(of, journal.CohortMoved, began.Since, at); e != nil {
					place = e
				}
				if e := last(of, journal.CohortCounted, began.Since, at); e != nil {
					count = e
				}
				if count.Count == 0 { // the days are gone through in order: it stays ended
					alive = false
					require.Nil(t, got)
					continue
				}
				require.NotNil(t, got)
				require.Equal(t, []any{stage.Stage, stage.Gosner, place.Place, count.Count}, []any{got.Stage, got.Gosner, got.Place, got.Count}, "%s on day %d", of, d)
			}
		}
	})
}

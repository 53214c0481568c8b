package watch_test

import (
	"bytes"
	"encoding/gob"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// twoTubs is a site with two tubs. Tadpoles of a-2026 and b-2026 live in the first, the second is empty. Metamorphs bear less heat.
func twoTubs() watch.Site {
	short := delays(30*time.Second, 30*time.Second, 0.1)
	needs := func(low, high float64) care.Care {
		return care.Care{Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: band(none, low, high, none, short)}}
	}
	stages := []care.Since{{Stage: care.Larva, At: at(-86400).Time()}}
	return watch.Site{
		ID:     "north-loft",
		Places: []watch.Place{{ID: "tub-1"}, {ID: "tub-2"}},
		Points: []watch.Point{{Point: water}, {Point: quantity.Point{Place: "tub-2", Quantity: quantity.WaterTemperature}}},
		Cohorts: []watch.Cohort{
			{ID: "a-2026", Profile: "forest", Place: "tub-1", Stages: stages}, {ID: "b-2026", Profile: "forest", Place: "tub-1", Stages: stages},
		},
		Profiles: map[string]*care.Profile{
			"forest": {Care: map[care.Stage]care.Care{care.Larva: needs(21, 25), care.Metamorph: needs(20, 23)}},
			"stream": {Care: map[care.Stage]care.Care{care.Larva: needs(10, 18)}},
		},
	}
}

func (p *player) limits(point int32) (low, high float64, owners [2]string) {
	s := p.core.State(point)
	return s.Band.Limits[care.Low], s.Band.Limits[care.High], [2]string{s.Owners[care.Low], s.Owners[care.High]}
}

// The stage of a second cohort in a place tightens the limits that are in force, raises the alarm that follows from it, and is shown.
func TestStageOfASecondCohortCounts(t *testing.T) {
	p := play(t, twoTubs())
	p.run(120, 24, none)
	low, high, owners := p.limits(0)
	assert.Equal(t, []float64{21, 25}, []float64{low, high})
	assert.Equal(t, [2]string{"a-2026 (larva)", "a-2026 (larva)"}, owners)

	got := p.command(watch.Command{Verb: watch.SetStage, Cohort: "b-2026", Stage: "metamorph", Gosner: 42})
	require.Len(t, got, 1)
	assert.Equal(t, 42, got[0].Entry.Gosner)
	p.run(120, 24, none)
	low, high, owners = p.limits(0)
	assert.Equal(t, []float64{21, 23}, []float64{low, high}, "each limit is the tightest of all")
	assert.Equal(t, [2]string{"a-2026 (larva)", "b-2026 (metamorph)"}, owners)
	assert.Equal(t, []string{tubHigh}, p.notified())
	assert.Equal(t, []watch.Resident{{Cohort: "a-2026", Stage: care.Larva}, {Cohort: "b-2026", Stage: care.Metamorph}}, p.core.State(0).Residents)
}

// A move takes the limits along. The excursion that is open then ends for those who leave, and what follows is one of those who stay.
func TestMoveClosesTheExcursion(t *testing.T) {
	p := play(t, twoTubs())
	p.run(60, 22, 22)
	p.run(60, 26, 22)
	moved := p.now
	got := p.command(watch.Command{Verb: watch.MoveCohort, Cohort: "b-2026", Place: "tub-2"})
	require.Len(t, got, 1)
	assert.Equal(t, journal.CohortMoved, got[0].Entry.Kind)
	p.run(60, 26, 22)
	p.run(60, 22, 27)
	var stays []watch.Excursion
	for _, e := range append(p.effects, p.core.Finish(at(p.now), nil)...) {
		if e.Kind == watch.ExcursionEnded {
			stays = append(stays, *e.Excursion)
		}
	}
	require.Len(t, stays, 3)
	assert.Equal(t, []string{"a-2026", "b-2026"}, stays[0].Cohorts)
	assert.Equal(t, moved, seconds(stays[0].To))
	assert.Equal(t, []string{"a-2026"}, stays[1].Cohorts)
	assert.Equal(t, moved, seconds(stays[1].From))
	assert.Equal(t, []string{"b-2026"}, stays[2].Cohorts, "in the tub that has no band while it is empty")
	assert.Equal(t, "b-2026", p.core.State(1).Cohort)
	_, _, owners := p.limits(1)
	assert.Equal(t, "b-2026 (larva)", owners[1])
}

// A back-dated entry changes who lives where from then on, and no alarm that was raised before.
func TestBackDatedEntriesLeaveAlarmsAlone(t *testing.T) {
	p := play(t, twoTubs())
	p.run(300, 26, 22)
	require.Equal(t, []string{tubHigh}, p.notified())
	raised, _ := p.core.Alarm(tubHigh)
	for _, id := range []string{"a-2026", "b-2026"} {
		require.Len(t, p.command(watch.Command{Verb: watch.MoveCohort, Cohort: id, Place: "tub-2", At: at(-3600)}), 1)
	}
	p.run(60, 26, 22)
	assert.Equal(t, []string{tubHigh}, p.notified())
	now, _ := p.core.Alarm(tubHigh)
	assert.Equal(t, raised.Raised, now.Raised)
	assert.Empty(t, p.core.Residents("tub-1", at(0)), "the record has them in the other tub at a time that had gone by")
	state := p.core.State(0)
	assert.True(t, state.Band.Empty())
}

// A command that cannot be true is refused in words; one that says what is on record changes nothing.
func TestRefusedAnimals(t *testing.T) {
	p := play(t, twoTubs())
	p.run(60, 22, 22)
	n := -3
	for text, cmd := range map[string]watch.Command{
		"lies in the future":                         {Verb: watch.MoveCohort, Cohort: "a-2026", Place: "tub-2", At: at(3600)},
		`there is no place "tub-9": there are tub-1`: {Verb: watch.MoveCohort, Cohort: "a-2026", Place: "tub-9"},
		"name the place":                             {Verb: watch.MoveCohort, Cohort: "a-2026"},
		"name the cohort":                            {Verb: watch.SetStage, Stage: "larva"},
		`there is no cohort "z" on record`:           {Verb: watch.SetStage, Cohort: "z", Stage: "larva"},
		`unknown stage "pupa"`:                       {Verb: watch.SetStage, Cohort: "a-2026", Stage: "pupa"},
		"from 1 to 46":                               {Verb: watch.SetStage, Cohort: "a-2026", Stage: "larva", Gosner: 47},
		`no care profile "bog": it has forest, stre`: {Verb: watch.BeginCohort, Cohort: "c", Place: "tub-1", Stage: "egg", Profile: "bog"},
		"a-2026 is on record since":                  {Verb: watch.BeginCohort, Cohort: "a-2026", Place: "tub-1", Stage: "egg", Profile: "forest"},
		"a count must say how many":                  {Verb: watch.CountCohort, Cohort: "a-2026"},
		"a count of -3 cannot be right":              {Verb: watch.CountCohort, Cohort: "a-2026", Count: &n},
		`not "eaten"`:                                {Verb: watch.EndCohort, Cohort: "a-2026", Why: "eaten"},
		"name the task":                              {Verb: watch.DoTask, Place: "tub-1"},
		"for which place or which cohort":            {Verb: watch.DoTask, Task: "feed"},
		"not both":                                   {Verb: watch.DoTask, Task: "feed", Place: "tub-1", Cohort: "a-2026"},
		`no cohort "z" lives`:                        {Verb: watch.DoTask, Task: "feed", Cohort: "z"},
		`there is no entry "x"`:                      {Verb: watch.WriteNote, Text: "oh", Corrects: "x"},
		"7 Jul 2026 12:00 lies in the future":        {Verb: watch.RecordMist, Place: "tub-1", At: at(86400)},
	} {
		got := p.command(cmd)
		require.Len(t, got, 1, text)
		assert.Equal(t, watch.Refused, got[0].Kind, text)
		assert.Contains(t, got[0].Entry.Reason, text)
	}
	move := watch.Command{Verb: watch.MoveCohort, Cohort: "a-2026", Place: "tub-2", At: at(30)}
	require.Len(t, p.command(move), 1)
	assert.Empty(t, p.command(move), "sent twice")
}

// What is recorded can be corrected and withdrawn, also care and mistings.
func TestTheWayBack(t *testing.T) {
	p := play(t, twoTubs())
	p.run(60, 22, 22)
	moved := p.command(watch.Command{Verb: watch.MoveCohort, Cohort: "b-2026", Place: "tub-2"})[0].Entry
	assert.Equal(t, "tub-2", cohort.At(p.core.Animals(), "b-2026", at(p.now)).Place)
	p.run(60, 22, 22)
	back := p.command(watch.Command{Verb: watch.WriteNote, Text: "it was a-2026", Corrects: moved.ID()})[0].Entry
	assert.Equal(t, moved.ID(), back.Corrects)
	assert.Equal(t, "tub-1", cohort.At(p.core.Animals(), "b-2026", at(p.now)).Place)
	assert.Len(t, p.core.Residents("tub-1", at(p.now)), 2)

	fed := p.command(watch.Command{Verb: watch.DoTask, Task: "feed", Place: "tub-1", Text: "half was left"})[0].Entry
	assert.Equal(t, journal.CareDone, fed.Kind)
	assert.Equal(t, []string{"feed", "tub-1", "half was left"}, []string{fed.Task, fed.Place, fed.Text})
	again := p.command(watch.Command{Verb: watch.DoTask, Task: "feed", Cohort: "a-2026", Corrects: fed.ID()})
	require.Len(t, again, 1)
	assert.Equal(t, watch.Record, again[0].Kind)
	mist := p.command(watch.Command{Verb: watch.RecordMist, Place: "tub-1"})[0].Entry
	assert.Equal(t, watch.Record, p.command(watch.Command{Verb: watch.RecordMist, Place: "tub-2", Corrects: mist.ID()})[0].Kind)
	assert.Equal(t, watch.Refused, p.command(watch.Command{Verb: watch.RecordMist, Place: "tub-2", Corrects: mist.ID()})[0].Kind, "corrected already")
}

// A cohort begins, is counted, splits and ends by commands.
func TestALifeByCommands(t *testing.T) {
	p := play(t, twoTubs())
	p.run(60, 22, 20)
	count := func(n int) *int { return &n }
	p.command(watch.Command{Verb: watch.BeginCohort, Cohort: "c-2026", Profile: "stream", Place: "tub-2", Stage: "tadpole", Count: count(80)})
	p.run(60, 22, 20)
	assert.Equal(t, watch.HighZone, p.core.State(1).Zone, "it is watched from then on")
	p.command(watch.Command{Verb: watch.CountCohort, Cohort: "c-2026", Count: count(61), Why: "died"})
	p.run(60, 22, 20)
	assert.Equal(t, 61, cohort.At(p.core.Animals(), "c-2026", at(p.now)).Count)
	p.command(watch.Command{Verb: watch.EndCohort, Cohort: "c-2026", Why: "sold"})
	p.run(60, 22, 20)
	assert.Equal(t, watch.NoBand, p.core.State(1).Zone)
	assert.Nil(t, cohort.At(p.core.Animals(), "c-2026", at(p.now)))
}

// The record survives a restart, and so does what an older version has in its state.
func TestTheRecordSurvives(t *testing.T) {
	p := play(t, twoTubs())
	p.run(60, 22, 22)
	n := 40
	p.command(watch.Command{Verb: watch.MoveCohort, Cohort: "b-2026", Place: "tub-2"})
	p.command(watch.Command{Verb: watch.CountCohort, Cohort: "b-2026", Count: &n})
	state, err := p.core.Snapshot()
	require.NoError(t, err)
	again := watch.New(twoTubs(), "run-2")
	require.NoError(t, again.Restore(state))
	assert.Equal(t, p.core.Animals(), again.Animals())
	assert.Empty(t, again.FollowConfiguration(at(p.now)))

	type stageSet struct {
		Cohort string
		Stage  care.Stage
		At     instant.Instant
	}
	var older bytes.Buffer
	require.NoError(t, gob.NewEncoder(&older).Encode(struct {
		Version int
		Site    string
		Now     instant.Instant
		Stages  []stageSet
	}{2, "north-loft", at(0), []stageSet{{"b-2026", care.Metamorph, at(-600)}, {"gone-2020", care.Adult, at(-900)}}}))
	again = watch.New(twoTubs(), "run-2")
	require.NoError(t, again.Restore(older.Bytes()))
	assert.Equal(t, care.Metamorph, cohort.At(again.Animals(), "b-2026", at(0)).Stage)
	since := at(-600)
	read, _ := cohort.Of(&journal.Entry{Run: "run-0", Seq: 8, At: at(-500), Since: &since, Kind: journal.StageSet, Cohort: "b-2026", Stage: "metamorph"})
	again.Remember([]cohort.Entry{read})
	again.Step(watch.Event{Kind: watch.StartEvent, At: at(60), Run: "run-2"}, nil)
	got := again.Step(watch.Event{Kind: watch.CommandEvent, At: at(60), Command: &watch.Command{Verb: watch.WriteNote, Text: "not yet", Corrects: "run-0-8"}}, nil)
	require.Equal(t, watch.Record, got[0].Kind)
	assert.Equal(t, uint64(10), got[0].Entry.Seq)
	assert.Equal(t, care.Larva, cohort.At(again.Animals(), "b-2026", at(0)).Stage, "the journal has the entry that the older state had without a name")
}

// Where the configuration has changed the place of a cohort, or names it no more, what was true before stays on record.
func TestTheConfigurationIsEdited(t *testing.T) {
	p := play(t, twoTubs())
	p.run(60, 22, 22)
	state, err := p.core.Snapshot()
	require.NoError(t, err)
	edited := twoTubs()
	edited.Cohorts[1].Place = "tub-2"
	edited.Cohorts = edited.Cohorts[1:]
	core := watch.New(edited, "run-1")
	require.NoError(t, core.Restore(state))
	for _, e := range core.FollowConfiguration(at(p.now)) {
		assert.True(t, e.Entry.Seeded)
	}
	live := func(at instant.Instant) (text []string) {
		for _, i := range core.Animals() {
			if i.Holds(at) {
				text = append(text, i.Cohort+" in "+i.Place)
			}
		}
		return text
	}
	assert.Equal(t, []string{"b-2026 in tub-1", "a-2026 in tub-1"}, live(at(0)))
	assert.Equal(t, []string{"b-2026 in tub-2"}, live(at(p.now)))
	assert.Empty(t, core.FollowConfiguration(at(p.now)), "once")

	state, err = core.Snapshot()
	require.NoError(t, err)
	core = watch.New(twoTubs(), "run-1") // as it was at first
	require.NoError(t, core.Restore(state))
	core.FollowConfiguration(at(p.now + 60))
	assert.Equal(t, []string{"a-2026 in tub-1", "b-2026 in tub-1"}, live(at(p.now+60)))
	assert.Equal(t, []string{"a-2026 in tub-1", "b-2026 in tub-2"}, live(at(p.now+59)))
}

// Bands that leave no value between them are named with both of their owners.
func TestNoValueSuitsBoth(t *testing.T) {
	p := play(t, twoTubs())
	p.run(60, 22, 22)
	assert.Empty(t, p.core.Apart(at(p.now)))
	p.command(watch.Command{Verb: watch.BeginCohort, Cohort: "c-2026", Profile: "stream", Place: "tub-1", Stage: "larva"})
	assert.Equal(t, []string{"no water-temperature suits all animals in tub-1: that of a-2026 (larva) and that of c-2026 (larva) leave no value in band"},
		p.core.Apart(at(p.now)))
}

// What the keeper should look at after writing something down: what is not measured, a stage that cannot be, life that runs backwards.
func TestDoubts(t *testing.T) {
	site := twoTubs()
	site.Places = append(site.Places, watch.Place{ID: "shelf"})
	larva := site.Profiles["forest"].Care[care.Larva]
	larva.Gosner = "21–41"
	site.Profiles["forest"].Care[care.Larva] = larva
	p := play(t, site)
	p.run(60, 22, 22)
	assert.Empty(t, p.core.Doubts("a-2026", at(p.now)))
	assert.Empty(t, p.core.Doubts("z", at(p.now)))
	assert.Empty(t, p.command(watch.Command{Verb: watch.MoveCohort, Cohort: "a-2026", Place: "tub-1"}), "it lives there already")
	p.command(watch.Command{Verb: watch.SetStage, Cohort: "a-2026", Stage: "metamorph"})
	turned := p.core.Animals()[slices.IndexFunc(p.core.Animals(), func(n cohort.Interval) bool { return n.Stage == care.Metamorph })].StageBy.ID
	p.run(120, 22, 22)
	p.command(watch.Command{Verb: watch.SetStage, Cohort: "a-2026", Stage: "larva", Gosner: 42})
	assert.Equal(t, []string{"Gosner 42 is not of a stage larva, which is 21–41 after the profile forest", "a-2026 was metamorph before: if that was wrong, correct " + turned}, p.core.Doubts("a-2026", at(p.now)))
	p.command(watch.Command{Verb: watch.MoveCohort, Cohort: "a-2026", Place: "shelf"})
	assert.Contains(t, p.core.Doubts("a-2026", at(p.now)), "no sensor in shelf measures water temperature, which a-2026 (larva) needs: no alarm can come from that")
}

// A task that no profile of those who live there knows may be a slip of the pen. A word that is common is never one.
func TestUnknownTask(t *testing.T) {
	site := twoTubs()
	larva := site.Profiles["forest"].Care[care.Larva]
	larva.Tasks = []care.Task{{Do: "dust", Every: 48 * time.Hour}, {Do: "feed"}}
	site.Profiles["forest"].Care[care.Larva] = larva
	p := play(t, site)
	p.run(60, 22, 22)
	const known = "; known are change-water, check-sensor, clean-mister, drain, dust, feed, look, mist, top-up"
	for _, c := range []struct {
		cmd  watch.Command
		want string
	}{
		{watch.Command{Task: "feed", Cohort: "a-2026"}, ""},
		{watch.Command{Task: " dust ", Cohort: "a-2026"}, ""},
		{watch.Command{Task: "dust", Place: "tub-1"}, ""},
		{watch.Command{Task: "fed", Cohort: "a-2026"}, `no profile here knows the task "fed"` + known},
		{watch.Command{Task: "fed", Place: "tub-1"}, `no profile here knows the task "fed"` + known},
		{watch.Command{Task: "drain", Place: "tub-2"}, ""},
		{watch.Command{Task: "dust", Place: "tub-2"}, `no profile here knows the task "dust"` + strings.Replace(known, " dust,", "", 1)},
	} {
		assert.Equal(t, c.want, p.core.UnknownTask(&c.cmd, at(p.now)), "%+v", c.cmd)
	}
}

package compose

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/calibration"
	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/growth"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/today"
	"dewline/internal/core/watch"
)

// The site is invented: three cohorts of the North Loft in July, two of them together.
func at(day, hour int) instant.Instant {
	return instant.Of(time.Date(2026, 7, day, hour, 0, 0, 0, time.UTC))
}

func loft(entries ...cohort.Entry) *watch.Site {
	water := care.NoBand()
	water.Limits = [care.LimitCount]float64{17, 21, 24, 26}
	profile := &care.Profile{ID: "pond", Care: map[care.Stage]care.Care{
		care.Larva: {
			Stage: care.Larva, Gosner: "25–41", Lasts: care.Lasting{For: 60 * day, At: 24},
			Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: {Day: water, Night: water}},
			Tasks: []care.Task{
				{Do: "feed", Every: 2 * day, Rotate: []string{"algae", "powder"}, Note: "a pinch"},
				{Do: "change-water", Every: 4 * day}, {Do: "look", Every: day, After: 100 * day},
			},
		},
		care.Metamorph: {Stage: care.Metamorph, Gosner: "42–45", Tasks: []care.Task{{Do: "mist", Every: 12 * time.Hour}}},
	}}
	site := watch.Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{Location: time.UTC, From: 7 * 60, To: 19 * 60},
		Places:   []watch.Place{{ID: "loft", Room: true}, {ID: "tub-1", In: "loft"}, {ID: "tub-2", In: "loft"}, {ID: "grow-out", In: "loft"}},
		Profiles: map[string]*care.Profile{"pond": profile},
		Cohorts: []watch.Cohort{
			{ID: "a-2026", Profile: "pond", Place: "tub-1", Stages: []care.Since{{Stage: care.Larva, At: at(1, 0).Time()}}},
			{ID: "b-2026", Profile: "pond", Place: "tub-1", Stages: []care.Since{{Stage: care.Larva, At: at(3, 0).Time()}}},
			{ID: "c-2026", Profile: "pond", Place: "grow-out", Stages: []care.Since{{Stage: care.Metamorph, At: at(1, 0).Time()}}},
		},
	}
	for _, place := range []string{"tub-1", "tub-2"} {
		site.Points = append(site.Points, watch.Point{Point: quantity.Point{Place: place, Quantity: quantity.WaterTemperature}})
	}
	site = site.WithRecord(entries)
	return &site
}

func done(seq uint64, do, place, of string, when instant.Instant) cohort.Entry {
	id := journal.Entry{Run: "r", Seq: seq}
	return cohort.Entry{ID: id.ID(), Seq: seq, Run: "r", At: when, Since: when, Kind: journal.CareDone, Task: do, Place: place, Cohort: of, Count: cohort.NotCounted}
}

func find(t *testing.T, list today.Today, do, of string) *today.Task {
	t.Helper()
	for i := range list.Tasks {
		if task := &list.Tasks[i]; task.Do == do && (task.Cohort == of || of == "" && task.Cohort == "") {
			return task
		}
	}
	require.Fail(t, "no such task", "%s of %s", do, of)
	return nil
}

// What a configuration says of animals began before anything was written down: what was done for them until then is not known, and is not
// overdue. From the first task on record on, what is not on record was not done.
func TestNothingIsOverdueBeforeItIsWrittenDown(t *testing.T) {
	facts := &Facts{Now: at(30, 12), Site: loft()}
	made := Day(facts)
	due, overdue := made.Count()
	assert.Equal(t, [2]int{4, 0}, [2]int{due, overdue})
	assert.Equal(t, at(30, 12), made.Tasks[0].Due)

	facts.Care = []cohort.Entry{done(1, "feed", "", "a-2026", at(20, 8))}
	made = Day(facts)
	water := find(t, made, "change-water", "")
	assert.Equal(t, at(20, 8), water.Due)
	assert.Equal(t, today.Overdue, water.State)

	// Of animals that a person put on record, it is known from the beginning.
	facts = &Facts{Now: at(30, 12), Site: loft(cohort.Entry{
		ID: "r-9", Seq: 9, Run: "r", At: at(12, 0), Since: at(12, 0), Kind: journal.CohortBegan, Cohort: "d-2026", Profile: "pond", Place: "tub-2", Stage: care.Larva,
		Count: cohort.NotCounted,
	})}
	made = Day(facts)
	assert.Equal(t, at(12, 0), find(t, made, "feed", "d-2026").Due)
	assert.Equal(t, today.Overdue, find(t, made, "feed", "d-2026").State)
}

func TestTasksFollowWhatWasDone(t *testing.T) {
	facts := &Facts{Now: at(10, 12), Site: loft(), Care: []cohort.Entry{
		done(1, "feed", "", "a-2026", at(9, 8)), done(2, "feed", "tub-1", "", at(7, 20)), done(3, "change-water", "tub-1", "", at(6, 8)),
		{ID: "r-4", Seq: 4, Run: "r", Since: at(10, 3), Kind: journal.Misting, Place: "grow-out", Count: cohort.NotCounted},
	}}
	made := Day(facts)

	feed := find(t, made, "feed", "a-2026")
	assert.Equal(t, today.Later, feed.State, "fed for the cohort")
	assert.Equal(t, at(11, 8), feed.Due)
	assert.Equal(t, "algae", feed.Turn, "the third time")
	feed = find(t, made, "feed", "b-2026")
	assert.Equal(t, today.Due, feed.State, "fed with all of the tub")
	assert.Equal(t, at(9, 20), feed.Due)
	assert.Equal(t, at(7, 20), feed.Last)
	assert.Equal(t, "powder", feed.Turn)

	water := find(t, made, "change-water", "")
	assert.Equal(t, []string{"a-2026", "b-2026"}, water.Cohorts, "the water of a place is changed for all, once")
	assert.Equal(t, at(10, 8), water.Due)
	assert.Equal(t, today.Due, water.State)
	assert.Equal(t, today.Later, find(t, made, "mist", "").State, "a misting on record is a misting")
	assert.Equal(t, at(10, 15), find(t, made, "mist", "").Due)
	due, overdue := made.Count()
	assert.Equal(t, [2]int{2, 0}, [2]int{due, overdue})

	// Two days later all of it is overdue, the oldest first.
	facts.Now = at(13, 12)
	made = Day(facts)
	assert.Equal(t, today.Overdue, made.Tasks[0].State)
	assert.Equal(t, "feed", made.Tasks[0].Do)
	assert.Equal(t, []string{"b-2026"}, made.Tasks[0].Cohorts)
	for i := 1; i < len(made.Tasks); i++ {
		if made.Tasks[i-1].State == made.Tasks[i].State {
			assert.LessOrEqual(t, made.Tasks[i-1].Due, made.Tasks[i].Due)
		}
	}

	// A note that withdraws an entry takes it away.
	facts.Now = at(10, 12)
	facts.Care = append(facts.Care, cohort.Entry{ID: "r-5", Seq: 5, Run: "r", Since: at(10, 1), Kind: journal.Note, Corrects: "r-1", Count: cohort.NotCounted})
	assert.Equal(t, at(9, 20), find(t, Day(facts), "feed", "a-2026").Due)
}

// What is changed for one cohort of a tub is changed for the other one, and what was done in a place counts for those who move in.
func TestTasksOfAPlaceAreShared(t *testing.T) {
	moved := cohort.Entry{ID: "r-9", Seq: 9, Run: "r", Since: at(8, 0), At: at(8, 0), Kind: journal.CohortMoved, Cohort: "b-2026", Place: "tub-2", Count: cohort.NotCounted}
	facts := &Facts{Now: at(10, 12), Site: loft(moved), Care: []cohort.Entry{
		done(1, "change-water", "", "a-2026", at(7, 8)), done(2, "change-water", "tub-2", "", at(7, 10)), done(3, "feed", "tub-2", "", at(7, 10)),
	}}
	made := Day(facts)
	var last []instant.Instant
	for _, task := range made.Tasks {
		if task.Do == "change-water" {
			last = append(last, task.Last)
		}
	}
	assert.ElementsMatch(t, []instant.Instant{at(7, 8), at(7, 10)}, last)
	assert.True(t, find(t, made, "feed", "b-2026").Last.IsNone(), "food that others had in its new tub before it came")
}

func TestNight(t *testing.T) {
	site := loft()
	for _, c := range []struct{ now, from, to instant.Instant }{
		{at(10, 12), at(9, 19), at(10, 7)},
		{at(10, 6), at(9, 19), at(10, 6)},  // it lasts, and is the one that matters
		{at(10, 22), at(9, 19), at(10, 7)}, // it has just begun
		{at(11, 1), at(10, 19), at(11, 1)},
	} {
		from, to := LastNight(site, c.now)
		assert.Equal(t, [2]instant.Instant{c.from, c.to}, [2]instant.Instant{from, to}, c.now)
	}
	site.Light = care.Light{Location: time.UTC, AlwaysDay: true}
	from, to := LastNight(site, at(10, 12))
	assert.Equal(t, [2]instant.Instant{at(9, 20), at(10, 8)}, [2]instant.Instant{from, to})

	water := quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}
	empty := quantity.Point{Place: "tub-9", Quantity: quantity.WaterTemperature}
	made := Day(&Facts{Now: at(10, 12), Site: loft(), Night: today.Night{From: at(9, 19), To: at(10, 7), Extremes: []today.Extreme{
		{Point: empty, Min: 10, Max: 12}, {Point: water, Min: 20.5, Max: 23},
	}}})
	assert.Equal(t, []today.Extreme{{Point: water, Min: 20.5, Max: 23, Below: true}}, made.Night.Extremes, "without animals and limits there is nothing to know")
}

func TestOutOfBandComesWorstFirst(t *testing.T) {
	point := func(place string, zone watch.Zone) watch.PointState {
		band := care.NoBand()
		band.Limits = [care.LimitCount]float64{17, 21, 24, 26}
		return watch.PointState{Point: quantity.Point{Place: place, Quantity: quantity.WaterTemperature}, Value: 25, Zone: zone, Since: at(10, 8), Band: band, Fed: true}
	}
	made := Day(&Facts{Now: at(10, 12), Site: loft(), Points: []watch.PointState{
		point("a", watch.InBand), point("b", watch.UnknownZone), point("c", watch.HighZone), point("d", watch.NoBand), point("e", watch.CriticalLowZone),
	}})
	require.Len(t, made.OutOfBand, 3)
	assert.Equal(t, []string{"e", "c", "b"}, []string{made.OutOfBand[0].Point.Place, made.OutOfBand[1].Point.Place, made.OutOfBand[2].Point.Place})
	assert.Equal(t, 17.0, *made.OutOfBand[0].Limit)
	assert.Equal(t, 24.0, *made.OutOfBand[1].Limit)
	assert.Nil(t, made.OutOfBand[2].Value, "an old value is no value")
}

func TestWindows(t *testing.T) {
	moved := cohort.Entry{ID: "r-9", Seq: 9, Run: "r", Since: at(8, 0), At: at(8, 0), Kind: journal.CohortMoved, Cohort: "b-2026", Place: "tub-2", Count: cohort.NotCounted}
	site := loft(moved)
	stretches := Stretches(site, at(10, 12))
	water := func(place string) quantity.Point {
		return quantity.Point{Place: place, Quantity: quantity.WaterTemperature}
	}
	assert.Equal(t, []Stretch{
		{"a-2026", water("tub-1"), at(1, 0), 10}, {"b-2026", water("tub-1"), at(3, 0), 5}, {"b-2026", water("tub-2"), at(8, 0), 3},
	}, stretches, "the water in which they were")

	var days []growth.Day
	for d := 1; d <= 10; d++ {
		days = append(days, growth.Day{At: at(d, 0), Celsius: 24})
	}
	made := Day(&Facts{Now: at(10, 12), Site: site, Water: map[string][]growth.Day{"a-2026": days}})
	require.Len(t, made.Windows, 2, "a metamorph of nine days is no news")
	a, b := made.Windows[0], made.Windows[1]
	assert.Equal(t, care.Metamorph, a.Next)
	assert.InDelta(t, 48, a.Early.Sub(at(1, 0)).Hours()/24, 0.1, "0.8 of 60 days at 24 °C")
	assert.InDelta(t, 84, a.Late.Sub(at(1, 0)).Hours()/24, 0.1, "1.4 of them")
	assert.True(t, a.Measured)
	assert.False(t, b.Measured)
	assert.False(t, a.Overdue)
	assert.Equal(t, care.NoStage, a.Then, "the profile does not know how long a climax lasts")
	metamorph := site.Profiles["pond"].Care[care.Metamorph]
	metamorph.Lasts = care.Lasting{For: 5 * day, At: 24}
	site.Profiles["pond"].Care[care.Metamorph] = metamorph
	a = Day(&Facts{Now: at(10, 12), Site: site, Water: map[string][]growth.Day{"a-2026": days}}).Windows[0]
	assert.Equal(t, care.Juvenile, a.Then)
	assert.InDelta(t, 4, a.ThenBy.Sub(a.Early).Hours()/24, 0.1, "0.8 of 5 days")
	metamorph.Lasts = care.Lasting{}
	site.Profiles["pond"].Care[care.Metamorph] = metamorph

	// What should have come is said; a climax of more than ten days as well, although the profile gives it no length.
	made = Day(&Facts{Now: at(100, 0), Site: site, Water: map[string][]growth.Day{"a-2026": days}})
	require.Len(t, made.Windows, 3)
	assert.True(t, made.Windows[0].Overdue)
	assert.Equal(t, "c-2026", made.Windows[2].Cohort)
	assert.True(t, made.Windows[2].Overdue)
	assert.True(t, made.Windows[2].Late.IsNone())
}

func TestCalibrationsAreDueAtTheirTime(t *testing.T) {
	made := Day(&Facts{Now: at(10, 12), Site: loft(), Calibrations: []calibration.State{
		{Sensor: "tub-1-probe", Channel: "temperature", At: at(10, 13).Add(-365 * day), Due: at(10, 13)},
		{Sensor: "tub-2-probe", Channel: "temperature", At: at(10, 11).Add(-365 * day), Due: at(10, 11)},
		{Sensor: "tub-3-probe", Channel: "temperature", At: instant.None, Due: instant.None},
	}})
	require.Len(t, made.Calibration, 1)
	assert.Equal(t, "tub-2-probe", made.Calibration[0].Sensor)
}

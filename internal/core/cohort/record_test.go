package cohort_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
)

func date(i instant.Instant) string { return i.Time().Format("2 Jan 2006") }

// What cannot be true is refused with what to do about it.
func TestRefusals(t *testing.T) {
	var k tale
	began := k.began("tub-1", care.Larva, 50, day(10))
	ended := k.counted(0, day(60))
	moved := k.moved("tub-2", day(20), "")
	k.moved("tub-3", day(21), moved)
	k.counted(40, day(30))
	note := k.add(cohort.Entry{Kind: journal.Note, Since: day(3)})
	r := cohort.Record{Entries: k.entries, Seeds: []cohort.Seed{{ID: "a-2026", Profile: "forest", Place: "tub-9", Stages: []care.Since{{Stage: care.Larva, At: day(9).Time()}}}}}
	say := func(kind journal.Kind, since instant.Instant, corrects string, more func(e *cohort.Entry)) string {
		e := cohort.Entry{ID: "run-100", Seq: 100, Kind: kind, Cohort: "b-2026", Since: since, At: day(90), Corrects: corrects, Count: cohort.NotCounted, Stage: care.Juvenile, Place: "tub-5"}
		if more != nil {
			more(&e)
		}
		return r.Refusal(&e, date)
	}
	of := func(id string) func(e *cohort.Entry) { return func(e *cohort.Entry) { e.Cohort = id } }
	count := func(n int, why string) func(e *cohort.Entry) {
		return func(e *cohort.Entry) { e.Count, e.Why = n, why }
	}
	assert.Equal(t, `there is no cohort "z" on record: it has a-2026, b-2026`, say(journal.CohortMoved, day(20), "", of("z")))
	assert.Equal(t, "b-2026 is on record since 11 Sep 2026: to say that it began otherwise, correct "+began, say(journal.CohortBegan, day(1), "", nil))
	assert.Empty(t, say(journal.CohortBegan, day(1), began, nil))
	assert.Equal(t, "a-2026 is on record since 10 Sep 2026: to say that it began otherwise, correct config/a-2026/2026-09-10T00:00:00Z",
		say(journal.CohortBegan, day(1), "", of("a-2026")))
	assert.Equal(t, "b-2026 began on 11 Sep 2026, and nothing can be true of it before: correct "+began+" to let it begin earlier", say(journal.CohortStage, day(5), "", nil))
	assert.Empty(t, say(journal.CohortStage, day(5), "", of("a-2026")), "the day in a configuration is often that of its writing")
	assert.NotEmpty(t, say(journal.CohortMoved, day(5), "", of("a-2026")))
	assert.Equal(t, "b-2026 ended on 31 Oct 2026: correct "+ended+" if it did not", say(journal.CohortMoved, day(60), "", nil))
	assert.Empty(t, say(journal.CohortCounted, day(70), ended, count(0, "sold")))
	assert.Empty(t, say(journal.CohortMoved, day(59), "", nil))
	assert.Equal(t, "b-2026 counted 40 on 1 Oct 2026, and 41 now are more: say that they were found", say(journal.CohortCounted, day(40), "", count(41, "died")))
	assert.Empty(t, say(journal.CohortCounted, day(40), "", count(41, "found")))
	assert.Contains(t, say(journal.CohortCounted, day(40), "", count(39, "found")), "say whether they died")
	assert.Equal(t, `there is no entry "run-77" that could be corrected`, say(journal.CohortMoved, day(20), "run-77", nil))
	assert.Equal(t, moved+" has been corrected already, by run-4: correct that one", say(journal.CohortMoved, day(20), moved, nil))
	assert.Equal(t, began+" is the beginning of b-2026, and a move cannot take its place: a note that corrects it withdraws it", say(journal.CohortMoved, day(20), began, nil))
	assert.Contains(t, say(journal.CareDone, day(20), began, nil), "a task cannot take its place")
	for corrected, word := range map[string]string{ended: "a count", "run-4": "a move", note: "a note"} {
		assert.Contains(t, say(journal.CohortBegan, day(20), corrected, nil), corrected+" is "+word+" of ")
	}
	assert.Empty(t, say(journal.Note, day(20), began, nil))
	assert.Empty(t, say(journal.Note, day(20), note, nil))
}

// A record holds each entry once, those of animals for ever, and forgets old notes.
func TestRecordKeepsWhatItNeeds(t *testing.T) {
	var r cohort.Record
	stage := cohort.Entry{Kind: journal.CohortStage, Cohort: "b-2026", Stage: care.Larva, Since: day(1), At: day(2), Count: cohort.NotCounted}
	r.Add(stage)
	stage.ID, stage.Seq = "run-1", 1
	r.Add(stage, stage, cohort.Entry{ID: "run-2", Kind: journal.Note, At: day(3)})
	assert.Len(t, r.Entries, 2, "a stage of an older state has no ID")
	r.Add(cohort.Entry{ID: "run-3", Kind: journal.Misting, At: day(80)})
	assert.Len(t, r.Entries, 2)
	assert.True(t, r.InForceAlready(&stage))

	r.Entries[0].Run, r.Entries[1].Run = "run", "run"
	r.Entries[1].Since = day(80)
	r.Shift([]string{"run"}, time.Hour)
	assert.Equal(t, []instant.Instant{day(1), day(80).Add(time.Hour)}, []instant.Instant{r.Entries[0].Since, r.Entries[1].Since}, "a date that a person gave stays")
}

package cohort

import (
	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
)

// NotCounted is the count of a cohort of which no count is on record.
const NotCounted = -1

// Entry is one entry of the animals' record.
type Entry struct {
	ID       string // of the journal entry; "config/…" for what the configuration says
	Seq      uint64 // of the journal entry; 0 for what the configuration says
	Run      string
	At       instant.Instant // when it was recorded
	Since    instant.Instant // from when on it is true
	Kind     journal.Kind
	Cohort   string
	Profile  string
	Place    string
	Stage    care.Stage
	Gosner   int // 0 = not said
	Count    int // NotCounted where it says none
	Why      string
	Task     string
	Corrects string // the ID of the entry whose place it takes
	Seeded   bool   // it came from the configuration, and the stages of the configuration go on holding
}

// Of reads an entry of the journal. It reports false for one that says nothing about animals or their care, or says it in words that
// this program does not know. A stage.set of older histories is read as a cohort.stage.
func Of(e *journal.Entry) (Entry, bool) {
	read := Entry{
		ID: e.ID(), Seq: e.Seq, Run: e.Run, At: e.At, Since: e.At, Kind: e.Kind, Cohort: e.Cohort, Profile: e.Profile, Place: e.Place,
		Gosner: e.Gosner, Count: NotCounted, Why: e.Why, Task: e.Task, Corrects: e.Corrects, Seeded: e.Seeded,
	}
	if e.Since != nil && !e.Since.IsNone() && *e.Since != 0 {
		read.Since = *e.Since
	}
	if e.Count != nil {
		read.Count = max(*e.Count, 0)
	}
	known := true
	switch e.Kind {
	case journal.StageSet, journal.CohortStage:
		read.Kind = journal.CohortStage
		known = read.readStage(e.Stage)
	case journal.CohortBegan:
		known = read.readStage(e.Stage)
	case journal.CohortCounted:
		known = e.Count != nil
	case journal.CohortMoved, journal.CareDone, journal.Misting, journal.Note:
	default:
		return Entry{}, false
	}
	return read, known
}

func (e *Entry) readStage(name string) bool {
	stage, err := care.Parse(name)
	e.Stage = stage
	return err == nil
}

// Read reads those of the entries of a journal that [Of] can.
func Read(entries []*journal.Entry) (record []Entry) {
	for _, e := range entries {
		if read, ok := Of(e); ok {
			record = append(record, read)
		}
	}
	return record
}

// Kinds returns the kinds of journal entries from which intervals follow. Notes are among them since they can withdraw an entry.
func Kinds() []journal.Kind {
	return []journal.Kind{journal.StageSet, journal.CohortBegan, journal.CohortStage, journal.CohortMoved, journal.CohortCounted, journal.Note}
}

// CareKinds returns the kinds of journal entries about what people have done, which a correction can be for.
func CareKinds() []journal.Kind { return []journal.Kind{journal.CareDone, journal.Misting} }

// WriteTo fills in the fields of a journal entry that carry the entry.
func (e *Entry) WriteTo(j *journal.Entry) {
	since := e.Since
	j.Since, j.Cohort, j.Profile, j.Place, j.Stage, j.Gosner = &since, e.Cohort, e.Profile, e.Place, e.Stage.String(), e.Gosner
	j.Why, j.Task, j.Corrects, j.Seeded = e.Why, e.Task, e.Corrects, e.Seeded
	if e.Count != NotCounted {
		j.Count = new(e.Count)
	}
}

// aboutAnimals reports whether the entry changes intervals.
func (e *Entry) aboutAnimals() bool {
	switch e.Kind {
	case journal.CohortBegan, journal.CohortStage, journal.CohortMoved, journal.CohortCounted:
		return true
	}
	return false
}

// CanCorrect reports whether the entry can take the place of an older one. A note withdraws anything. What is said of a cohort takes the
// place of what was said of the same one, and a beginning only that of a beginning. What is said of care takes the place of the like.
func (e *Entry) CanCorrect(older *Entry) bool {
	switch {
	case older.Seq >= e.Seq:
		return false
	case e.Kind == journal.Note:
		return true
	case e.aboutAnimals():
		return older.aboutAnimals() && older.Cohort == e.Cohort && (older.Kind == journal.CohortBegan) == (e.Kind == journal.CohortBegan)
	}
	return !older.aboutAnimals() && older.Kind != journal.Note
}

// corrections are how entries about animals and their care correct each other.
var corrections = journal.Corrections[Entry]{
	ID: func(e *Entry) string { return e.ID }, Corrects: func(e *Entry) string { return e.Corrects }, May: (*Entry).CanCorrect,
	Words: func(e *Entry) (kind, about string) { return kindWords[e.Kind], e.about() },
}

// InForce returns the entries whose place no other one has taken.
func InForce(entries []Entry) []Entry { return corrections.InForce(entries) }

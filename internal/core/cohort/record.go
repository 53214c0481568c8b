package cohort

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
)

// Record is what is on record of the animals of a site. The zero value is empty.
type Record struct {
	Seeds   []Seed
	Entries []Entry
}

// careMemory is for how long a record holds what does not change intervals: notes, mistings, care done. They can be corrected for as
// long. The journal holds them for ever.
const careMemory = 62 * 24 * time.Hour

// Add adds entries, except those that it has.
func (r *Record) Add(entries ...Entry) {
	newest := instant.None
	for _, e := range entries {
		newest = max(newest, e.At)
		if !slices.ContainsFunc(r.Entries, e.Is) {
			r.Entries = append(r.Entries, e)
		}
	}
	r.Entries = slices.DeleteFunc(r.Entries, func(e Entry) bool {
		return !e.aboutAnimals() && e.Corrects == "" && newest.Sub(e.At) > careMemory
	})
}

// Is reports whether two entries are the same one. A state of older versions has stage changes without an ID.
func (e Entry) Is(other Entry) bool {
	if e.ID == "" || other.ID == "" {
		return e.Kind == other.Kind && e.Cohort == other.Cohort && e.Stage == other.Stage && e.Since == other.Since
	}
	return e.ID == other.ID
}

// Intervals returns the intervals of all cohorts.
func (r *Record) Intervals() []Interval { return Fold(r.Seeds, r.Entries) }

// Shift moves the times of entries that were written by a clock which has since been set, except the dates that people gave.
func (r *Record) Shift(runs []string, by time.Duration) {
	for i := range r.Entries {
		if e := &r.Entries[i]; slices.Contains(runs, e.Run) {
			if e.Since == e.At {
				e.Since = e.Since.Add(by)
			}
			e.At = e.At.Add(by)
		}
	}
}

// find returns the entry with an ID, also one of the configuration.
func (r *Record) find(id string) *Entry {
	for _, e := range r.all() {
		if e.ID == id && id != "" {
			return &e
		}
	}
	return nil
}

func (r *Record) all() []Entry {
	all := slices.Clone(r.Entries)
	for i := range r.Seeds {
		all = append(all, r.Seeds[i].entries()...)
	}
	return all
}

// InForceAlready reports whether the record says the same already: the same entry, or that a cohort has lived since before where it is to
// move.
func (r *Record) InForceAlready(e *Entry) bool {
	if life := Life(r.Intervals(), e.Cohort); e.Kind == journal.CohortMoved && e.Corrects == "" && len(life) > 0 {
		if last := &life[len(life)-1]; last.Place == e.Place && last.PlaceBy.Since <= e.Since {
			return true
		}
	}
	return e.Corrects == "" && slices.ContainsFunc(InForce(r.all()), func(o Entry) bool {
		return o.Kind == e.Kind && o.Cohort == e.Cohort && o.Since == e.Since && o.Profile == e.Profile && o.Place == e.Place &&
			o.Stage == e.Stage && o.Gosner == e.Gosner && o.Count == e.Count && o.Why == e.Why && o.Task == e.Task
	})
}

// Refusal returns why an entry cannot be taken into the record, in words for the keeper; "" if it can. The function date writes a time
// as the site shows it.
func (r *Record) Refusal(e *Entry, date func(instant.Instant) string) string {
	if why := corrections.Refusal(r.all(), e); why != "" {
		return why
	}
	if !e.aboutAnimals() {
		return ""
	}
	others := InForce(append(r.all(), Entry{Kind: journal.Note, Seq: e.Seq, Corrects: e.Corrects}))
	life := Life(Fold(nil, others), e.Cohort)
	if e.Kind == journal.CohortBegan {
		if len(life) > 0 {
			return fmt.Sprintf("%s is on record since %s: to say that it began otherwise, correct %s", e.Cohort, date(life[0].From), beganBy(others, e.Cohort))
		}
		return ""
	}
	if len(life) == 0 {
		return fmt.Sprintf("there is no cohort %q on record%s", e.Cohort, r.known())
	}
	first, last := &life[0], &life[len(life)-1]
	if e.Since < first.From && !(e.Kind == journal.CohortStage && Configured(beganBy(others, e.Cohort))) {
		return fmt.Sprintf("%s began on %s, and nothing can be true of it before: correct %s to let it begin earlier", e.Cohort, date(first.From), beganBy(others, e.Cohort))
	}
	if last.To != Open && e.Since >= last.To {
		return fmt.Sprintf("%s ended on %s: correct %s if it did not", e.Cohort, date(last.To), endedBy(others, e.Cohort, last.To))
	}
	if e.Kind == journal.CohortCounted {
		if at := At(life, e.Cohort, e.Since); at != nil && at.Count != NotCounted {
			switch {
			case e.Count > at.Count && e.Why != "found":
				return fmt.Sprintf("%s counted %d on %s, and %d now are more: say that they were found", e.Cohort, at.Count, date(at.CountBy.Since), e.Count)
			case e.Count < at.Count && e.Why == "found":
				return fmt.Sprintf("%s counted %d on %s, and %d now are fewer: say whether they died, were sold or were split off", e.Cohort, at.Count, date(at.CountBy.Since), e.Count)
			}
		}
	}
	return ""
}

// kindWords are what a keeper calls an entry of a kind.
var kindWords = map[journal.Kind]string{
	journal.CohortBegan:   "the beginning",
	journal.CohortStage:   "a stage",
	journal.CohortMoved:   "a move",
	journal.CohortCounted: "a count",
	journal.CareDone:      "a task",
	journal.Misting:       "a misting",
	journal.Note:          "a note",
}

// about returns what an entry is about.
func (e *Entry) about() string { return cmp.Or(e.Cohort, e.Place, "the site") }

// known lists the cohorts on record.
func (r *Record) known() string {
	var ids []string
	for _, i := range r.Intervals() {
		if !slices.Contains(ids, i.Cohort) {
			ids = append(ids, i.Cohort)
		}
	}
	if ids == nil {
		return ", nor any other"
	}
	return ": it has " + strings.Join(ids, ", ")
}

// configured begins the IDs of what the configuration says.
const configured = "config/"

// Configured reports whether an ID is that of something that the configuration says.
func Configured(id string) bool { return strings.HasPrefix(id, configured) }

// beganBy returns the ID of the entry with which a cohort begins.
func beganBy(entries []Entry, id string) string {
	began, _ := beginning(slices.DeleteFunc(slices.Clone(entries), func(e Entry) bool { return e.Cohort != id || !e.aboutAnimals() }))
	if began == nil {
		return ""
	}
	return began.ID
}

// endedBy returns the ID of the entry with which a cohort has ended.
func endedBy(entries []Entry, id string, at instant.Instant) string {
	for i := len(entries) - 1; i >= 0; i-- {
		if e := &entries[i]; e.Cohort == id && e.Kind == journal.CohortCounted && e.Count == 0 && e.Since == at {
			return e.ID
		}
	}
	return ""
}

// Follow returns what must be written down when the configuration has changed since before, so that what was true until now stays on
// record: a cohort that it names no more has ended, one whose place it has changed has moved. Cohorts whose beginning a person has
// written down are none of its business. The entries get their IDs when they are written.
func (r *Record) Follow(before []Seed, at instant.Instant) (entries []Entry) {
	for i := range before {
		old := &before[i]
		k := slices.IndexFunc(r.Seeds, func(s Seed) bool { return s.ID == old.ID })
		if len(old.Stages) == 0 || r.written(old.ID) || k >= 0 && r.Seeds[k].Place == old.Place {
			continue
		}
		was := Record{Seeds: before, Entries: r.Entries}
		now := At(was.Intervals(), old.ID, at)
		for _, e := range old.entries() {
			if e.Since <= at && (k < 0 || e.Kind == journal.CohortBegan) && !slices.ContainsFunc(r.Entries, e.seededAs) {
				e.ID = ""
				entries = append(entries, e)
			}
		}
		next := Entry{At: at, Since: at, Kind: journal.CohortCounted, Cohort: old.ID, Seeded: true}
		if k >= 0 {
			next.Kind, next.Place, next.Count = journal.CohortMoved, r.Seeds[k].Place, NotCounted
		}
		if now != nil && (k < 0 || now.Place != next.Place) {
			entries = append(entries, next)
		}
	}
	for i := range r.Seeds {
		s := &r.Seeds[i]
		if life := Life(r.Intervals(), s.ID); len(life) > 0 && life[len(life)-1].To != Open {
			if end := r.find(endedBy(InForce(r.Entries), s.ID, life[len(life)-1].To)); end != nil && end.Seeded { // it was left out, and is back
				entries = append(entries, Entry{At: at, Since: at, Kind: journal.CohortMoved, Cohort: s.ID, Place: s.Place, Count: NotCounted, Corrects: end.ID, Seeded: true})
			}
		}
	}
	return entries
}

// written reports whether a person has written down how a cohort begins.
func (r *Record) written(id string) bool {
	return slices.ContainsFunc(InForce(r.Entries), func(e Entry) bool {
		return e.Cohort == id && e.Kind == journal.CohortBegan && !e.Seeded
	})
}

// seededAs reports whether the record has an entry of the configuration already: one beginning, and one stage of each time.
func (e Entry) seededAs(other Entry) bool {
	return other.Seeded && other.Cohort == e.Cohort && other.Kind == e.Kind && (e.Kind == journal.CohortBegan || other.Since == e.Since)
}

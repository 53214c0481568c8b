package cohort

import (
	"cmp"
	"math"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
)

// Open is the end of an interval that goes on.
const Open = instant.Instant(math.MaxInt64)

// Seed is a cohort as the configuration has it.
type Seed struct {
	ID      string
	Profile string
	Place   string       // the place where it begins; "" when it lives nowhere
	Stages  []care.Since // in the order of time; one may lie in the future
}

// Interval is a stretch of time in which nothing on record changes for a cohort.
type Interval struct {
	Cohort  string
	Profile string
	Place   string // "" when it lives nowhere
	Stage   care.Stage
	Gosner  int // 0 = not known
	Count   int // NotCounted where no count is on record
	From    instant.Instant
	To      instant.Instant // [Open] while it goes on

	StageBy Mark // the entry since which the stage is this one
	PlaceBy Mark // likewise the place
	CountBy Mark // likewise the count
}

// Mark names an entry and the time from which on it counts.
type Mark struct {
	ID    string
	Since instant.Instant
}

// Holds reports whether t lies in the interval.
func (i *Interval) Holds(t instant.Instant) bool { return t >= i.From && t < i.To }

// Fold makes the intervals of all cohorts: those of the configuration in their order, then the others in the order in which they
// begin. The intervals of one cohort come in the order of time, without a hole or an overlap from its beginning to its end.
func Fold(seeds []Seed, entries []Entry) []Interval {
	all := slices.Clone(entries)
	for i := range seeds {
		all = append(all, seeds[i].entries()...)
	}
	of := map[string][]Entry{}
	for _, e := range InForce(all) {
		if e.aboutAnimals() && e.Cohort != "" {
			of[e.Cohort] = append(of[e.Cohort], e)
		}
	}
	var folded []Interval
	for i := range seeds {
		folded = append(folded, fold(of[seeds[i].ID])...)
		delete(of, seeds[i].ID)
	}
	var others [][]Interval
	for _, entries := range of {
		if intervals := fold(entries); intervals != nil {
			others = append(others, intervals)
		}
	}
	slices.SortStableFunc(others, func(a, b []Interval) int {
		return cmp.Or(cmp.Compare(a[0].From, b[0].From), cmp.Compare(a[0].Cohort, b[0].Cohort))
	})
	return append(folded, slices.Concat(others...)...)
}

// entries returns what a cohort of the configuration says as entries, which can be corrected like others.
func (s *Seed) entries() []Entry {
	var entries []Entry
	for i, entry := range s.Stages {
		since := instant.Of(entry.At)
		e := Entry{
			ID: configured + s.ID + "/" + entry.At.UTC().Format(time.RFC3339), At: since, Since: since, Kind: journal.CohortStage, Cohort: s.ID,
			Stage: entry.Stage, Count: NotCounted, Seeded: true,
		}
		if i == 0 {
			e.Kind, e.Profile, e.Place = journal.CohortBegan, s.Profile, s.Place
		}
		entries = append(entries, e)
	}
	return entries
}

// fold makes the intervals of one cohort from its entries in force; none where it never began. Of what counts from one moment on, the
// last word holds.
func fold(entries []Entry) []Interval {
	began, entries := beginning(entries)
	if began == nil {
		return nil
	}
	slices.SortStableFunc(entries, func(a, b Entry) int { return cmp.Or(cmp.Compare(a.Since, b.Since), cmp.Compare(a.Seq, b.Seq)) })
	now := Interval{
		Cohort: began.Cohort, Profile: began.Profile, Place: began.Place, Stage: began.Stage, Gosner: began.Gosner, Count: began.Count,
		From: began.Since, To: Open,
	}
	now.StageBy = Mark{began.ID, began.Since}
	now.PlaceBy, now.CountBy = now.StageBy, now.StageBy
	var intervals []Interval
	for len(entries) > 0 && now.Count != 0 {
		at, next := entries[0].Since, now
		for len(entries) > 0 && entries[0].Since == at {
			next.take(&entries[0])
			entries = entries[1:]
		}
		if at < began.Since || next.same(&now) {
			continue
		}
		if at > now.From {
			now.To = at
			intervals = append(intervals, now)
		}
		now = next
		now.From = at
	}
	if now.Count == 0 {
		return intervals
	}
	return append(intervals, now)
}

// beginning returns how a cohort begins, and the entries that can change it. Where a person has written its beginning down, the
// configuration has no say. Else it begins with its first stage on record, which may be earlier than that of the configuration: what
// is written there is often the day on which dewline was set up.
func beginning(entries []Entry) (*Entry, []Entry) {
	var written, seeded, config *Entry
	for i := range entries {
		switch e := &entries[i]; {
		case e.Kind != journal.CohortBegan:
		case e.Seq == 0:
			config = e
		case e.Seeded:
			seeded = earlier(seeded, e)
		default:
			written = earlier(written, e)
		}
	}
	keep := func(wanted func(e *Entry) bool) (kept []Entry) {
		for i := range entries {
			if wanted(&entries[i]) {
				kept = append(kept, entries[i])
			}
		}
		return kept
	}
	if written != nil {
		return written, keep(func(e *Entry) bool { return e.Kind != journal.CohortBegan && e.Seq > 0 })
	}
	began, firstOf := cmp.Or(seeded, config), cmp.Or(config, seeded)
	if began == nil {
		return nil, nil
	}
	rest := keep(func(e *Entry) bool { return e.Kind != journal.CohortBegan || e == firstOf })
	first := firstOf
	for i := range rest { // of one time, the last word
		if e := &rest[i]; e.Kind == journal.CohortStage && cmp.Or(cmp.Compare(e.Since, first.Since), cmp.Compare(first.Seq, e.Seq)) < 0 {
			first = e
		}
	}
	begin := *began
	if config != nil {
		begin.Profile = config.Profile
	}
	begin.ID, begin.Since, begin.Stage, begin.Gosner = first.ID, first.Since, first.Stage, first.Gosner
	return &begin, rest
}

// earlier returns the one of two entries that counts from an earlier time on; of one time, the one that was written first.
func earlier(a, b *Entry) *Entry {
	if a == nil || cmp.Or(cmp.Compare(b.Since, a.Since), cmp.Compare(b.Seq, a.Seq)) < 0 {
		return b
	}
	return a
}

// take takes over what an entry says.
func (i *Interval) take(e *Entry) {
	mark := Mark{e.ID, e.Since}
	switch e.Kind {
	case journal.CohortBegan, journal.CohortStage:
		if i.Stage != e.Stage {
			i.StageBy = mark
		}
		i.Stage, i.Gosner = e.Stage, e.Gosner
	case journal.CohortMoved:
		if i.Place != e.Place {
			i.PlaceBy = mark
		}
		i.Place = e.Place
	case journal.CohortCounted:
		if i.Count != e.Count {
			i.CountBy = mark
		}
		i.Count = e.Count
	}
}

func (i *Interval) same(other *Interval) bool {
	return i.Place == other.Place && i.Stage == other.Stage && i.Gosner == other.Gosner && i.Count == other.Count
}

// At returns the interval of a cohort at a time; nil where it does not live then.
func At(intervals []Interval, cohort string, t instant.Instant) *Interval {
	for i := range intervals {
		if intervals[i].Cohort == cohort && intervals[i].Holds(t) {
			return &intervals[i]
		}
	}
	return nil
}

// Life returns the intervals of a cohort.
func Life(intervals []Interval, cohort string) []Interval {
	return slices.DeleteFunc(slices.Clone(intervals), func(i Interval) bool { return i.Cohort != cohort })
}

package replay

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"slices"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/source/recorded"
	"dewline/internal/store"
)

// History is where [FromHistory] reads from; a *[history.Store] is one.
type History interface {
	ReadingsBetween(ctx context.Context, from, to instant.Instant) iter.Seq2[store.PointSample, error]
}

// FromHistory streams the readings in [from, to] of a store, with their flags, as if they came from a readings file; a from
// or to of None is open. Derived quantities are left out, since the core derives them again. Where retention has left only
// minutes, a minute is one reading: its mean. The store is read once to learn what it holds, and again for each use.
func FromHistory(ctx context.Context, db History, from, to instant.Instant) (*recorded.Stream, error) {
	s := &recorded.Stream{First: instant.None, Last: instant.None}
	numbers := map[quantity.Point]int32{}
	for sample, err := range measured(ctx, db, from, to) {
		if err != nil {
			return nil, err
		}
		if _, known := numbers[sample.Point]; !known {
			numbers[sample.Point] = int32(len(s.Points))
			s.Points = append(s.Points, sample.Point)
		}
		if s.Count++; s.First.IsNone() {
			s.First = sample.At
		}
		s.Last = sample.At
	}
	s.Rows = func() iter.Seq2[recorded.Row, error] {
		return func(yield func(recorded.Row, error) bool) {
			for sample, err := range measured(ctx, db, from, s.Last) { // a daemon may go on writing
				number, known := numbers[sample.Point]
				if err == nil && !known {
					continue
				}
				if !yield(recorded.Row{At: sample.At, Value: sample.Value, Point: number, Flag: sample.Flag}, err) || err != nil {
					return
				}
			}
		}
	}
	return s, nil
}

// measured yields the readings in [from, to] that are not derived from others.
func measured(ctx context.Context, db History, from, to instant.Instant) iter.Seq2[store.PointSample, error] {
	end := instant.None
	if !to.IsNone() {
		end = to.Add(1) // the store leaves out the end itself
	}
	return func(yield func(store.PointSample, error) bool) {
		n := 0
		for sample, err := range db.ReadingsBetween(ctx, from, end) {
			if n++; err == nil && n%8192 == 0 {
				err = context.Cause(ctx)
			}
			if err != nil {
				yield(sample, fmt.Errorf("taking readings out of the history: %w", err))
				return
			}
			if !sample.Point.Quantity.Derived() && !yield(sample, nil) {
				return
			}
		}
	}
}

// WithJournal returns the site with the stages of its cohorts as the journal has them: a stage that a person set while the
// daemon ran takes precedence over the timeline of the configuration. A stage that was set with a time in the past counts from
// the moment of the command, as it did live: readings before it were judged by the stage before. Entries may come in any order.
// Entries that are no stage changes, or name cohorts that the site does not know, are ignored.
func WithJournal(site watch.Site, entries []*journal.Entry) watch.Site {
	sets := slices.Clone(entries)
	slices.SortStableFunc(sets, func(a, b *journal.Entry) int { return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Seq, b.Seq)) })
	site.Cohorts = slices.Clone(site.Cohorts)
	for i := range site.Cohorts {
		c := &site.Cohorts[i]
		t := timeline{known: c.Stages, since: instant.None}
		for _, e := range sets {
			if e.Kind == journal.StageSet && e.Cohort == c.ID {
				t.set(e)
			}
		}
		t.hold(endOfTime)
		c.Stages = t.lived
	}
	return site
}

const endOfTime = instant.Instant(1<<63 - 1)

// timeline turns the stage commands of a cohort, each with its time, into the stages that were in force.
type timeline struct {
	known []care.Since // as known since the time below
	since instant.Instant
	lived []care.Since // what was in force until then
}

// set takes up a stage change of the journal.
func (t *timeline) set(e *journal.Entry) {
	to, err := care.Parse(e.Stage)
	if err != nil {
		return
	}
	from := e.At
	if e.Since != nil && !e.Since.IsNone() && *e.Since != 0 {
		from = *e.Since
	}
	t.hold(e.At)
	t.known = slices.DeleteFunc(slices.Clone(t.known), func(s care.Since) bool { return s.At.Equal(from.Time()) })
	t.known = append(t.known, care.Since{Stage: to, At: from.Time()})
	slices.SortStableFunc(t.known, func(a, b care.Since) int { return a.At.Compare(b.At) })
}

// hold moves on to until: the stages known so far were in force up to then.
func (t *timeline) hold(until instant.Instant) {
	if until == t.since { // two commands at one moment: the later entry counts
		return
	}
	if !t.since.IsNone() {
		t.live(care.StageAt(t.known, t.since.Time()), t.since)
	}
	for _, s := range t.known {
		if at := instant.Of(s.At); at > t.since && at < until {
			t.live(s.Stage, at)
		}
	}
	t.since = until
}

func (t *timeline) live(s care.Stage, from instant.Instant) {
	if n := len(t.lived); s == care.NoStage || n > 0 && t.lived[n-1].Stage == s {
		return
	}
	t.lived = append(t.lived, care.Since{Stage: s, At: from.Time()})
}

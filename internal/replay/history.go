package replay

import (
	"context"
	"fmt"
	"iter"
	"slices"

	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/source/recorded"
	"dewline/internal/store"
)

// History is where [FromHistory] reads from; a *[history.Store] is one.
type History interface {
	ReadingsBetween(ctx context.Context, from, to instant.Instant, wanted func(quantity.Point) bool) iter.Seq2[store.PointSample, error]
}

// FromHistory streams the readings of the wanted points in [from, to] of a store, with their flags, as if they came from a readings file;
// a from or to of None is open, wanted nil means all. Derived quantities are left out, since the core derives them again. Where retention has left only
// minutes, a minute is one reading: its mean. The store is read once to learn what it holds, and again for each use.
func FromHistory(ctx context.Context, db History, wanted func(quantity.Point) bool, from, to instant.Instant) (*recorded.Stream, error) {
	s := &recorded.Stream{First: instant.None, Last: instant.None, Kept: true}
	numbers := map[quantity.Point]int32{}
	for sample, err := range measured(ctx, db, wanted, from, to) {
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
	s.Rows = rowsOf(ctx, db, s.Points, from, s.Last) // a daemon may go on writing
	return s, nil
}

// LongHistory is [FromHistory] for a range so long that reading it twice takes too long: the rows are not counted, and First and Last
// are the ends of the range, the first of them not before the first reading.
func LongHistory(ctx context.Context, db interface {
	History
	Points() []quantity.Point
}, from, to instant.Instant) (*recorded.Stream, error) {
	s := &recorded.Stream{First: instant.None, Last: to, Kept: true}
	for sample, err := range measured(ctx, db, nil, from, to) {
		if err != nil {
			return nil, err
		}
		s.First = sample.At
		break
	}
	for _, p := range db.Points() {
		if !p.Quantity.Derived() {
			s.Points = append(s.Points, p)
		}
	}
	s.Rows = rowsOf(ctx, db, s.Points, from, to)
	return s, nil
}

// rowsOf streams the readings in [from, to] of points, which are numbered by their order.
func rowsOf(ctx context.Context, db History, points []quantity.Point, from, to instant.Instant) func() iter.Seq2[recorded.Row, error] {
	numbers := map[quantity.Point]int32{}
	for i, p := range points {
		numbers[p] = int32(i)
	}
	wanted := func(p quantity.Point) bool {
		_, known := numbers[p]
		return known
	}
	return func() iter.Seq2[recorded.Row, error] {
		return func(yield func(recorded.Row, error) bool) {
			after := make([]int32, len(points)+1) // by the number of a point the one that came after it, which mostly comes again
			number := int32(len(points))
			for sample, err := range measured(ctx, db, wanted, from, to) {
				if before := number; err == nil {
					if number = after[before]; points[number] != sample.Point {
						number = numbers[sample.Point]
						after[before] = number
					}
				}
				if !yield(recorded.Row{At: sample.At, Value: sample.Value, Point: number, Flag: sample.Flag}, err) || err != nil {
					return
				}
			}
		}
	}
}

// measured yields the readings in [from, to] of wanted points that are not derived from others; wanted nil means all.
func measured(ctx context.Context, db History, wanted func(quantity.Point) bool, from, to instant.Instant) iter.Seq2[store.PointSample, error] {
	end := instant.None
	if !to.IsNone() {
		end = to.Add(1) // the store leaves out the end itself
	}
	taken := func(p quantity.Point) bool { return !p.Quantity.Derived() && (wanted == nil || wanted(p)) }
	return func(yield func(store.PointSample, error) bool) {
		n := 0
		for sample, err := range db.ReadingsBetween(ctx, from, end, taken) {
			if n++; err == nil && n%8192 == 0 {
				err = context.Cause(ctx)
			}
			if err != nil {
				yield(sample, fmt.Errorf("taking readings out of the history: %w", err))
				return
			}
			if !yield(sample, nil) {
				return
			}
		}
	}
}

// Kinds returns the kinds of journal entries that a replay goes by.
func Kinds() []journal.Kind { return slices.Concat(cohort.Kinds(), cohort.CareKinds()) }

// WithJournal returns the site with the animals' record as the journal has it: who lived where, and at which stage, by the time from
// which on an entry counts, whenever it was written; and with the mistings on record. Where a back-dated entry was written later, the figures
// are as they are known now. Entries may come in any order.
func WithJournal(site watch.Site, entries []*journal.Entry) watch.Site {
	return site.WithRecord(cohort.Read(entries))
}

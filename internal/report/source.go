package report

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/nuisance"
	"dewline/internal/core/quantity"
	"dewline/internal/store"
)

// History is what a report is made from; a *[history.Store] is one, opened for queries alone beside a running daemon.
type History interface {
	store.Journal
	Points() []quantity.Point
	ReadingsBetween(ctx context.Context, from, to instant.Instant, wanted func(quantity.Point) bool) iter.Seq2[store.PointSample, error]
	Columns(ctx context.Context, p quantity.Point, from, to instant.Instant, n int) ([]store.Column, error)
}

// Entries returns all entries that a filter asks for, the oldest (by number) first.
func Entries(ctx context.Context, j store.Journal, f store.Filter) (all []*journal.Entry, err error) {
	for e, err := range store.Entries(ctx, j, f) {
		if err != nil {
			return nil, err
		}
		all = append(all, e)
	}
	slices.Reverse(all)
	return all, nil
}

// ErrNoReadings says that a history holds no reading at all.
var ErrNoReadings = errors.New("the history holds no readings yet")

// Newest returns the time of the newest reading of a history.
func Newest(ctx context.Context, h History) (instant.Instant, error) {
	if any, err := anySince(ctx, h, instant.None); err != nil || !any {
		if err == nil {
			err = ErrNoReadings
		}
		return instant.None, err
	}
	// The store knows no end, but answers quickly whether anything comes after a time.
	low, high := instant.Instant(0), instant.Of(time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC))
	for high.Sub(low) > time.Hour {
		middle := low + (high-low)/2
		any, err := anySince(ctx, h, middle)
		if err != nil {
			return instant.None, err
		}
		if any {
			low = middle
		} else {
			high = middle
		}
	}
	newest := instant.None
	for sample, err := range h.ReadingsBetween(ctx, low, instant.None, nil) {
		if err != nil {
			return instant.None, err
		}
		newest = max(newest, sample.At)
	}
	return newest, nil
}

func anySince(ctx context.Context, h History, t instant.Instant) (bool, error) {
	for _, err := range h.ReadingsBetween(ctx, t, instant.None, nil) {
		return err == nil, err
	}
	return false, ctx.Err()
}

// DaysBefore returns the midnight with which n local days begin of which the last one holds t.
func DaysBefore(t instant.Instant, location *time.Location, n int) instant.Instant {
	year, month, day := t.Time().In(location).Date()
	return instant.Of(care.NextMidnight(time.Date(year, month, day-n, 12, 0, 0, 0, location), location))
}

// Monitored returns, for each bin of ten minutes that overlaps [from, to), whether any point gave a usable reading in it. A
// pause of at most gap, the longest pause between two readings of a working sensor, counts as monitored.
func Monitored(ctx context.Context, h History, from, to instant.Instant, gap time.Duration) ([]bool, error) {
	if to <= from {
		return nil, fmt.Errorf("the range ends (%s) before it begins (%s)", to, from)
	}
	first, last := nuisance.BinOf(from), nuisance.BinOf(to-1)
	seen := make([]bool, last-first+1)
	for begin := 0; begin < len(seen); begin += store.MaxColumns {
		n := min(len(seen)-begin, store.MaxColumns)
		block := seen[begin : begin+n]
		start := first + int64(begin)
		for _, p := range h.Points() {
			columns, err := h.Columns(ctx, p, nuisance.BinStart(start), nuisance.BinStart(start+int64(n)), n)
			if err != nil {
				return nil, err
			}
			for i := range columns {
				block[i] = block[i] || columns[i].Count > 0
			}
		}
	}
	silence := int(gap / nuisance.Bin)
	for i, since := 0, -1; i < len(seen); i++ {
		if !seen[i] {
			continue
		}
		if since >= 0 && i-since-1 <= silence {
			for k := since + 1; k < i; k++ {
				seen[k] = true
			}
		}
		since = i
	}
	return seen, nil
}

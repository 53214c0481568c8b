package web

import (
	"context"
	"iter"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

// History is what the pages ask of the store. Ranges hold from ≤ t < to. Derived points are answered like measured ones.
type History interface {
	// Columns returns n columns of equal width that together make up the range.
	Columns(ctx context.Context, point quantity.Point, from, to instant.Instant, n int) ([]Column, error)
	// Readings yields the readings of a point in order of time, whatever their flag. It ends after the first error.
	Readings(ctx context.Context, point quantity.Point, from, to instant.Instant) iter.Seq2[ReadingJSON, error]
	// Journal returns the newest entries that pass the filter, newest first.
	Journal(ctx context.Context, filter JournalFilter) ([]journal.Entry, error)
}

// Column sums up the usable readings of a stretch of time. Min, Max and Mean mean nothing while Count is 0.
type Column struct {
	Count          int64
	Min, Max, Mean float64 // canonical unit; the mean is that of the readings
}

// Reading is a value at a time, in the canonical unit of its point.
type ReadingJSON struct {
	At    instant.Instant
	Value float64
	Flag  quantity.Flag
}

// JournalFilter narrows the journal. The zero value passes everything.
type JournalFilter struct {
	From, To instant.Instant // From ≤ At < To; 0 or None = open
	Kinds    []journal.Kind  // empty = all
	Place    string          // "" = all
	Before   uint64          // only entries with a smaller sequence number; 0 = all
	Limit    int             // 0 = 200
}

package web

import (
	"context"
	"iter"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/store"
)

// History is what the pages ask of the store. Ranges hold from ≤ t < to. Derived points are answered like measured ones.
type History interface {
	store.Journal
	// Columns returns n columns of equal width that together make up the range.
	Columns(ctx context.Context, point quantity.Point, from, to instant.Instant, n int) ([]store.Column, error)
	// Readings yields the readings of a point in order of time, whatever their flag. It ends after the first error.
	Readings(ctx context.Context, point quantity.Point, from, to instant.Instant) iter.Seq2[store.Sample, error]
}

// pageEntries is how many entries of the journal are held at once: the board's memory is small.
const pageEntries = 500

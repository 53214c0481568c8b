package daemon

import (
	"cmp"
	"context"
	"iter"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/server/web"
	"dewline/internal/store"
)

// historyOf returns the store as the pages see it; nil without a store.
func historyOf(db *store.Store) web.History {
	if db == nil {
		return nil
	}
	return storedHistory{db}
}

// storedHistory implements [web.History] with the store.
type storedHistory struct{ db *store.Store }

// Columns sums up a range.
func (p storedHistory) Columns(ctx context.Context, point quantity.Point, from, to instant.Instant, n int) ([]web.Column, error) {
	columns, err := p.db.Columns(ctx, point, from, to, n)
	if err != nil {
		return nil, err
	}
	out := make([]web.Column, len(columns))
	for i, c := range columns {
		out[i].Count = int64(c.Count)
		if c.Count > 0 {
			out[i].Min, out[i].Max, out[i].Mean = c.Min, c.Max, c.Mean
		}
	}
	return out, nil
}

// Readings yields the readings of a range.
func (p storedHistory) Readings(ctx context.Context, point quantity.Point, from, to instant.Instant) iter.Seq2[web.ReadingJSON, error] {
	return func(yield func(web.ReadingJSON, error) bool) {
		for s, err := range p.db.Readings(ctx, point, from, to) {
			if err != nil {
				yield(web.ReadingJSON{}, err)
				return
			}
			if !yield(web.ReadingJSON{At: s.At, Value: s.Value, Flag: s.Flag}, nil) {
				return
			}
		}
	}
}

// Journal returns entries, the newest first.
func (p storedHistory) Journal(ctx context.Context, f web.JournalFilter) ([]journal.Entry, error) {
	limit := cmp.Or(f.Limit, 200)
	found, err := p.db.Journal(ctx, store.Filter{
		From: f.From, To: f.To, Kinds: f.Kinds, Place: f.Place, Before: f.Before, Limit: limit,
	})
	if err != nil {
		return nil, err
	}
	entries := make([]journal.Entry, len(found))
	for i, e := range found {
		entries[i] = *e
	}
	return entries, nil
}

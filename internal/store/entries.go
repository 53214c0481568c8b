package store

import (
	"cmp"
	"context"
	"iter"

	"dewline/internal/core/journal"
)

// Journal is what answers questions about entries: a [Store], or what stands in for one.
type Journal interface {
	Journal(ctx context.Context, f Filter) ([]*journal.Entry, error)
}

// pageEntries is how many entries are asked for at once where the filter does not say.
const pageEntries = 5000

// Entries yields all entries that a filter asks for, the newest (by number) first. The limit of the filter is the length of a page: how many
// are asked for at once. It ends after the first error.
func Entries(ctx context.Context, j Journal, f Filter) iter.Seq2[*journal.Entry, error] {
	f.Limit = cmp.Or(f.Limit, pageEntries)
	return func(yield func(*journal.Entry, error) bool) {
		for {
			page, err := j.Journal(ctx, f)
			if err != nil {
				yield(nil, err)
				return
			}
			for _, e := range page {
				if !yield(e, nil) {
					return
				}
			}
			if len(page) < f.Limit {
				return
			}
			f.Before = page[len(page)-1].Seq
		}
	}
}

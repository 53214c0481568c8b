package store

import (
	"context"
	"database/sql"
	"iter"
)

// querier is a database or a transaction in it.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// scanned yields what scan makes of each row of a query. It ends with the first error.
func scanned[T any](ctx context.Context, from querier, scan func(*sql.Rows) (T, error), query string, args ...any) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		var none T
		rows, err := from.QueryContext(ctx, query, args...)
		if err != nil {
			yield(none, err)
			return
		}
		defer rows.Close()
		for rows.Next() {
			if v, err := scan(rows); !yield(v, err) || err != nil {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(none, err)
		}
	}
}

// collected gathers what is yielded up to the first error.
func collected[T any](all iter.Seq2[T, error]) (list []T, err error) {
	for v, err := range all {
		if err != nil {
			return nil, err
		}
		list = append(list, v)
	}
	return list, nil
}

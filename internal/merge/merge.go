// Package merge brings sequences that are each in order into one that is in order, such as the readings of many points into one record.
package merge

import (
	"iter"
	"slices"
)

// Sorted yields the values of all sources, each of which is in the order of compare, in that order; of equal ones first that of the earlier
// source. It holds one value of each, and ends with the first error of any.
func Sorted[T any](sources []iter.Seq2[T, error], compare func(a, b T) int) iter.Seq2[T, error] {
	if len(sources) == 1 {
		return sources[0]
	}
	type head struct {
		first  T
		source int
		next   func() (T, error, bool)
	}
	before := func(a, b *head) bool {
		order := compare(a.first, b.first)
		return order < 0 || order == 0 && a.source < b.source
	}
	return func(yield func(T, error) bool) {
		var heads []*head
		for i, source := range sources {
			next, stop := iter.Pull2(source)
			defer stop()
			switch v, err, more := next(); {
			case err != nil:
				yield(v, err)
				return
			case more:
				heads = append(heads, &head{v, i, next})
			}
		}
		slices.SortStableFunc(heads, func(a, b *head) int { return compare(a.first, b.first) }) // a sorted list is a heap
		for len(heads) > 0 {
			h := heads[0]
			if !yield(h.first, nil) {
				return
			}
			v, err, more := h.next()
			if err != nil {
				yield(v, err)
				return
			}
			if h.first = v; !more {
				last := len(heads) - 1
				heads[0], heads = heads[last], heads[:last]
			}
			Sink(heads, before)
		}
	}
}

// Sink moves the first element of a heap, which has changed, down to where it belongs: at each row of a year of twenty points, a search
// through all of them would take twice as long.
func Sink[T any](heap []T, before func(a, b T) bool) {
	for i := 0; ; {
		child := 2*i + 1
		if child >= len(heap) {
			return
		}
		if child+1 < len(heap) && before(heap[child+1], heap[child]) {
			child++
		}
		if !before(heap[child], heap[i]) {
			return
		}
		heap[i], heap[child] = heap[child], heap[i]
		i = child
	}
}

// Package merge brings sequences that are each in order into one that is in order, such as the readings of many points into one record.
package merge

import (
	"iter"

	"dewline/internal/core/instant"
)

// Source gives the next value of a sequence; more is false at its end.
type Source[T any] func() (v T, more bool, err error)

// Sorted yields the values of all sources, each of which is in the order of its times, in that order; of equal ones first that of the earlier
// source. It holds one value of each, and ends with the first error of any.
func Sorted[T any](sources []Source[T], at func(*T) instant.Instant) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		first := make([]T, len(sources)) // the next value of each
		var waiting heap
		for i, next := range sources {
			v, more, err := next()
			if err != nil {
				yield(v, err)
				return
			}
			if first[i] = v; more {
				waiting = append(waiting, head{at(&first[i]), i})
			}
		}
		for i := len(waiting)/2 - 1; i >= 0; i-- {
			waiting.sink(i)
		}
		for len(waiting) > 0 {
			i := waiting[0].source
			if !yield(first[i], nil) {
				return
			}
			v, more, err := sources[i]()
			if err != nil {
				yield(v, err)
				return
			}
			if first[i] = v; more {
				waiting[0].at = at(&first[i])
			} else {
				last := len(waiting) - 1
				waiting[0], waiting = waiting[last], waiting[:last]
			}
			waiting.sink(0)
		}
	}
}

// head is the time of the next value of a source.
type head struct {
	at     instant.Instant
	source int
}

func (a *head) before(b *head) bool { return a.at < b.at || a.at == b.at && a.source < b.source }

// heap has the earliest head first: at each row of a year of twenty points, a search through all of them would take twice as long.
type heap []head

// sink moves the element at i, which has changed, down to where it belongs.
func (h heap) sink(i int) {
	if i >= len(h) {
		return
	}
	moved := h[i]
	for {
		child := 2*i + 1
		if child >= len(h) {
			break
		}
		if child+1 < len(h) && h[child+1].before(&h[child]) {
			child++
		}
		if !h[child].before(&moved) {
			break
		}
		h[i] = h[child]
		i = child
	}
	h[i] = moved
}

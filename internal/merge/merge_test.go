package merge_test

import (
	"cmp"
	"errors"
	"iter"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/merge"
)

// value is one of a source, at a time.
type value struct{ at, source int }

func of(values []value, end error) iter.Seq2[value, error] {
	return func(yield func(value, error) bool) {
		for _, v := range values {
			if !yield(v, nil) {
				return
			}
		}
		if end != nil {
			yield(value{}, end)
		}
	}
}

func byTime(a, b value) int { return cmp.Compare(a.at, b.at) }

// A merge gives what a stable sort of everything gives.
func TestSortedIsAStableSort(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var sources []iter.Seq2[value, error]
		var want []value
		for source := range rapid.IntRange(0, 6).Draw(t, "sources") {
			times := rapid.SliceOfN(rapid.IntRange(0, 20), 0, 12).Draw(t, "times")
			slices.Sort(times)
			var values []value
			for _, at := range times {
				values = append(values, value{at, source})
			}
			sources, want = append(sources, of(values, nil)), append(want, values...)
		}
		slices.SortStableFunc(want, byTime)
		var got []value
		for v, err := range merge.Sorted(sources, byTime) {
			require.NoError(t, err)
			got = append(got, v)
		}
		require.Equal(t, want, got)
	})
}

// The first error ends it, whether a source begins with it or comes to it, and a reader may stop at any value.
func TestSortedEnds(t *testing.T) {
	broken := errors.New("broken")
	for name, sources := range map[string][]iter.Seq2[value, error]{
		"at once": {of(nil, broken), of([]value{{1, 1}, {2, 1}}, nil)},
		"later":   {of([]value{{1, 0}}, broken), of([]value{{2, 1}, {3, 1}}, nil)},
		"alone":   {of([]value{{1, 0}}, broken)},
	} {
		t.Run(name, func(t *testing.T) {
			var last error
			for _, err := range merge.Sorted(sources, byTime) {
				require.NoError(t, last, "something came after the error")
				last = err
			}
			assert.ErrorIs(t, last, broken)
		})
	}
	for v := range merge.Sorted([]iter.Seq2[value, error]{of([]value{{1, 0}, {3, 0}}, broken), of([]value{{2, 1}}, nil)}, byTime) {
		if v.at == 2 {
			break
		}
	}
}

package merge_test

import (
	"cmp"
	"errors"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/merge"
)

// value is one of a source, at a time.
type value struct{ at, source int }

func of(values []value, end error) merge.Source[value] {
	return func() (v value, more bool, err error) {
		if len(values) == 0 {
			return v, false, end
		}
		v, values = values[0], values[1:]
		return v, true, nil
	}
}

func timeOf(v *value) instant.Instant { return instant.Instant(v.at) }

// A merge gives what a stable sort of everything gives.
func TestSortedIsAStableSort(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var sources []merge.Source[value]
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
		slices.SortStableFunc(want, func(a, b value) int { return cmp.Compare(a.at, b.at) })
		var got []value
		for v, err := range merge.Sorted(sources, timeOf) {
			require.NoError(t, err)
			got = append(got, v)
		}
		require.Equal(t, want, got)
	})
}

// The first error ends it, whether a source begins with it or comes to it, and a reader may stop at any value.
func TestSortedEnds(t *testing.T) {
	broken := errors.New("broken")
	for name, sources := range map[string][]merge.Source[value]{
		"at once": {of(nil, broken), of([]value{{1, 1}, {2, 1}}, nil)},
		"later":   {of([]value{{1, 0}}, broken), of([]value{{2, 1}, {3, 1}}, nil)},
		"alone":   {of([]value{{1, 0}}, broken)},
	} {
		t.Run(name, func(t *testing.T) {
			var last error
			for _, err := range merge.Sorted(sources, timeOf) {
				require.NoError(t, last, "something came after the error")
				last = err
			}
			assert.ErrorIs(t, last, broken)
		})
	}
	for v := range merge.Sorted([]merge.Source[value]{of([]value{{1, 0}, {3, 0}}, broken), of([]value{{2, 1}}, nil)}, timeOf) {
		if v.at == 2 {
			break
		}
	}
}

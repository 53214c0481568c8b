package store

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// Whatever stretches overlap after steps of the clock, the readings of a range are those of its milliseconds one by one: nothing is left out,
// nothing comes twice or in another order, and what is hidden is so in both.
func TestARangeIsTheSumOfItsMoments(t *testing.T) {
	percent(t, 30, func(r *rapid.T) {
		s := quick(r, tempPath(t), Options{})
		defer abandon(s)
		count := map[instant.Instant]int{}
		for range rapid.IntRange(1, 3).Draw(r, "stretches") {
			at := noon.Add(time.Duration(rapid.IntRange(0, 300).Draw(r, "begins")) * minute)
			every := rapid.SampledFrom([]time.Duration{10 * second, minute, 7 * minute}).Draw(r, "every")
			for range rapid.IntRange(1, 500).Draw(r, "length") {
				s.Append("run-1", water, at, valueAt(at), quantity.Pass, 0.01)
				count[at]++
				at = at.Add(every)
			}
			s.Stepped()
			if rapid.Bool().Draw(r, "written") {
				require.NoError(r, s.Commit(context.Background()))
			}
		}
		from := noon.Add(time.Duration(rapid.IntRange(-10, 400).Draw(r, "from")) * minute)
		to := from.Add(time.Duration(rapid.IntRange(1, 600).Draw(r, "length of the range")) * minute)
		of := func(from, to instant.Instant) (all []Sample) {
			for sample, err := range s.AllReadings(context.Background(), water, from, to) {
				require.NoError(r, err)
				all = append(all, sample)
			}
			return all
		}
		whole := of(from, to)
		require.True(r, slices.IsSortedFunc(whole, func(a, b Sample) int { return int(a.At - b.At) }))
		expected := 0
		for at, n := range count {
			if at >= from && at < to {
				expected += n
			}
		}
		require.Len(r, whole, expected)
		for i := 0; i < len(whole); i += 1 + len(whole)/40 {
			at := whole[i].At
			first := slices.IndexFunc(whole, func(s Sample) bool { return s.At == at })
			require.Equal(r, of(at, at.Add(1)), whole[first:first+count[at]])
		}
	})
}

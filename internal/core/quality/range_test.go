package quality

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// The vectors of this file are those of the public test suite of ioos/ioos_qc (tests/test_qartod.py, commit 9c1853a4,
// August 2026), which implements the QARTOD manuals. Where the judgement here differs, the test says so and why.

var none = math.NaN()

func flags(numbers ...quantity.Flag) []quantity.Flag { return numbers }

// gradeSpikes grades each value by its two neighbours; a value without both is not evaluated.
func gradeSpikes(values []float64, suspect, fail float64) []quantity.Flag {
	graded := make([]quantity.Flag, len(values))
	for i, v := range values {
		switch {
		case absent(v):
			graded[i] = quantity.Missing
		case i == 0 || i == len(values)-1 || absent(values[i-1]) || absent(values[i+1]):
			graded[i] = quantity.NotEvaluated
		default:
			graded[i] = above(spikeHeight(values[i-1], v, values[i+1]), suspect, fail)
		}
	}
	return graded
}

func TestSpikeVectors(t *testing.T) {
	mixed := []float64{3, 4.99, 5, 6, 8, 6, 6, 6.75, 6, 6, 5.3, 6, 6, 9, 5, none, 4, 4}
	assert.Equal(t, flags(2, 1, 1, 1, 4, 1, 1, 3, 1, 1, 3, 1, 1, 4, 2, 9, 2, 2), gradeSpikes(mixed, 0.5, 1))
	// Here a threshold of 0 means what it says; in ioos_qc it switches the test off, as NaN does here.
	assert.Equal(t, flags(2, 3, 2), gradeSpikes([]float64{1, 1.1, 1}, 0, none))
	assert.Equal(t, flags(2, 1, 2), gradeSpikes([]float64{1, 9, 1}, none, none))
}

func TestAggregateVectors(t *testing.T) {
	rows := [][]quantity.Flag{
		flags(1, 1, 1, 9, 1, 1, 9, 9),
		flags(2, 1, 1, 1, 1, 1, 9, 9),
		flags(1, 3, 3, 4, 3, 1, 2, 9),
	}
	var got []quantity.Flag
	for i := range rows[0] {
		got = append(got, Aggregate(rows[0][i], rows[1][i], rows[2][i]))
	}
	assert.Equal(t, flags(1, 3, 3, 4, 3, 1, 2, 9), got)
	assert.Equal(t, quantity.Missing, Aggregate())
}

// slowSpan looks back value by value.
func slowSpan(times []instant.Instant, values []float64, tolerance float64) time.Duration {
	last := len(values) - 1
	low, high, first := values[last], values[last], last
	for first > 0 {
		v := values[first-1]
		if max(high, v)-min(low, v) > tolerance {
			break
		}
		low, high, first = min(low, v), max(high, v), first-1
	}
	return times[last].Sub(times[first])
}

func TestSteadyAgreesWithLookingBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64Range(0, 9).AsAny(), 1, 60).Draw(t, "values")
		tolerance := float64(rapid.IntRange(0, 6).Draw(t, "tolerance"))
		coarse := rapid.Bool().Draw(t, "coarse")
		s := steady{tolerance: tolerance}
		var times []instant.Instant
		var seen []float64
		at := instant.Instant(0)
		for _, value := range values {
			v := value.(float64)
			if coarse {
				v = math.Round(v)
			}
			at = at.Add(time.Duration(rapid.IntRange(0, 3).Draw(t, "step")))
			times, seen = append(times, at), append(seen, v)
			span, count := s.push(at, v)
			if want := slowSpan(times, seen, tolerance); span != want || count != len(seen) {
				t.Fatalf("%v at %v, tolerance %v: span %d, want %d; count %d", seen, times, tolerance, span, want, count)
			}
		}
	})
}

func TestSteadyIsBounded(t *testing.T) {
	s := steady{tolerance: 1}
	var span time.Duration
	for i := range 3 * maxMarks {
		span, _ = s.push(instant.Instant(i), float64(i)*1e-6)
	}
	assert.LessOrEqual(t, s.lowest.len(), maxMarks)
	assert.Equal(t, time.Duration(maxMarks-1), span, "shorter than the truth, never longer")
}

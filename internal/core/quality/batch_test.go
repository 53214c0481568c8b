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

// every returns n times, so far apart.
func every(step time.Duration, n int) []instant.Instant {
	times := make([]instant.Instant, n)
	for i := range times {
		times[i] = instant.Instant(i) * instant.Instant(step)
	}
	return times
}

func TestGrossRangeVectors(t *testing.T) {
	got := GrossRange([]float64{5, 10, 15, 20, 25, 30, 35, 40, 45, 51}, Range{10, 50}, Range{20, 40})
	assert.Equal(t, flags(4, 3, 3, 1, 1, 1, 1, 1, 3, 4), got)
	assert.Equal(t, flags(9, 1, 9), GrossRange([]float64{none, 1e9, math.Inf(1)}, Range{}, Range{}), "no limits, missing values")
}

func TestSpikeVectors(t *testing.T) {
	spike := []float64{10, 12, 999.99, 13, 15, 40, 9, 9}
	negated := make([]float64, len(spike))
	for i, v := range spike {
		negated[i] = -v
	}
	mixed := []float64{3, 4.99, 5, 6, 8, 6, 6, 6.75, 6, 6, 5.3, 6, 6, 9, 5, none, 4, 4}
	assert.Equal(t, flags(2, 4, 4, 4, 1, 3, 1, 2), SpikeAverage(spike, 25, 50))
	assert.Equal(t, flags(2, 4, 4, 4, 1, 3, 1, 2), SpikeAverage(negated, 25, 50))
	assert.Equal(t, flags(2, 4, 4, 4, 1, 3, 1, 2, 9, 2, 4, 4, 2, 9),
		SpikeAverage(append(spike, none, 10, 10, 999.99, 10, none), 25, 50))
	assert.Equal(t, flags(2, 3, 1, 1, 4, 3, 1, 3, 1, 1, 3, 1, 4, 4, 2, 9, 2, 2), SpikeAverage(mixed, 0.5, 1))
	assert.Equal(t, flags(2, 1, 1, 1, 4, 1, 1, 3, 1, 1, 3, 1, 1, 4, 2, 9, 2, 2), SpikeDifference(mixed, 0.5, 1))
	// Here a threshold of 0 means what it says; in ioos_qc it switches the test off, as NaN does here.
	assert.Equal(t, flags(2, 3, 2), SpikeDifference([]float64{1, 1.1, 1}, 0, none))
	assert.Equal(t, flags(2, 1, 2), SpikeDifference([]float64{1, 9, 1}, none, none))
}

func TestRateOfChangeVectors(t *testing.T) {
	values := []float64{2, 10, 2.1, 3, 4, 5, 7, 10, 0, 2, 2.2, 2, 1, 2, 3, 90, 91, 92, 93, 1, 2, 3, 4, 5}
	times := every(15*time.Minute, len(values))
	const perMinute = 1. / 15
	// ioos_qc passes the first value and the one after a missing one, which nothing has judged: here they are 2.
	assert.Equal(t, flags(2, 3, 3, 1, 1, 1, 1, 1, 3, 1, 1, 1, 1, 1, 1, 3, 1, 1, 1, 3, 1, 1, 1, 1),
		RateOfChange(times, values, 5*perMinute, none))
	// ioos_qc also fails the 0 at index 8. It is exactly 10 below its predecessor, and so not above the limit of 10;
	// there, 10/900 and 10/15/60 differ in their last bit.
	assert.Equal(t, flags(2, 3, 3, 1, 1, 1, 1, 1, 3, 1, 1, 1, 1, 1, 1, 4, 1, 1, 1, 4, 1, 1, 1, 1),
		RateOfChange(times, values, 5*perMinute, 10*perMinute))
	assert.Equal(t, flags(2, 3, 3, 1, 9, 9, 2, 1),
		RateOfChange(every(15*time.Minute, 8), []float64{2, 10, 2, 3, none, none, 7, 10}, 5*perMinute, none))
	// ioos_qc cuts times to whole seconds and divides by zero here.
	assert.Equal(t, flags(2, 3), RateOfChange([]instant.Instant{1e9, 1e9 + 5e8}, []float64{1, 2}, 1, none))
	assert.Equal(t, flags(2, 2), RateOfChange([]instant.Instant{1e9, 1e9}, []float64{1, 2}, 1, none), "no time between")
}

func TestFlatLineVectors(t *testing.T) {
	wave := []float64{1, 2, 2.0001, 2, 2.0001, 2, 2.0001, 2, 4, 5, 3, 3.0001, 3.0005, 3.00001}
	times := every(15*time.Minute, len(wave))
	// ioos_qc turns 3000 s and 4800 s into 3 and 5 intervals of 900 s, cutting the rest. With these times, judged by
	// time as here, its published flags come out.
	assert.Equal(t, flags(1, 1, 1, 1, 3, 3, 4, 4, 1, 1, 1, 1, 1, 3),
		FlatLine(times, wave, 2700*time.Second, 4500*time.Second, 0.01))
	// And with 3000 s and 4800 s themselves each flag comes one sample later, or not at all in the last 2700 s.
	assert.Equal(t, flags(1, 1, 1, 1, 1, 3, 3, 4, 1, 1, 1, 1, 1, 1),
		FlatLine(times, wave, 3000*time.Second, 4800*time.Second, 0.01))

	constant := []float64{5, 5, 5, 5, 5, 5}
	seconds := every(time.Second, 10)
	assert.Equal(t, flags(1, 1, 1, 3, 3, 4), FlatLine(seconds, constant, 3*time.Second, 5*time.Second, 0.1))
	assert.Equal(t, flags(1, 1), FlatLine(seconds, constant[:2], time.Nanosecond, time.Nanosecond, 0.1), "fewer than three")
	assert.Equal(t, flags(1, 1, 1, 3, 3, 1, 1, 1, 3, 3),
		FlatLine(seconds, []float64{1, 1, 1, 1, 1, 6, 5, 4, 3, 2}, 3*time.Second, 6*time.Second, 4))
	// ioos_qc never fires at its default tolerance of 0, since it asks for a range below it.
	assert.Equal(t, flags(1, 1, 1, 3, 3, 4), FlatLine(seconds, constant, 3*time.Second, 5*time.Second, 0))
	// Irregular times: ioos_qc counts in samples of the median interval.
	assert.Equal(t, flags(1, 9, 1, 3), FlatLine([]instant.Instant{0, 1e9, 2e9, 60e9}, []float64{5, none, 5, 5},
		time.Minute, time.Hour, 0))
}

func TestAttenuatedVectors(t *testing.T) {
	ramp := []float64{10, 20, 30, 40}
	assert.Equal(t, flags(4, 4, 4, 4), Attenuated(ramp, 50, 31))
	assert.Equal(t, flags(3, 3, 3, 3), Attenuated(ramp, 31, 10))
	assert.Equal(t, flags(1, 1, 1, 1), Attenuated(ramp, 30, 10), "the range is not below the threshold")
	assert.Equal(t, flags(2, 9), Attenuated([]float64{1, none}, 1, 1), "one value has no range")
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

// The manual flags a missing reading 9; time_gap_test of ioos_qc gives 4.
func TestGap(t *testing.T) {
	assert.Equal(t, quantity.Pass, Gap(0, 60e9, time.Minute))
	assert.Equal(t, quantity.Missing, Gap(0, 60e9+1, time.Minute))
	assert.Equal(t, quantity.Missing, Gap(instant.None, 0, time.Minute))
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

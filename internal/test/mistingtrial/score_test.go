package main

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"dewline/internal/core/misting"
)

// A few enclosures that had no part in the choice of constants.
func TestHeldBackEnclosures(t *testing.T) {
	var rows []row
	for seed := uint64(7001); seed < 7005; seed++ {
		r := score(seed, 10)
		t.Log(r.line())
		rows = append(rows, r)
	}
	s := summarise(rows)
	assert.GreaterOrEqual(t, s.precision, 0.95)
	assert.GreaterOrEqual(t, s.recall, 0.95)
	assert.GreaterOrEqual(t, s.good, 3, "hours below the band, within 15 %% or half an hour a day")
	assert.Greater(t, s.good+s.covered, 2*s.sameGood, "better than saying that nothing changes")
}

func TestSummaryCountsTheBadRows(t *testing.T) {
	good := row{due: 10, found: 10, right: 10, n: 1, trueN: 1.05, kappa: math.NaN(), nIn: true, truth: 2, now: 4, forecast: misting.Interval{Low: 1.5, Mid: 2.1, High: 2.6}, blind: misting.Interval{Mid: 2}, rivalSame: 4, rivalExponential: 5}
	bad := good
	bad.right, bad.n, bad.nIn, bad.forecast = 5, 2, false, misting.Interval{Low: 3, Mid: 4, High: 5}
	refused := good
	nan := math.NaN()
	refused.n, refused.forecast = nan, misting.Interval{Low: nan, Mid: nan, High: nan}
	s := summarise([]row{good, bad, refused})
	assert.InDelta(t, 25.0/30, s.precision, 1e-9)
	assert.Equal(t, 0.5, s.worstRecall)
	assert.Equal(t, [3]int{2, 1, 1}, [3]int{s.statedN, s.goodN, s.coveredN})
	assert.Equal(t, [3]int{2, 1, 1}, [3]int{s.forecasts, s.good, s.covered})
	assert.InDelta(t, 2, s.worstMiss, 1e-9)
	assert.Zero(t, s.sameGood)
	assert.Contains(t, bad.line(), "4.00 !")
	assert.Contains(t, bad.line(), "5.00*")
	assert.Contains(t, refused.line(), "–")
	assert.Equal(t, 9, strings.Count(s.text(), "\n"))
}

package watch_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/watch"
)

// The totals of a point since the core was made equal those of its ledgers, and a restored core begins at zero.
func TestTotalsAgreeWithLedgers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		site := room(t)
		first := watch.New(site, "run-1")
		events := drawEvents(t, first)
		split := rapid.IntRange(0, len(events)).Draw(t, "split")
		fold(first, events[:split]...)
		data, err := first.Snapshot()
		require.NoError(t, err)
		core := watch.New(site, "run-1")
		require.NoError(t, core.Restore(data))
		points := core.Points()

		before := make([]watch.PointState, len(points))
		for i := range points {
			before[i] = core.State(int32(i))
			require.Zero(t, before[i].Departures)
			require.Zero(t, before[i].Degree)
		}
		effects := fold(core, events[split:]...)
		if len(events) > 0 {
			effects = append(effects, core.Finish(events[len(events)-1].At, nil)...)
		}
		departures := make([]uint64, len(points))
		degree := make([][3]float64, len(points))
		for _, e := range effects {
			if e.Kind == watch.LedgerClosed {
				departures[e.Point] += uint64(e.Ledger.Excursions)
				degree[e.Point][watch.BelowBand] += e.Ledger.DegreeBelow
				degree[e.Point][watch.AboveBand] += e.Ledger.DegreeAbove
			}
		}
		whole := watch.New(site, "run-1")
		for _, e := range fold(whole, events[:split]...) {
			if e.Kind == watch.LedgerClosed { // the part of the open ledger that the restored core had not counted itself
				degree[e.Point][watch.BelowBand] += e.Ledger.DegreeBelow
				degree[e.Point][watch.AboveBand] += e.Ledger.DegreeAbove
				departures[e.Point] += uint64(e.Ledger.Excursions)
			}
		}
		for i := range points {
			s, old := core.State(int32(i)), first.State(int32(i))
			require.Equal(t, departures[i], s.Departures[watch.BelowBand]+s.Departures[watch.AboveBand]+
				old.Departures[watch.BelowBand]+old.Departures[watch.AboveBand], "%s", points[i])
			for side := range degree[i] {
				require.InDelta(t, degree[i][side], s.Degree[side]+old.Degree[side], 1e-6, "%s", points[i])
			}
		}
	})
}

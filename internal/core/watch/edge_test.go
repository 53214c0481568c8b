package watch_test

import (
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// A value that is the limit, or the limit less its deadband, is within it, whatever units the three were written in: 20.1 + 0.3 is
// 20.4, and 64.4 °F is 18.0 °C.
func TestValuesOnALimitAreWithinIt(t *testing.T) {
	units := map[quantity.Quantity][]quantity.Unit{
		quantity.WaterTemperature: {quantity.Celsius, quantity.Fahrenheit},
		quantity.RelativeHumidity: {quantity.PercentRelativeHumidity},
		quantity.Pressure:         {quantity.Pascal, quantity.Hectopascal, quantity.Kilopascal},
	}
	rapid.Check(t, func(t *rapid.T) {
		q := rapid.SampledFrom([]quantity.Quantity{quantity.WaterTemperature, quantity.RelativeHumidity, quantity.Pressure}).Draw(t, "quantity")
		above := rapid.Bool().Draw(t, "a limit from above")
		sign := map[bool]float64{true: 1, false: -1}[above]
		limitUnit, valueUnit := rapid.SampledFrom(units[q]).Draw(t, "unit of the limit"), rapid.SampledFrom(units[q]).Draw(t, "unit of the value")
		// Whole ninths of a tenth have a decimal form in both degrees.
		tenths := float64(rapid.IntRange(100, 400).Draw(t, "limit in tenths"))
		deadbandTenths := float64(rapid.IntRange(1, 20).Draw(t, "deadband in tenths"))
		if q == quantity.WaterTemperature && (limitUnit == quantity.Fahrenheit) != (valueUnit == quantity.Fahrenheit) {
			tenths, deadbandTenths = 5*float64(int(tenths)/5), 5*float64(1+int(deadbandTenths)/5)
		}
		written := func(tenths float64, unit quantity.Unit) float64 { // as the canonical value of decimal text in the unit
			switch {
			case unit == quantity.Fahrenheit:
				return unit.ToCanonical((tenths*9/5 + 320) / 10)
			case unit == quantity.Hectopascal || unit == quantity.Kilopascal:
				return unit.ToCanonical(unit.FromCanonical(tenths / 10))
			}
			return tenths / 10
		}
		limit := written(tenths, limitUnit)
		back := written(tenths-sign*deadbandTenths, valueUnit)
		beyond := written(tenths+sign*deadbandTenths, valueUnit)

		bands := band(none, limit, none, none, delays(0, 0, deadbandTenths/10))
		if above {
			bands = band(none, none, limit, none, delays(0, 0, deadbandTenths/10))
		}
		point := quantity.Point{Place: "tub-1", Quantity: q}
		site := tub(bands, time.Hour)
		site.Places[1].Bands = map[quantity.Quantity]care.DayNight{q: bands}
		site.Points = []watch.Point{{Point: point, Gap: time.Hour}}
		c := watch.New(site, "test")
		on := written(tenths, valueUnit)
		steps := []float64{on, beyond, on, back}
		var effects []watch.Effect
		index, _ := c.Index(point)
		c.Step(watch.Event{Kind: watch.StartEvent, At: at(0)}, nil)
		for i, v := range steps {
			effects = append(effects, c.Step(watch.Event{At: at(60 * float64(i)), Point: index, Value: v, Flag: quantity.Pass}, nil)...)
			state := c.State(index)
			require.Equal(t, i == 1, state.Zone.Outside(), "value %v beside the limit %v", v, limit)
			cleared := entries(effects, journal.AlarmCleared)
			require.Len(t, cleared, map[bool]int{true: 1, false: 0}[i == 3], "value %v beside the limit %v by %v", v, limit, deadbandTenths/10)
		}
		require.Len(t, entries(effects, journal.AlarmRaised), 1)
	})
}

// A state from before the zone "no-band" existed is still read: the last of its six zones is "unknown".
func TestStatesOfSixZonesAreStillRead(t *testing.T) {
	data, err := os.ReadFile("testdata/state-of-six-zones.gob")
	require.NoError(t, err)
	c := watch.New(tub(band(20, 22, 26, none, delays(600*time.Second, 600*time.Second, 0.5)), 5*time.Minute), "now")
	require.NoError(t, c.Restore(data))
	state := c.State(0)
	assert.Equal(t, watch.UnknownZone, state.Zone)
	assert.Equal(t, 27.5, state.Value)
	assert.Equal(t, [watch.ZoneCount]time.Duration{0, 275 * time.Second, 800 * time.Second, 1025 * time.Second, 0, 0, 2900 * time.Second}, state.Today.InZone)
	assert.Equal(t, state.Today.Elapsed(), 5000*time.Second)
	again, err := c.Snapshot()
	require.NoError(t, err)
	later := watch.New(tub(band(20, 22, 26, none), 5*time.Minute), "later")
	require.NoError(t, later.Restore(again))
	assert.Equal(t, state.Today, later.State(0).Today)
}

// Where no limit is in force a value is not in band; where there are no readings it is unknown as everywhere.
func TestNoBandIsNotInBand(t *testing.T) {
	c := watch.New(tub(band(none, none, none, none), 5*time.Minute), "test")
	effects := fold(c, series(t, c, water, 300, 24, 24, none, none, 24)...)
	assert.Equal(t, watch.NoBand, c.State(0).Zone)
	assert.Equal(t, watch.NoCertainty, c.State(0).Certainty)
	sum, stays := exposure(c, effects, at(1200))
	assert.Equal(t, [watch.ZoneCount]time.Duration{watch.NoBand: 300 * time.Second, watch.UnknownZone: 900 * time.Second}, sum.InZone)
	assert.Empty(t, stays)
	assert.Zero(t, sum.DegreeAbove+sum.DegreeBelow)
}

// A reading that is joined to no other counts for the extremes of the ledger that ends with it.
func TestAReadingAfterAGapIsSeenAtTheEndOfALedger(t *testing.T) {
	c := watch.New(tub(band(none, 22, 26, none), time.Minute), "test")
	c.Step(watch.Event{Kind: watch.StartEvent, At: at(0)}, nil)
	c.Step(watch.Event{Kind: watch.CutEvent, At: at(1200)}, nil)
	var closed []watch.Ledger
	for _, e := range fold(c, watch.Event{At: at(0), Value: 24, Flag: 1}, watch.Event{At: at(1200), Value: 31, Flag: 1}) {
		if e.Kind == watch.LedgerClosed {
			closed = append(closed, *e.Ledger)
		}
	}
	require.Len(t, closed, 1)
	assert.Equal(t, 24.0, closed[0].Min)
	assert.Equal(t, 31.0, closed[0].Max)
}

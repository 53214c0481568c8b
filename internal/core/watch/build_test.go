package watch_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// epoch is the time 0 of the tests: a Monday noon in UTC.
var epoch = instant.Of(time.Date(2026, 7, 6, 12, 0, 0, 0, time.UTC))

func at(seconds float64) instant.Instant {
	return epoch + instant.Instant(math.Round(seconds*1e9))
}

func seconds(i instant.Instant) float64 { return float64(i-epoch) / 1e9 }

var (
	water = quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}
	air   = quantity.Point{Place: "loft", Quantity: quantity.AirTemperature}
)

// band builds a band from limits (NaN = absent).
func band(criticalLow, low, high, criticalHigh float64, change ...func(*care.Band)) care.DayNight {
	b := care.NoBand()
	b.Limits = [care.LimitCount]float64{criticalLow, low, high, criticalHigh}
	for _, f := range change {
		f(&b)
	}
	return care.DayNight{Day: b, Night: b}
}

var none = math.NaN()

func delays(on, off time.Duration, deadband float64) func(*care.Band) {
	return func(b *care.Band) { b.OnDelay, b.OffDelay, b.Deadband = on, off, deadband }
}

// tub is a site with one tub whose water has the band.
func tub(bands care.DayNight, gap time.Duration) watch.Site {
	return watch.Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{AlwaysDay: true, Location: time.UTC},
		Places: []watch.Place{
			{ID: "loft", Room: true},
			{ID: "tub-1", In: "loft", Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: bands}},
		},
		Points: []watch.Point{{Point: water, Gap: gap}},
	}
}

// fold steps through events and gathers copies of the effects.
func fold(c *watch.Core, events ...watch.Event) []watch.Effect {
	var all []watch.Effect
	for _, ev := range events {
		all = append(all, c.Step(ev, nil)...)
	}
	return all
}

// series makes readings of a point, one each step seconds from time 0; NaN leaves one out.
func series(t testing.TB, c *watch.Core, p quantity.Point, step float64, values ...float64) []watch.Event {
	index, ok := c.Index(p)
	require.True(t, ok)
	events := []watch.Event{{Kind: watch.StartEvent, At: at(0)}}
	for i, v := range values {
		if !math.IsNaN(v) {
			events = append(events, watch.Event{At: at(float64(i) * step), Point: index, Value: v, Flag: quantity.Pass})
		}
	}
	return events
}

// entries returns the journal entries of a kind.
func entries(effects []watch.Effect, kind journal.Kind) []*journal.Entry {
	var found []*journal.Entry
	for _, e := range effects {
		if e.Kind == watch.Record && e.Entry.Kind == kind {
			found = append(found, e.Entry)
		}
	}
	return found
}

// exposure adds up all ledgers and lists the excursions of the first point, after closing it at the end time.
func exposure(c *watch.Core, effects []watch.Effect, end instant.Instant) (watch.Ledger, []watch.Excursion) {
	effects = append(effects, c.Finish(end, nil)...)
	var sum watch.Ledger
	var stays []watch.Excursion
	for _, e := range effects {
		switch {
		case e.Point != 0:
		case e.Kind == watch.LedgerClosed:
			if sum.To == sum.From {
				sum.From, sum.To = e.Ledger.From, e.Ledger.From
			}
			sum.Add(e.Ledger)
		case e.Kind == watch.ExcursionEnded:
			stays = append(stays, *e.Excursion)
		}
	}
	return sum, stays
}

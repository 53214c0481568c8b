package watch_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// shared is a tub in which two cohorts live, the second one from an hour on at a stage that bears less heat.
func shared(own care.DayNight) watch.Site {
	needs := func(low, high, criticalHigh float64) care.Care {
		return care.Care{Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: band(none, low, high, criticalHigh)}}
	}
	return watch.Site{
		ID:     "north-loft",
		Places: []watch.Place{{ID: "tub-1", Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: own}}},
		Points: []watch.Point{{Point: water}},
		Cohorts: []watch.Cohort{
			{ID: "b-2026", Profile: "forest", Place: "tub-1", Stages: []care.Since{{Stage: care.Larva, At: at(0).Time()}}},
			{ID: "a-2026", Profile: "forest", Place: "tub-1", Stages: []care.Since{{Stage: care.Larva, At: at(0).Time()}, {Stage: care.Metamorph, At: at(3600).Time()}}},
		},
		Profiles: map[string]*care.Profile{"forest": {Care: map[care.Stage]care.Care{
			care.Larva: needs(21, 24, 27), care.Metamorph: needs(20, 23.5, 26),
		}}},
	}
}

// The limits of the place and of all cohorts that live there hold limit by limit, unless the place's own band overrides them. A core
// uses the same band, from the moment at which it changes.
func TestTightestLimitOfAllResidentsHolds(t *testing.T) {
	limits := func(b *care.Band) (text []float64) {
		for _, v := range b.Limits {
			if math.IsNaN(v) {
				v = -1
			}
			text = append(text, v)
		}
		return text
	}
	overriding := band(none, none, 28.9, none)
	overriding.Override = true
	for _, c := range []struct {
		name          string
		own           care.DayNight
		before, after []float64
	}{
		{"a place's own limit does not widen that of the stage", band(none, none, 28.9, 29.5), []float64{-1, 21, 24, 27}, []float64{-1, 21, 23.5, 26}},
		{"the tighter one holds, each limit by itself", band(18, none, 28.9, 25), []float64{18, 21, 24, 25}, []float64{18, 21, 23.5, 25}},
		{"unless the place overrides", overriding, []float64{-1, -1, 28.9, -1}, []float64{-1, -1, 28.9, -1}},
	} {
		t.Run(c.name, func(t *testing.T) {
			site := shared(c.own).WithRecord(nil)
			holding := site.BandAt(water, at(3599).Time())
			assert.Equal(t, c.before, limits(&holding.Band))
			assert.Equal(t, "b-2026", holding.Cohort, "of several the first one gives its name")
			holding = site.BandAt(water, at(3600).Time())
			assert.Equal(t, c.after, limits(&holding.Band))

			core := watch.New(site, "run-1")
			core.Step(watch.Event{Kind: watch.StartEvent, At: at(0)}, nil)
			for second := 0.0; second < 3700; second += 50 {
				core.Step(watch.Event{At: at(second), Value: 22, Flag: quantity.Pass}, nil)
			}
			state := core.State(0)
			assert.Equal(t, c.after, limits(&state.Band))
		})
	}
	site := shared(band(none, 30, none, none)).WithRecord(nil)
	assert.Equal(t, [2]string{"the band of tub-1", "that of b-2026 (larva)"}, site.Apart(water, at(0).Add(time.Minute).Time()))
}

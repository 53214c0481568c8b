package configs_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/pipeline"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// measured are the quantities that sensors bring; the core derives the others.
var measured = []quantity.Quantity{quantity.WaterTemperature, quantity.AirTemperature, quantity.RelativeHumidity}

// flatRoom keeps a box with one cohort for 14 days at one value of each quantity and returns the alarms raised above priority low,
// with the deliveries to a phone that takes all of those.
func flatRoom(t *testing.T, profile *care.Profile, stage care.Stage, value func(q quantity.Quantity, day *care.Band) float64) (raised []string, calls int) {
	begin := time.Date(2026, 7, 6, 0, 0, 0, 0, time.UTC)
	site := watch.Site{
		ID: "flat", Location: time.UTC, Light: care.Light{Location: time.UTC, From: 7 * 60, To: 19 * 60},
		Places:   []watch.Place{{ID: "box"}},
		Cohorts:  []watch.Cohort{{ID: "a", Profile: profile.ID, Place: "box", Stages: []care.Since{{Stage: stage, At: begin}}}},
		Profiles: map[string]*care.Profile{profile.ID: profile},
	}
	for _, q := range measured {
		if _, ok := profile.Care[stage].Bands[q]; ok {
			site.Points = append(site.Points, watch.Point{Point: quantity.Point{Place: "box", Quantity: q}, Gap: 15 * time.Minute})
		}
	}
	require.NotEmpty(t, site.Points)
	p := pipeline.Pipeline{Rules: notify.New([]notify.Rule{
		{Notifier: "phone", Priorities: []care.Priority{care.MediumPriority, care.HighPriority, care.CriticalPriority}},
	})}
	p.Configure(site, "run")
	p.Step(watch.Event{Kind: watch.StartEvent, At: instant.Of(begin), Run: "run"})
	for step := range 14 * 24 * 12 {
		at := instant.Of(begin.Add(time.Duration(step) * 5 * time.Minute))
		for i := range site.Points {
			q := site.Points[i].Point.Quantity
			bands := profile.Care[stage].Bands[q]
			p.ReplayReading(watch.Event{At: at, Point: int32(i), Value: value(q, bands.At(true)), Flag: quantity.Pass})
		}
		p.Tick(at)
		ready := p.Ready()
		calls += len(ready.Deliveries)
		for _, effect := range ready.Effects {
			if e := effect.Entry; e != nil && e.Kind == journal.AlarmRaised && e.Priority != care.LowPriority.String() {
				raised = append(raised, e.Alarm+" ("+e.Priority+")")
			}
		}
	}
	for i := range site.Points {
		state := p.Core.State(int32(i))
		require.False(t, state.Band.Empty(), "%s is watched", state.Point)
	}
	return raised, calls
}

// middle is the middle of a band by day. Where it is open, 100 % of humidity ends it.
func middle(q quantity.Quantity, day *care.Band) float64 {
	low, high := day.Limits[care.Low], day.Limits[care.High]
	if !day.Has(care.High) && q == quantity.RelativeHumidity {
		high = 100
	}
	return (low + high) / 2
}

// A room that stays day and night in the middle of the day's band calls nobody, whatever lives there.
func TestFlatRoomWakesNoKeeper(t *testing.T) {
	for id, profile := range profiles(t) {
		for stage := range profile.Care {
			t.Run(id+"/"+stage.String(), func(t *testing.T) {
				raised, calls := flatRoom(t, profile, stage, middle)
				assert.Empty(t, raised)
				assert.Zero(t, calls)
			})
		}
	}
}

// The same room a kelvin above the band does call.
func TestWarmFlatRoomCalls(t *testing.T) {
	for id, profile := range profiles(t) {
		for stage, needs := range profile.Care {
			t.Run(id+"/"+stage.String(), func(t *testing.T) {
				raised, calls := flatRoom(t, profile, stage, func(q quantity.Quantity, day *care.Band) float64 {
					if q.IsTemperature() {
						return day.Limits[care.High] + 1
					}
					return middle(q, day)
				})
				for _, q := range []quantity.Quantity{quantity.WaterTemperature, quantity.AirTemperature} {
					if _, ok := needs.Bands[q]; ok {
						assert.Contains(t, raised, "box/"+q.String()+"/high (high)")
					}
				}
				assert.Positive(t, calls)
			})
		}
	}
}

package watch_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// nightfall is a vivarium whose air must be cooler from two o'clock in the afternoon on, 7200 s after the epoch of the tests.
func nightfall(q quantity.Quantity) watch.Site {
	half := func(high float64) care.Band {
		b := care.NoBand()
		b.Limits = [care.LimitCount]float64{none, none, high, high + 6}
		b.OnDelay, b.CriticalOnDelay, b.OffDelay, b.Deadband = 15*time.Minute, 3*time.Minute, 10*time.Minute, 0.5
		return b
	}
	point := quantity.Point{Place: "vivarium-1", Quantity: q}
	return watch.Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{From: 6 * 60, To: 14 * 60, Location: time.UTC},
		Places: []watch.Place{{ID: "vivarium-1", Bands: map[quantity.Quantity]care.DayNight{q: {Day: half(26), Night: half(22)}}}},
		Points: []watch.Point{{Point: point, Gap: 3 * time.Minute}},
	}
}

// raisedAfter gives values once a minute and returns the minute in which high is raised; −1 for none. Half way it resumes from a snapshot.
func raisedAfter(t *testing.T, site watch.Site, minutes int, value func(minute int) float64) int {
	core := watch.New(site, "run-1")
	for minute := range minutes {
		if minute == minutes/2 {
			state, err := core.Snapshot()
			require.NoError(t, err)
			core = watch.New(site, "run-1")
			require.NoError(t, core.Restore(state))
		}
		effects := core.Step(watch.Event{At: at(float64(minute) * 60), Value: value(minute), Flag: quantity.Pass}, nil)
		for _, e := range entries(effects, journal.AlarmRaised) {
			if e.Alarm == core.Points()[0].String()+"/high" {
				return minute
			}
		}
	}
	return -1
}

// Air that leaves its band because the light has tightened it has an hour; at all other times a quarter of an hour.
func TestAirHasAnHourAfterASwitch(t *testing.T) {
	const dark = 120 // minutes
	from := func(minute int, value float64) func(int) float64 {
		return func(now int) float64 {
			if now >= minute {
				return value
			}
			return 21
		}
	}
	air := nightfall(quantity.AirTemperature)
	assert.Equal(t, dark+60, raisedAfter(t, air, 300, func(int) float64 { return 25 }), "still as warm as by day")
	assert.Equal(t, dark+30+60, raisedAfter(t, air, 300, from(dark+30, 25)), "warm half an hour later")
	assert.Equal(t, dark+70+15, raisedAfter(t, air, 300, from(dark+70, 25)), "warm long after the switch")
	assert.Equal(t, 50+15, raisedAfter(t, air, 300, from(50, 27)), "too warm by day")
	assert.Equal(t, 110+15, raisedAfter(t, air, 300, from(110, 27)), "it began before the switch")
	assert.Equal(t, dark+15, raisedAfter(t, nightfall(quantity.WaterTemperature), 300, func(int) float64 { return 25 }), "water has the delay of its band")
}

func TestNothingCriticalWaitsForTheLight(t *testing.T) {
	core := watch.New(nightfall(quantity.AirTemperature), "run-1")
	var raised []string
	for minute := range 125 {
		for _, e := range entries(core.Step(watch.Event{At: at(float64(minute) * 60), Value: 29, Flag: quantity.Pass}, nil), journal.AlarmRaised) {
			raised = append(raised, e.Alarm)
		}
	}
	assert.Contains(t, raised, "vivarium-1/air-temperature/critical-high")
}

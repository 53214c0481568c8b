package watch_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// A saturated humidity sensor raises no alarm on a high limit until it has been saturated for longer than a film of water lasts.
func TestSaturatedHumidity(t *testing.T) {
	vivarium := quantity.Point{Place: "vivarium-1", Quantity: quantity.RelativeHumidity}
	type stretch struct {
		minutes int
		percent float64
		flag    quantity.Flag
	}
	cases := []struct {
		name      string
		stretches []stretch
		raised    []int // minutes
		since     []int
	}{
		{"a film of water for ten hours", []stretch{{60, 90, quantity.Pass}, {600, 100, quantity.Suspect}, {60, 92, quantity.Pass}}, nil, nil},
		{"the delay runs from where it dries", []stretch{{60, 90, quantity.Pass}, {300, 100, quantity.Suspect}, {40, 97, quantity.Pass}}, []int{60 + 300 + 15}, []int{360}},
		{"what stays for twelve hours asks for a person", []stretch{{60, 90, quantity.Pass}, {800, 100, quantity.Suspect}}, []int{60 + 720}, []int{59}},
		{"a value that was not judged so is believed", []stretch{{60, 90, quantity.Pass}, {60, 100, quantity.Pass}}, []int{75}, []int{59}},
		{"below its end the usual delay", []stretch{{60, 90, quantity.Pass}, {60, 98, quantity.Suspect}}, []int{75}, []int{59}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			bands := band(none, 70, 95, none, delays(15*time.Minute, 15*time.Minute, 3))
			core := watch.New(watch.Site{
				ID: "north-loft", Location: time.UTC, Light: care.Light{AlwaysDay: true, Location: time.UTC},
				Places: []watch.Place{{ID: "vivarium-1", Bands: map[quantity.Quantity]care.DayNight{quantity.RelativeHumidity: bands}}},
				Points: []watch.Point{{Point: vivarium, Gap: 3 * time.Minute}},
			}, "run-1")
			events := []watch.Event{{Kind: watch.StartEvent, At: at(0)}}
			minute := 0
			for _, s := range c.stretches {
				for range s.minutes {
					events = append(events, watch.Event{At: at(float64(minute) * 60), Value: s.percent, Flag: s.flag})
					minute++
				}
			}
			// A restart in the middle changes nothing.
			half := len(events) / 2
			effects := fold(core, events[:half]...)
			data, err := core.Snapshot()
			require.NoError(t, err)
			again := watch.New(watch.Site{
				ID: "north-loft", Location: time.UTC, Light: care.Light{AlwaysDay: true, Location: time.UTC},
				Places: []watch.Place{{ID: "vivarium-1", Bands: map[quantity.Quantity]care.DayNight{quantity.RelativeHumidity: bands}}},
				Points: []watch.Point{{Point: vivarium, Gap: 3 * time.Minute}},
			}, "run-1")
			require.NoError(t, again.Restore(data))
			effects = append(effects, fold(again, events[half:]...)...)
			var raised, since []int
			for _, e := range entries(effects, journal.AlarmRaised) {
				raised = append(raised, minutesOf(e.At))
				since = append(since, minutesOf(*e.Since))
			}
			assert.Equal(t, c.raised, raised)
			assert.Equal(t, c.since, since)
		})
	}
}

func minutesOf(i instant.Instant) int { return int(seconds(i) / 60) }

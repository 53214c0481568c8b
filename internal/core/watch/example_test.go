package watch_test

import (
	"fmt"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// The water of a tub warms by half a degree in five minutes, is above its limit for longer than the delay of the alarm, and cools
// down. The keeper acknowledges. All values are invented.
func Example() {
	band := care.NoBand()
	band.Limits[care.High], band.OnDelay, band.OffDelay = 24, 10*time.Minute, 10*time.Minute
	water := quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}
	core := watch.New(watch.Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{AlwaysDay: true, Location: time.UTC},
		Places: []watch.Place{{ID: "tub-1", Bands: map[quantity.Quantity]care.DayNight{water.Quantity: {Day: band, Night: band}}}},
		Points: []watch.Point{{Point: water, Gap: 10 * time.Minute}},
	}, "run-1")
	tub, _ := core.Index(water)

	noon := instant.Of(time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC))
	var effects []watch.Effect
	step := func(ev watch.Event) {
		effects = core.Step(ev, effects[:0])
		for _, e := range effects {
			if e.Kind == watch.Record && e.Entry.Alarm != "" {
				fmt.Println(e.Entry.At.Time().Format("15:04"), e.Entry.Kind, e.Entry.Alarm, e.Entry.Was, "→", e.Entry.State)
			}
		}
	}
	step(watch.Event{Kind: watch.StartEvent, At: noon})
	for i, celsius := range []float64{23.5, 24, 24.5, 25, 24.5, 24, 23.5, 23, 23, 23} {
		at := noon.Add(time.Duration(i) * 5 * time.Minute)
		step(watch.Event{Kind: watch.ReadingEvent, At: at, Point: tub, Value: celsius, Flag: quantity.Pass})
		if i == 4 {
			step(watch.Event{Kind: watch.CommandEvent, At: at, Command: &watch.Command{
				Verb: watch.Acknowledge, Alarm: "tub-1/water-temperature/high", By: "keeper",
			}})
		}
	}
	// Output:
	// 12:15 alarm.raised tub-1/water-temperature/high A → B
	// 12:20 alarm.acknowledged tub-1/water-temperature/high B → C
	// 12:40 alarm.cleared tub-1/water-temperature/high C → A
}

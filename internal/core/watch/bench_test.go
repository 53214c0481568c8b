package watch_test

import (
	"math"
	"testing"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// BenchmarkReplay folds a day of a room with eight tubs, two of them out of band for hours, and a room sensor of
// temperature and humidity with its derived points: from parsed readings to effects.
func BenchmarkReplay(b *testing.B) {
	short := delays(10*time.Minute, 10*time.Minute, 0.3)
	site := watch.Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{Location: time.UTC, From: 7 * 60, To: 19 * 60},
		Places: []watch.Place{{ID: "loft", Room: true, Bands: map[quantity.Quantity]care.DayNight{
			quantity.AirTemperature: band(none, 18, 26, 28, short)}}},
		Points: []watch.Point{{Point: air}, {Point: quantity.Point{Place: "loft", Quantity: quantity.RelativeHumidity}}},
	}
	const tubs = 8
	for i := range tubs {
		id := "tub-" + string(rune('1'+i))
		site.Places = append(site.Places, watch.Place{ID: id, In: "loft", Bands: map[quantity.Quantity]care.DayNight{
			quantity.WaterTemperature: band(17, 21, 24, 27, short)}})
		site.Points = append(site.Points, watch.Point{Point: quantity.Point{Place: id, Quantity: quantity.WaterTemperature}})
	}
	var events []watch.Event
	for s := 0.0; s < 86400; s += 10 {
		day := 2 * math.Pi * s / 86400
		for p := range int32(len(site.Points)) {
			value := 22.5 + 0.2*float64(p%3) + math.Sin(day)
			switch p {
			case 0:
				value = 23 + 2*math.Sin(day)
			case 1:
				value = 70 + 10*math.Cos(day)
			case 2, 3:
				value = 22.5 + 3*math.Sin(day)
			}
			events = append(events, watch.Event{At: at(s), Point: p, Value: math.Round(value*16) / 16, Flag: quantity.Pass})
		}
	}
	b.ReportAllocs()
	out := make([]watch.Effect, 0, 64)
	readings := 0
	for b.Loop() {
		core := watch.New(site, "bench")
		for _, ev := range events {
			out = core.Step(ev, out[:0])
		}
		out = core.Finish(at(86400), out[:0])
		readings += len(events)
	}
	b.ReportMetric(float64(readings)/b.Elapsed().Seconds(), "readings/s")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkReplayWaterOnly is the same without humidity, whose derived points cost most.
func BenchmarkReplayWaterOnly(b *testing.B) {
	site := tub(band(17, 21, 24, 27), time.Minute)
	var events []watch.Event
	for s := 0.0; s < 86400; s += 10 {
		events = append(events, watch.Event{At: at(s), Value: math.Round((22.5+3*math.Sin(2*math.Pi*s/86400))*16) / 16, Flag: 1})
	}
	b.ReportAllocs()
	out := make([]watch.Effect, 0, 64)
	readings := 0
	for b.Loop() {
		core := watch.New(site, "bench")
		for _, ev := range events {
			out = core.Step(ev, out[:0])
		}
		readings += len(events)
	}
	b.ReportMetric(float64(readings)/b.Elapsed().Seconds(), "readings/s")
	b.ReportMetric(0, "ns/op")
}

package watch_test

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// room is a site with a room, two enclosures with their own bands by day and night, a cohort whose stage changes, and
// derived humidity: everything that the properties below should hold for.
func room(t interface{ Fatalf(string, ...any) }) watch.Site {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatalf("loading the time zone: %v", err)
	}
	short := delays(40*time.Second, 60*time.Second, 0.3)
	outlooking := func(b *care.Band) { b.Foresee = 20 * time.Minute }
	humid := band(50, 70, 95, none, delays(60*time.Second, 60*time.Second, 3))
	cool := band(17, 20, 25, 28, short, outlooking)
	cool.Night.Limits[care.High] = 23
	profile := &care.Profile{ID: "forest", Care: map[care.Stage]care.Care{
		care.Larva:     {Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: band(17, 21, 24, 27, short)}},
		care.Metamorph: {Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: band(18, 22, 23, 26, short)}},
	}}
	point := func(place string, q quantity.Quantity) watch.Point {
		return watch.Point{Point: quantity.Point{Place: place, Quantity: q}, Gap: 45 * time.Second, StaleAfter: 3 * time.Minute, Accuracy: 0.3}
	}
	return watch.Site{
		ID: "north-loft", Location: lisbon, Light: care.Light{Location: lisbon, From: 7 * 60, To: 12*60 + 20},
		Places: []watch.Place{
			{ID: "loft", Room: true, Bands: map[quantity.Quantity]care.DayNight{quantity.AirTemperature: cool}},
			{ID: "tub-1", In: "loft"},
			{ID: "vivarium-1", In: "loft", Latch: true, Bands: map[quantity.Quantity]care.DayNight{
				quantity.RelativeHumidity: humid, quantity.AirTemperature: cool, quantity.DewPoint: band(none, 15, 22, none, short),
			}},
		},
		Points: []watch.Point{
			point("loft", quantity.AirTemperature), point("tub-1", quantity.WaterTemperature),
			point("vivarium-1", quantity.AirTemperature), point("vivarium-1", quantity.RelativeHumidity),
		},
		Cohorts: []watch.Cohort{{ID: "a-2026", Profile: "forest", Place: "tub-1", Stages: []care.Since{
			{Stage: care.Larva, At: epoch.Add(-time.Hour).Time()}, {Stage: care.Metamorph, At: epoch.Add(17 * time.Minute).Time()},
		}}},
		Sensors: []watch.SensorFeeds{
			{ID: "tub-1-probe", FaultAfter: time.Minute, Channels: []watch.Channel{{Name: "temperature", Feeds: quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}}}},
		},
		Profiles: map[string]*care.Profile{"forest": profile},
	}
}

// drawEvents makes a stream of events as a daemon would send it: readings with odd spacing, gaps and wild values, ticks,
// sensor reports, commands.
func drawEvents(t *rapid.T, core *watch.Core) []watch.Event {
	points := int32(4)
	now := epoch
	events := []watch.Event{{Kind: watch.StartEvent, At: now, Run: "run-1"}}
	value := []float64{24, 23, 24, 80}
	alarms := []string{"loft/air-temperature/critical-high", "loft/air-temperature/high", "tub-1/water-temperature/high",
		"vivarium-1/relative-humidity/low", "vivarium-1/air-temperature/high", "tub-1/water-temperature/stale"}
	for range rapid.IntRange(1, 250).Draw(t, "length") {
		now = now.Add(time.Duration(rapid.IntRange(1, 20_000).Draw(t, "ms")) * time.Millisecond)
		switch rapid.IntRange(0, 24).Draw(t, "kind") {
		case 0:
			now = now.Add(time.Duration(rapid.IntRange(30, 300).Draw(t, "pause")) * time.Second)
			events = append(events, watch.Event{Kind: watch.TickEvent, At: now})
		case 1:
			failure := rapid.SampledFrom([]string{"", "timeout", "checksum"}).Draw(t, "failure")
			flag := rapid.SampledFrom([]quantity.Flag{quantity.Fail, quantity.Missing}).Draw(t, "report flag")
			events = append(events, watch.Event{Kind: watch.SensorEvent, At: now, Failure: failure, Flag: flag})
		case 2:
			verb := rapid.SampledFrom([]watch.Verb{watch.Shelve, watch.Unshelve, watch.OutOfService, watch.InService, watch.Repeat, watch.Reset}).Draw(t, "verb")
			events = append(events, watch.Event{Kind: watch.CommandEvent, At: now, Command: &watch.Command{
				Verb: verb, Alarm: rapid.SampledFrom(alarms).Draw(t, "alarm"), For: time.Minute, By: "keeper",
			}})
		case 3:
			events = append(events, watch.Event{Kind: watch.TickEvent, At: now})
		case 4:
			by := time.Duration(rapid.IntRange(-4000, 4000).Draw(t, "step")) * time.Second
			now = now.Add(by)
			events = append(events, watch.Event{Kind: watch.ClockStepEvent, At: now, By: by})
		default:
			p := rapid.Int32Range(0, points-1).Draw(t, "point")
			value[p] += rapid.Float64Range(-2, 2).Draw(t, "change")
			flag := rapid.SampledFrom([]quantity.Flag{1, 1, 1, 1, 2, 3, 4, 9}).Draw(t, "flag")
			events = append(events, watch.Event{At: now, Point: p, Value: value[p], Flag: flag})
		}
	}
	return events
}

// text writes effects so that they can be compared.
func text(effects []watch.Effect) []string {
	var lines []string
	for _, e := range effects {
		data, err := json.Marshal(e.Entry)
		if err != nil {
			panic(err)
		}
		line := fmt.Sprintf("%d %d %s", e.Kind, e.Point, data)
		if e.Ledger != nil {
			line += fmt.Sprintf(" %+v", *e.Ledger)
		}
		if e.Excursion != nil {
			line += fmt.Sprintf(" %+v", *e.Excursion)
		}
		lines = append(lines, line)
	}
	return lines
}

// Zone seconds sum to elapsed time, for every ledger and to the nanosecond, and the ledgers of a point tile its time.
func TestZoneTimesSumToElapsedTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		core := watch.New(room(t), "run-1")
		events := drawEvents(t, core)
		var effects []watch.Effect
		stepped := false
		for _, ev := range events {
			stepped = stepped || ev.Kind == watch.ClockStepEvent
			effects = append(effects, core.Step(ev, nil)...)
		}
		last := events[len(events)-1].At
		effects = append(effects, core.Finish(last, nil)...)
		ends := map[int32]instant.Instant{}
		for _, e := range effects {
			if e.Kind != watch.LedgerClosed {
				continue
			}
			var sum time.Duration
			for _, d := range e.Ledger.InZone {
				if d < 0 {
					t.Fatalf("negative time in a zone: %+v", e.Ledger)
				}
				sum += d
			}
			if sum != e.Ledger.Elapsed() {
				t.Fatalf("zones sum to %s over %s", sum, e.Ledger.Elapsed())
			}
			if end, ok := ends[e.Point]; ok && !stepped && end != e.Ledger.From {
				t.Fatalf("point %d: a ledger ends at %s and the next begins at %s", e.Point, end, e.Ledger.From)
			}
			ends[e.Point] = e.Ledger.To
		}
	})
}

// Splitting the input anywhere and resuming from a snapshot gives the same effects.
func TestResumingFromASnapshotChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		site := room(t)
		whole := watch.New(site, "run-1")
		events := drawEvents(t, whole)
		split := rapid.IntRange(0, len(events)).Draw(t, "split")
		var want, got []watch.Effect
		for _, ev := range events {
			want = append(want, whole.Step(ev, nil)...)
		}
		first := watch.New(site, "run-1")
		for _, ev := range events[:split] {
			got = append(got, first.Step(ev, nil)...)
		}
		data, err := first.Snapshot()
		require.NoError(t, err)
		second := watch.New(site, "other")
		require.NoError(t, second.Restore(data))
		for _, ev := range events[split:] {
			got = append(got, second.Step(ev, nil)...)
		}
		end := events[len(events)-1].At
		want = append(want, whole.Finish(end, nil)...)
		got = append(got, second.Finish(end, nil)...)
		require.Equal(t, text(want), text(got))
		require.Equal(t, fmt.Sprint(whole.Alarms()), fmt.Sprint(second.Alarms()))
	})
}

// Reordering readings across points changes nothing: each point's ledgers, excursions and alarm times are the same for every
// interleaving that keeps the order within the points. (Of points derived from two others that holds as long as one input
// is not more than 64 readings ahead of the other.)
func TestReorderingAcrossPointsChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		site := room(t)
		for i := range site.Points {
			site.Points[i].StaleAfter = 0
		}
		core := watch.New(site, "run-1")
		var events []watch.Event
		for _, ev := range drawEvents(t, core) {
			if ev.Kind == watch.ReadingEvent || ev.Kind == watch.StartEvent {
				events = append(events, ev)
			}
		}
		slices.SortStableFunc(events, func(a, b watch.Event) int { return int(a.Kind) - int(b.Kind) })
		slices.Reverse(events) // the start first …
		slices.SortStableFunc(events[1:], func(a, b watch.Event) int { return int(min(max(a.At-b.At, -1), 1)) })
		byPoint := map[int32][]watch.Event{}
		for _, ev := range events[1:] {
			byPoint[ev.Point] = append(byPoint[ev.Point], ev)
		}
		shuffled := []watch.Event{events[0]}
		for len(byPoint) > 0 {
			p := rapid.SampledFrom(slices.Sorted(maps(byPoint))).Draw(t, "next")
			shuffled = append(shuffled, byPoint[p][0])
			if byPoint[p] = byPoint[p][1:]; len(byPoint[p]) == 0 {
				delete(byPoint, p)
			}
		}
		if furthestAhead(events) < 64 {
			require.Equal(t, perPoint(site, events), perPoint(site, shuffled))
		}
	})
}

// furthestAhead returns the largest number of readings that one point has.
func furthestAhead(events []watch.Event) int {
	count := map[int32]int{}
	most := 0
	for _, ev := range events[1:] {
		count[ev.Point]++
		most = max(most, count[ev.Point])
	}
	return most
}

func maps(m map[int32][]watch.Event) func(func(int32) bool) {
	return func(yield func(int32) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

// perPoint collects the effects of each measured point, without the numbers that count over all points.
func perPoint(site watch.Site, events []watch.Event) map[int32][]string {
	// Effects are compared point by point, since the order between points is what is being changed.
	core := watch.New(site, "run-1")
	effects := fold(core, events...)
	end := events[len(events)-1].At
	for _, ev := range events {
		end = max(end, ev.At)
	}
	effects = append(effects, core.Finish(end, nil)...)
	found := map[int32][]string{}
	for _, e := range effects {
		if e.Kind == watch.Notify || e.Point < 0 {
			continue
		}
		line := ""
		switch {
		case e.Ledger != nil:
			line = fmt.Sprintf("%+v", *e.Ledger)
		case e.Excursion != nil:
			line = fmt.Sprintf("%+v", *e.Excursion)
		case e.Entry.Kind == "alarm.raised" || e.Entry.Kind == "alarm.cleared":
			line = fmt.Sprint(e.Entry.Kind, e.Entry.Alarm, e.Entry.At, e.Entry.Since)
		default:
			continue
		}
		found[e.Point] = append(found[e.Point], line)
	}
	for _, lines := range found {
		slices.Sort(lines)
	}
	return found
}

// Scaling units changes nothing: values, limits and deadbands a power of two larger give the same times.
func TestScalingUnitsChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		factor := math.Pow(2, float64(rapid.IntRange(-8, 8).Draw(t, "power")))
		values := rapid.SliceOfN(rapid.Float64Range(15, 35), 2, 60).Draw(t, "values")
		run := func(f float64) (watch.Ledger, []watch.Excursion, []string) {
			bands := band(17*f, 21*f, 24*f, 27*f, delays(40*time.Second, 40*time.Second, 0.5*f))
			c := watch.New(tub(bands, time.Minute), "test")
			events := []watch.Event{{Kind: watch.StartEvent, At: epoch}}
			for i, v := range values {
				events = append(events, watch.Event{At: at(float64(i) * 17), Value: v * f, Flag: 1})
			}
			effects := fold(c, events...)
			var alarms []string
			for _, e := range effects {
				if e.Kind == watch.Record && e.Entry.Alarm != "" {
					alarms = append(alarms, fmt.Sprint(e.Entry.Kind, e.Entry.Alarm, e.Entry.At, e.Entry.Since))
				}
			}
			sum, stays := exposure(c, effects, at(float64(len(values)-1)*17))
			return sum, stays, alarms
		}
		sum, stays, alarms := run(1)
		scaled, scaledStays, scaledAlarms := run(factor)
		require.Equal(t, sum.InZone, scaled.InZone)
		require.Equal(t, alarms, scaledAlarms)
		require.Len(t, scaledStays, len(stays))
		for i := range stays {
			require.Equal(t, stays[i].From, scaledStays[i].From)
			require.Equal(t, stays[i].To, scaledStays[i].To)
		}
		require.InDelta(t, sum.DegreeAbove*factor, scaled.DegreeAbove, 1e-9*max(1, scaled.DegreeAbove))
	})
}

// A deliberately dumb exposure: every line between readings is walked in steps of a millisecond.
func TestZoneTimesAgreeWithADumbWalk(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64Range(15, 35), 2, 6).Draw(t, "values")
		c := watch.New(tub(band(17, 21, 24, 27), time.Minute), "test")
		events := []watch.Event{{Kind: watch.StartEvent, At: epoch}}
		var dumb [watch.ZoneCount]float64
		for i, v := range values {
			events = append(events, watch.Event{At: at(float64(i)), Value: v, Flag: 1})
			if i == 0 {
				continue
			}
			for ms := range 1000 {
				x := values[i-1] + (v-values[i-1])*(float64(ms)+0.5)/1000
				zone := watch.InBand
				switch {
				case x < 17:
					zone = watch.CriticalLowZone
				case x < 21:
					zone = watch.LowZone
				case x > 27:
					zone = watch.CriticalHighZone
				case x > 24:
					zone = watch.HighZone
				}
				dumb[zone] += 0.001
			}
		}
		sum, _ := exposure(c, fold(c, events...), at(float64(len(values)-1)))
		for z := range dumb {
			require.InDelta(t, dumb[z], sum.InZone[z].Seconds(), 0.001*float64(len(values)))
		}
	})
}

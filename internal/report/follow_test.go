package report_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/report"
	"dewline/internal/store"
)

// Two cohorts of larvae change their tubs in the heat of an afternoon, which is written down the next morning only. The report of each
// follows it: what it has lived through is computed here a second time, straight from the readings, and nothing of a place in which it
// did not live is in it. The alarms stay as they were raised.
func TestReportFollowsTheAnimals(t *testing.T) {
	two := strings.Replace(northLoft, "  - id: vivarium-1\n", "  - {id: tub-2, kind: enclosure, in: loft}\n  - id: vivarium-1\n", 1)
	two = strings.Replace(two, "sensors:\n", "  - {id: b-2026, profile: forest-floor, place: tub-2, stages: [{stage: larva, since: 2026-09-01}]}\nsensors:\n"+
		"  - {id: tub-2-probe, driver: w1, address: 28-0316a2794b00, every: 5m, feeds: {temperature: tub-2/water-temperature}}\n", 1)
	site := load(t, two)
	at := func(day, hour, minute int) time.Time {
		return time.Date(2026, 10, day, hour, minute, 0, 0, site.Location)
	}
	tub2 := quantity.Point{Place: "tub-2", Quantity: quantity.WaterTemperature}
	hot := func(t time.Time) float64 { // both afternoons, up to 28 °C
		hour := float64(t.Hour()) + float64(t.Minute())/60
		return 22.5 + 5.5*math.Max(0, math.Sin((hour-13)/6*math.Pi))*map[bool]float64{true: 1}[hour >= 13 && hour <= 19]
	}
	cool := func(t time.Time) float64 { return 22 + 2.3*math.Sin(float64(t.Unix())/7000) } // touches both limits of the larvae
	var readings []store.PointSample
	begin, end := at(23, 18, 0), at(25, 23, 0)
	for now := begin; !now.After(end); now = now.Add(5 * time.Minute) {
		readings = append(readings, reading(tub, now, hot(now), quantity.Pass), reading(tub2, now, cool(now), quantity.Pass))
	}
	h := live(site, readings, nil)
	moved := instant.Of(at(24, 16, 0))
	for _, m := range [][2]string{{"a-2026", "tub-2"}, {"b-2026", "tub-1"}} {
		h.entries = append(h.entries, &journal.Entry{
			Seq: uint64(len(h.entries)) + 1, Run: "run-1", At: instant.Of(at(26, 9, 0)), Kind: journal.CohortMoved, Cohort: m[0], Place: m[1], Since: &moved, By: "keeper",
		})
	}
	const low, high, critical = (70 - 32) / 1.8, (75 - 32) / 1.8, (81 - 32) / 1.8 // of larvae, in the profile of these tests
	from, to := at(24, 0, 0), at(25, 22, 0)
	beyond := func(a, b, limit float64) float64 { // seconds of five minutes above a limit, along a line
		switch low, top := math.Min(a, b), math.Max(a, b); {
		case low >= limit:
			return 300
		case top <= limit:
			return 0
		default:
			return 300 * (top - limit) / (top - low)
		}
	}
	type figures struct{ elapsed, outside, critical float64 }
	lived := map[string]map[string]*figures{"a-2026": {}, "b-2026": {}}
	for now := from; now.Before(to); now = now.Add(5 * time.Minute) {
		next := now.Add(5 * time.Minute)
		for id, places := range map[string][2]string{"a-2026": {"tub-1", "tub-2"}, "b-2026": {"tub-2", "tub-1"}} {
			place := places[0]
			if !now.Before(at(24, 16, 0)) {
				place = places[1]
			}
			value := map[string]func(time.Time) float64{"tub-1": hot, "tub-2": cool}[place]
			sum := lived[id][place]
			if sum == nil {
				sum = &figures{}
				lived[id][place] = sum
			}
			a, b := value(now), value(next)
			sum.elapsed += 300
			sum.outside += beyond(a, b, high) + beyond(-a, -b, -low)
			sum.critical += beyond(a, b, critical)
		}
	}
	for id, places := range lived {
		e := expose(t, site, h, report.Request{From: instant.Of(from), To: instant.Of(to), Cohort: id})
		require.Len(t, e.Points, 2, "only the water of the two tubs")
		for _, p := range e.Points {
			want := places[p.Point.Place]
			assert.InDelta(t, want.elapsed, time.Duration(p.Whole.ElapsedS).Seconds(), 0.01, "%s in %s", id, p.Point.Place)
			assert.InDelta(t, want.outside, time.Duration(p.Whole.OutsideS).Seconds(), 0.01, "%s in %s", id, p.Point.Place)
			assert.InDelta(t, want.critical, float64(p.Whole.Seconds[watch.CriticalHighZone])/1000, 0.01, "%s in %s", id, p.Point.Place)
			assert.Positive(t, p.Whole.OutsideS)
			for _, x := range p.Excursions {
				if p.Point.Place == map[string]string{"a-2026": "tub-1", "b-2026": "tub-2"}[id] {
					assert.LessOrEqual(t, x.To, moved)
				} else {
					assert.GreaterOrEqual(t, x.From, moved)
				}
			}
		}
		assert.Contains(t, e.Cautions, report.AsRaised)
		require.Len(t, e.Lives, 2)
		assert.Equal(t, moved, e.Lives[0].To)
		assert.Equal(t, moved, e.Lives[1].From)
		assert.NotEqual(t, e.Lives[0].Place, e.Lives[1].Place)
	}

	a := expose(t, site, h, report.Request{From: instant.Of(from), To: instant.Of(to), Cohort: "a-2026"})
	b := expose(t, site, h, report.Request{From: instant.Of(from), To: instant.Of(to), Cohort: "b-2026"})
	assert.Equal(t, moved, a.Points[0].Excursions[len(a.Points[0].Excursions)-1].To, "the open stay ends for those who leave")
	assert.Equal(t, moved, b.Points[0].Excursions[0].From, "and goes on for those who come")
	whole := expose(t, site, h, report.Request{From: instant.Of(from), To: instant.Of(to), Place: "tub-1"})
	assert.Equal(t, whole.Points[0].Whole.OutsideS, a.Points[0].Whole.OutsideS+b.Points[0].Whole.OutsideS, "together they are the tub's")
	raised := func(e *report.Exposure) (in []string) {
		for _, alarm := range e.Alarms {
			if alarm.Alarm == "tub-1/water-temperature/critical-high" {
				in = append(in, alarm.Raised.Time().In(site.Location).Format("2 Jan"))
			}
		}
		return in
	}
	assert.Equal(t, []string{"24 Oct"}, raised(a), "the heat of the second day was none of theirs")
	assert.Equal(t, []string{"24 Oct", "25 Oct"}, raised(b))

	text := strings.Builder{}
	require.NoError(t, report.Text(&text, a.Sheet(report.WordsOf(site))))
	assert.Contains(t, text.String(), "Only cohort a-2026, from place to place.")
	assert.Contains(t, text.String(), "Who lived where")
	assert.Contains(t, text.String(), "the alarms are as they were raised")
}

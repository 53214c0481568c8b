package report_test

import (
	"cmp"
	stdcontext "context"
	"flag"
	"iter"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/require"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/store"
)

var update = flag.Bool("rewrite", false, "rewrite the golden files; read them in the diff")

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err, "run the test with -rewrite")
	require.Equal(t, string(want), got)
}

func load(t testing.TB, yaml string) *config.Site {
	t.Helper()
	site, problems := config.LoadFS(fstest.MapFS{
		"site.yaml": {Data: []byte(yaml)}, "profiles/forest-floor.yaml": {Data: []byte(profile)},
	}, "site.yaml")
	require.NoError(t, problems.Err())
	return site
}

const profile = `
title: Forest floor
caution: Invented for a test. A starting point only.
stages:
  larva:
    gosner: "21–41"
    notes: ["Invented: it grazes.", "Act within 4 h outside the band (invented)."]
    water-temperature: {low: 70 degF, high: 75 degF, critical-high: 81 degF}
  metamorph:
    water-temperature: {low: 70 degF, high: 74 degF, critical-high: 79 degF}
`

// northLoft is the North Loft as these tests have it. All of it is invented.
const northLoft = `
site: north-loft
timezone: Europe/Lisbon
light: {day: "07:00-19:00"}
display: {temperature: fahrenheit}
profiles: [profiles/forest-floor.yaml]
places:
  - {id: loft, kind: room, bands: {air-temperature: {high: 78 degF, critical-high: 82 degF}}}
  - {id: tub-1, kind: enclosure, in: loft}
  - id: vivarium-1
    kind: enclosure
    in: loft
    bands: {relative-humidity: {low: 70 %, night: {low: 85 %}}}
cohorts:
  - {id: a-2026, profile: forest-floor, place: tub-1, stages: [{stage: larva, since: 2026-09-01}]}
sensors:
  - {id: tub-1-probe, driver: w1, address: 28-0316a2794bff, every: 5m, feeds: {temperature: tub-1/water-temperature}}
  - {id: loft-air, driver: tmp102, bus: I2C1, every: 5m, feeds: {temperature: loft/air-temperature}}
  - {id: vivarium-1-air, driver: sht4x, bus: I2C1, every: 5m, feeds: {temperature: vivarium-1/air-temperature, humidity: vivarium-1/relative-humidity}}
`

// memory is a history in memory. Its answers are those of the store, as far as a report asks for them.
type memory struct {
	readings []store.PointSample // in the order of their times
	entries  []*journal.Entry    // the oldest first
}

func (m *memory) Points() []quantity.Point {
	var points []quantity.Point
	for _, r := range m.readings {
		if !slices.Contains(points, r.Point) {
			points = append(points, r.Point)
		}
	}
	return points
}

func (m *memory) ReadingsBetween(
	_ stdcontext.Context, from, to instant.Instant, wanted func(quantity.Point) bool,
) iter.Seq2[store.PointSample, error] {
	return func(yield func(store.PointSample, error) bool) {
		for _, r := range m.readings {
			if r.At >= from && (to.IsNone() || r.At < to) && (wanted == nil || wanted(r.Point)) && !yield(r, nil) {
				return
			}
		}
	}
}

func (m *memory) Columns(_ stdcontext.Context, p quantity.Point, from, to instant.Instant, n int) ([]store.Column, error) {
	columns := make([]store.Column, n)
	width := to.Sub(from) / time.Duration(n)
	sums := make([]float64, n)
	for _, r := range m.readings {
		if r.Point == p && r.At >= from && r.At < to {
			i := min(int(r.At.Sub(from)/width), n-1)
			c := &columns[i]
			c.Worst = max(c.Worst, r.Flag)
			if !r.Flag.Usable() {
				continue
			}
			if c.Count == 0 {
				c.Min, c.Max = r.Value, r.Value
			}
			c.Min, c.Max = min(c.Min, r.Value), max(c.Max, r.Value)
			c.Count++
			sums[i] += r.Value
			c.Mean = sums[i] / float64(c.Count)
		}
	}
	return columns, nil
}

func (m *memory) Journal(_ stdcontext.Context, f store.Filter) ([]*journal.Entry, error) {
	var found []*journal.Entry
	for _, e := range slices.Backward(m.entries) {
		before := f.Before == 0 || e.Seq < f.Before
		inTime := e.At >= f.From && (f.To == 0 || f.To.IsNone() || e.At < f.To)
		if before && inTime && (len(f.Kinds) == 0 || slices.Contains(f.Kinds, e.Kind)) && len(found) < f.Limit {
			found = append(found, e)
		}
	}
	return found, nil
}

// live lets a core live through readings and commands, and keeps what the daemon would.
func live(site *config.Site, readings []store.PointSample, commands []watch.Command) *memory {
	return liveOf(assemble.Site(site), readings, commands)
}

func liveOf(watched watch.Site, readings []store.PointSample, commands []watch.Command) *memory {
	core := watch.New(watched, "run-1")
	core.ReportDerived()
	points := core.Points()
	m := &memory{}
	slices.SortStableFunc(readings, func(a, b store.PointSample) int { return cmp.Compare(a.At, b.At) })
	step := func(ev watch.Event) {
		for _, e := range core.Step(ev, nil) {
			switch e.Kind {
			case watch.Record, watch.Refused:
				m.entries = append(m.entries, e.Entry)
			case watch.Derived:
				m.readings = append(m.readings, reading(points[e.Point], e.At.Time(), e.Value, e.Flag))
			}
		}
	}
	step(watch.Event{Kind: watch.StartEvent, At: readings[0].At, Run: "run-1"})
	for _, r := range readings {
		for len(commands) > 0 && commands[0].At <= r.At {
			now := commands[0].At
			step(watch.Event{Kind: watch.CommandEvent, At: now, Command: &commands[0]})
			commands = commands[1:]
		}
		step(watch.Event{Kind: watch.TickEvent, At: r.At})
		m.readings = append(m.readings, r)
		index, ok := core.Index(r.Point)
		if !ok {
			continue
		}
		step(watch.Event{Kind: watch.ReadingEvent, At: r.At, Point: index, Value: r.Value, Flag: r.Flag})
		for _, a := range core.Alarms() { // the invented keeper answers within half an hour
			if a.Letter == isa.Unacknowledged && r.At.Sub(a.Raised) >= 25*time.Minute {
				step(watch.Event{Kind: watch.CommandEvent, At: r.At, Command: &watch.Command{
					Verb: watch.Acknowledge, Occurrence: a.Occurrence, By: "keeper",
				}})
			}
		}
	}
	slices.SortStableFunc(m.readings, func(a, b store.PointSample) int { return cmp.Compare(a.At, b.At) })
	return m
}

func reading(p quantity.Point, at time.Time, value float64, flag quantity.Flag) store.PointSample {
	return store.PointSample{Point: p, Sample: store.Sample{At: instant.Of(at), Value: value, Flag: flag}}
}

var (
	tub  = quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}
	loft = quantity.Point{Place: "loft", Quantity: quantity.AirTemperature}
	air  = quantity.Point{Place: "vivarium-1", Quantity: quantity.AirTemperature}
	damp = quantity.Point{Place: "vivarium-1", Quantity: quantity.RelativeHumidity}
)

// autumn is three days and a morning of invented readings around the night in which the clocks of Lisbon go back (2026-10-25).
// The tub is warm on the second afternoon, its probe is silent for two hours and gives the power-on value once; on the third day
// the larvae are said to be metamorphs since the evening before.
func autumn(t testing.TB) (*config.Site, *memory) {
	site := load(t, northLoft)
	lisbon := site.Location
	first := time.Date(2026, 10, 23, 18, 0, 0, 0, lisbon)
	last := time.Date(2026, 10, 26, 9, 30, 0, 0, lisbon)
	var readings []store.PointSample
	for at := first; !at.After(last); at = at.Add(5 * time.Minute) {
		hour := float64(at.In(lisbon).Hour()) + float64(at.In(lisbon).Minute())/60
		wave := math.Cos((hour - 15) / 24 * 2 * math.Pi)
		tenth := func(v float64) float64 { return math.Round(v*10) / 10 }
		water := tenth(22.5 + wave)
		day := at.In(lisbon).Day()
		if day == 24 && hour >= 13 && hour < 19 {
			water = tenth(water + 3*math.Sin((hour-13)/6*math.Pi))
		}
		flag := quantity.Pass
		if day == 25 && hour == 6 {
			water, flag = 85, quantity.Fail
		}
		if day != 24 || hour < 8 || hour >= 10 {
			readings = append(readings, reading(tub, at, water, flag))
		}
		readings = append(readings, reading(loft, at, tenth(23+2*wave), quantity.Pass), reading(air, at, tenth(23.5+1.5*wave), quantity.Pass),
			reading(damp, at, tenth(83-10*wave), quantity.Pass))
	}
	when := func(day, hour, minute int) instant.Instant {
		return instant.Of(time.Date(2026, 10, day, hour, minute, 0, 0, lisbon))
	}
	commands := []watch.Command{
		{Verb: watch.RecordMist, Place: "vivarium-1", At: when(24, 7, 0), For: 30 * time.Second, By: "mister"},
		{Verb: watch.WriteNote, Place: "tub-1", Text: "Lamp moved away from the tub. (invented)", By: "keeper", At: when(24, 18, 40)},
		{Verb: watch.RecordMist, Place: "vivarium-1", At: when(25, 7, 0), For: 30 * time.Second, By: "mister"},
		{Verb: watch.RecordMist, Place: "vivarium-1", At: when(25, 18, 0), For: 30 * time.Second, By: "mister"},
	}
	m := live(site, readings, commands)
	// Set on the morning of the 25th for the evening before. The live run carries out commands at their own time.
	since := when(24, 20, 0)
	m.entries = append(m.entries, &journal.Entry{
		Seq: uint64(len(m.entries)) + 1, Run: "run-1", At: when(25, 9, 0), Kind: journal.StageSet, Cohort: "a-2026", Stage: "metamorph", Place: "tub-1",
		By: "keeper", Since: &since, Reason: "front legs",
	})
	return site, m
}

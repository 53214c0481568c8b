package report_test

import (
	"bytes"
	"cmp"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/replay"
	"dewline/internal/report"
	"dewline/internal/store"
)

// shelf is where c-2026 grows up: three tubs and a grow-out shelf of the North Loft, under the shipped profile. All of it is invented.
const shelf = `
site: north-loft
timezone: Europe/Lisbon
light: {day: "07:00-19:00"}
profiles: [profiles/tropical-forest-floor.yaml]
places:
  - {id: loft, kind: room}
  - {id: tub-1, title: Tub 1, kind: tub, in: loft}
  - {id: tub-2, title: Tub 2, kind: tub, in: loft}
  - {id: tub-3, title: Tub 3, kind: tub, in: loft}
  - {id: grow-out, title: Grow-out shelf, kind: enclosure, in: loft}
sensors:
  - {id: tub-1-probe, driver: w1, address: 28-0316a2794bff, every: 10m, feeds: {temperature: tub-1/water-temperature},
     calibration: {date: 2026-02-01, temperature: {offset: 0.2 K, uncertainty: 0.1 K}}}
  - {id: tub-2-probe, driver: w1, address: 28-0316a2794c02, every: 10m, feeds: {temperature: tub-2/water-temperature}}
  - {id: tub-3-probe, driver: w1, address: 28-0316a2794c03, every: 10m, feeds: {temperature: tub-3/water-temperature}}
  - {id: shelf-air, driver: sht4x, bus: I2C1, every: 10m, feeds: {temperature: grow-out/air-temperature, humidity: grow-out/relative-humidity}}
`

// biography is twelve invented weeks of a cohort that moved twice, the second time written down wrongly and then put right, was split,
// had losses, and whose second tub got another probe, which was compared in ice water.
func biography(t testing.TB) (*config.Site, *memory, report.Request) {
	const name = "profiles/tropical-forest-floor.yaml"
	profile, err := os.ReadFile(filepath.Join("../../configs", name))
	require.NoError(t, err)
	site, problems := config.LoadFS(fstest.MapFS{"site.yaml": {Data: []byte(shelf)}, name: {Data: profile}}, "site.yaml")
	require.NoError(t, problems.Err())
	first := time.Date(2026, 4, 6, 0, 0, 0, 0, site.Location) // a Monday
	day := func(days, hour int) instant.Instant {
		return instant.Of(first.AddDate(0, 0, days).Add(time.Duration(hour) * time.Hour))
	}
	h := &memory{}
	write := func(at, since instant.Instant, e journal.Entry) string {
		e.Seq, e.Run, e.At, e.Since, e.By = uint64(len(h.entries))+1, "keeper-1", at, &since, "keeper"
		h.entries = append(h.entries, &e)
		return e.ID()
	}
	c := func(e journal.Entry) journal.Entry { e.Cohort = "c-2026"; return e }
	write(day(0, 9), day(0, 9), c(journal.Entry{Kind: journal.CohortBegan, Profile: "tropical-forest-floor", Place: "tub-1", Stage: "larva", Gosner: 25, Count: new(60)}))
	for k := range 84 { // the care of the larvae and froglets; nothing in the fourth week
		if k/7 != 3 && k < 56 && k%2 == 0 || k >= 66 {
			write(day(k, 18), day(k, 18), c(journal.Entry{Kind: journal.CareDone, Task: "feed"}))
		}
		if k >= 67 {
			write(day(k, 8), day(k, 8), journal.Entry{Kind: journal.Misting, Place: "grow-out"})
			write(day(k, 20), day(k, 20), journal.Entry{Kind: journal.Misting, Place: "grow-out"})
		}
	}
	write(day(8, 18), day(8, 18), c(journal.Entry{Kind: journal.CareDone, Task: "leftovers", Text: "half of the powder was left (invented)"}))
	write(day(14, 10), day(14, 10), c(journal.Entry{Kind: journal.CohortMoved, Place: "tub-2"}))
	write(day(20, 10), day(20, 10), journal.Entry{Kind: journal.SensorReplaced, Sensor: "tub-2-probe", Text: "tub-2-probe is 28-0316a2794c02 now, and was 28-0316a2794c99"})
	write(day(20, 11), day(20, 11), journal.Entry{
		Kind: journal.SensorCalibrated, Sensor: "tub-2-probe", Channel: "temperature",
		Calibration: &journal.Calibration{Method: "ice bath", Gain: 1, Offset: -0.3, Uncertainty: 0.1, Points: []journal.Comparison{{Measured: 0.3, Reference: 0, ReferenceUncertainty: 0.1}}},
	})
	write(day(21, 11), day(21, 11), c(journal.Entry{Kind: journal.CohortCounted, Count: new(36), Why: "split"}))
	write(day(21, 11), day(21, 11), journal.Entry{Kind: journal.CohortBegan, Cohort: "d-2026", Profile: "tropical-forest-floor", Place: "tub-3", Stage: "larva", Gosner: 30, Count: new(24)})
	write(day(30, 9), day(30, 9), journal.Entry{Kind: journal.Note, Place: "tub-2", Text: "The heater was set a degree lower after the warm days. (invented)"})
	write(day(40, 9), day(40, 9), c(journal.Entry{Kind: journal.CohortCounted, Count: new(34), Why: "died"}))
	write(day(56, 9), day(56, 9), c(journal.Entry{Kind: journal.CohortStage, Stage: "metamorph", Gosner: 42}))
	write(day(66, 9), day(65, 9), c(journal.Entry{Kind: journal.CohortStage, Stage: "juvenile"}))
	wrong := write(day(67, 9), day(67, 9), c(journal.Entry{Kind: journal.CohortMoved, Place: "grow-out"}))
	write(day(68, 9), day(66, 18), journal.Entry{Kind: journal.CohortMoved, Cohort: "c-2026", Place: "grow-out", Corrects: wrong})
	write(day(75, 9), day(75, 9), c(journal.Entry{Kind: journal.CohortCounted, Count: new(31), Why: "died"}))

	var readings []store.PointSample
	last := first.AddDate(0, 0, 84)
	for at := first; at.Before(last); at = at.Add(10 * time.Minute) {
		local := at.In(site.Location)
		days, hour := at.Sub(first).Hours()/24, float64(local.Hour())+float64(local.Minute())/60
		wave := math.Cos((hour - 15) / 24 * 2 * math.Pi)
		warm := max(0, 3-math.Abs(days-28.5)) // a warm spell in tub 2 around the 28th day
		add := func(place string, q quantity.Quantity, v float64) {
			readings = append(readings, reading(quantity.Point{Place: place, Quantity: q}, at, math.Round(v*10)/10, quantity.Pass))
		}
		add("tub-1", quantity.WaterTemperature, 22.4+0.8*wave)
		add("tub-2", quantity.WaterTemperature, 22.6+0.7*wave+1.2*warm)
		add("tub-3", quantity.WaterTemperature, 22.2+0.6*wave)
		add("grow-out", quantity.AirTemperature, 23.6+1.4*wave)
		add("grow-out", quantity.RelativeHumidity, 88-7*wave)
	}
	lived := liveOf(replay.WithJournal(assemble.Site(site), h.entries), readings, nil)
	h.readings, h.entries = lived.readings, append(h.entries, lived.entries...)
	slices.SortStableFunc(h.entries, func(a, b *journal.Entry) int { return cmp.Compare(a.At, b.At) })
	return site, h, report.Request{
		Site: site, From: instant.Of(first), To: instant.Of(last), Cohort: "c-2026", Made: instant.Of(time.Date(2026, 6, 30, 10, 0, 0, 0, time.UTC)),
	}
}

// The report of a cohort that moved, was split, was put right and was measured by another probe says so, in text and on at most four pages
// of either paper. The pages are among the artifacts of the test: look at them when they change.
func TestReportOfACohortThatMoved(t *testing.T) {
	site, h, request := biography(t)
	e := expose(t, site, h, request)

	assert.Equal(t, []string{"tub-1/water-temperature", "tub-2/water-temperature", "grow-out/air-temperature", "grow-out/relative-humidity"}, measured(e))
	care := map[string][2]int{}
	for _, c := range e.Care {
		require.NotNil(t, c.Missed, c.Task)
		care[c.Task] = [2]int{c.Times, *c.Missed}
	}
	// The larvae were fed every other day, except on three days of the fourth week. The froglets are to be fed each day from the 65th at 9:00
	// on, and were for the first time 33 hours later, when the second time was due.
	assert.Equal(t, [2]int{25 + 18, 3 + 1}, care["feed"])
	// They are to be misted every 12 hours, and were for the first time 47 hours later.
	assert.Equal(t, [2]int{34, 4}, care["mist"])
	var undone []string
	for _, u := range e.Undone {
		undone = append(undone, u.Stage+": "+u.Task)
	}
	assert.Contains(t, undone, "larva: change-water")
	assert.Contains(t, undone, "metamorph: mist", "what was done at another stage in another place does not count")
	assert.NotContains(t, undone, "larva: feed")
	require.Len(t, e.Replaced, 1)
	var counts []int
	for _, c := range e.Counts {
		counts = append(counts, c.Count)
	}
	assert.Equal(t, []int{60, 36, 34, 31}, counts)

	var text, html bytes.Buffer
	require.NoError(t, report.Text(&text, e.Sheet(report.WordsOf(site))))
	golden(t, "moved.txt", text.String())
	assert.Equal(t, 1, strings.Count(text.String(), "\n  feed "), "care is summed up")
	assert.Contains(t, text.String(), "leftovers: half of the powder was left (invented)", "what was remarked is there")
	require.NoError(t, report.HTML(&html, e.Printed(report.WordsOf(site))))
	golden(t, "moved.html", html.String())
	for _, must := range []string{
		"cohort c-2026", "Tub 1 (tub-1)", "Tub 2 (tub-2)", "Grow-out shelf (grow-out)", "split", "-24", "ice bath", "28-0316a2794c99", "corrected later", "heater was set",
	} {
		assert.Contains(t, html.String(), must)
	}
	for paper, size := range map[string][2]float64{"A4": {8.27, 11.69}, "Letter": {8.5, 11}} { // inches
		pdf := printed(t, html.Bytes(), size[0], size[1])
		require.NoError(t, os.WriteFile(filepath.Join(t.ArtifactDir(), "moved-"+paper+".pdf"), pdf, 0o644))
		pages := len(pageObject.FindAll(pdf, -1))
		assert.Positive(t, pages)
		assert.LessOrEqual(t, pages, 4, paper)
	}
}

// measured lists the points of a report that a sensor measures.
func measured(e *report.Exposure) (points []string) {
	for _, p := range e.Points {
		if !p.Point.Quantity.Derived() {
			points = append(points, p.Point.String())
		}
	}
	return points
}

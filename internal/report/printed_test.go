package report_test

import (
	"bytes"
	"cmp"
	stdcontext "context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
	"dewline/internal/report"
	"dewline/internal/store"
)

// growOut is a vivarium of the North Loft in which the froglets of b-2026 grow up, under the shipped profile. All of it is invented.
const growOut = `
site: north-loft
timezone: Europe/Lisbon
light: {day: "07:00-19:00"}
display: {temperature: fahrenheit}
profiles: [profiles/tropical-forest-floor.yaml]
places:
  - {id: loft, kind: room}
  - id: vivarium-1
    title: Fern vivarium
    kind: enclosure
    in: loft
    bands:
      surface-temperature: {high: {value: 88 degF, source: "common practice, no published source"}, critical-high: 95 degF}
      dew-point: {low: 60 degF, high: 76 degF}
cohorts:
  - id: b-2026
    profile: tropical-forest-floor
    place: vivarium-1
    stages: [{stage: larva, since: 2026-06-20}, {stage: metamorph, since: 2026-07-20}, {stage: juvenile, since: 2026-08-10}]
sensors:
  - {id: pool-probe, driver: w1, address: 28-0316a2794bff, every: 10m, feeds: {temperature: vivarium-1/water-temperature},
     calibration: {date: 2025-05-01, temperature: {offset: 0.2 K, uncertainty: 0.1 K}}}
  - {id: stone-probe, driver: w1, address: 28-0316a2794c01, every: 10m, feeds: {temperature: vivarium-1/surface-temperature}}
  - {id: vivarium-1-air, driver: sht4x, bus: I2C1, every: 10m, feeds: {temperature: vivarium-1/air-temperature, humidity: vivarium-1/relative-humidity}}
`

// summer is twelve invented weeks in the vivarium, with more of everything than a keeper would like: hot afternoons, dry nights, two
// days without a sensor, a misting twice a day, and a note about most bad days.
func summer(t testing.TB) (*config.Site, *memory, report.Request) {
	const name = "profiles/tropical-forest-floor.yaml"
	profile, err := os.ReadFile(filepath.Join("../../configs", name))
	require.NoError(t, err)
	site, problems := config.LoadFS(fstest.MapFS{"site.yaml": {Data: []byte(growOut)}, name: {Data: profile}}, "site.yaml")
	require.NoError(t, problems.Err())
	of := func(q quantity.Quantity) quantity.Point { return quantity.Point{Place: "vivarium-1", Quantity: q} }
	first := time.Date(2026, 7, 8, 0, 0, 0, 0, site.Location) // a Wednesday: twelve weeks lie in thirteen
	last := first.AddDate(0, 0, 84)
	var readings []store.PointSample
	var commands []watch.Command
	for at := first; at.Before(last); at = at.Add(10 * time.Minute) {
		local := at.In(site.Location)
		day, hour := local.YearDay(), float64(local.Hour())+float64(local.Minute())/60
		wave := math.Cos((hour - 15) / 24 * 2 * math.Pi)
		slow := math.Sin(float64(day) / 9)
		tenth := func(v float64) float64 { return math.Round(v*10) / 10 }
		if day%41 != 3 { // the part was away for a day
			readings = append(readings, reading(of(quantity.AirTemperature), at, tenth(23.8+1.6*wave+1.5*slow), quantity.Pass),
				reading(of(quantity.RelativeHumidity), at, min(100, tenth(86-9*wave-6*slow)), quantity.Pass))
		}
		readings = append(readings, reading(of(quantity.WaterTemperature), at, tenth(23.2+0.7*wave+1.3*slow), quantity.Pass),
			reading(of(quantity.SurfaceTemperature), at, tenth(25+4*wave+2.5*slow), quantity.Pass))
		if minute := local.Minute(); minute == 0 && (local.Hour() == 7 || local.Hour() == 18) {
			commands = append(commands, watch.Command{
				Verb: watch.RecordMist, Place: "vivarium-1", At: instant.Of(at), For: 30 * time.Second, By: "mister",
			})
		}
		if local.Hour() == 20 && local.Minute() == 0 && day%3 == 0 {
			commands = append(commands, watch.Command{
				Verb: watch.WriteNote, Place: "vivarium-1", At: instant.Of(at), By: "keeper",
				Text: fmt.Sprintf("Day %d: lamp dimmed and the vent on the lee side opened by a finger; all froglets out and feeding after dusk. (invented)", day),
			})
		}
	}
	h := live(site, readings, commands)
	record := func(e journal.Entry, days int) {
		since := instant.Of(first.AddDate(0, 0, days))
		e.Seq, e.Run, e.At, e.Since, e.By = uint64(len(h.entries))+1, "run-1", since.Add(19*time.Hour), &since, "keeper"
		h.entries = append(h.entries, &e)
	}
	for i, count := range []int{31, 30, 29, 27, 26, 25, 24, 21, 20, 19, 18, 17, 16} {
		why := []string{"", "died", "sold"}[min(i, 1+i%2)]
		record(journal.Entry{Kind: journal.CohortCounted, Cohort: "b-2026", Count: new(count), Why: why}, 6*i)
	}
	for day := range 84 {
		for i, task := range []string{"feed", "look", "drain", "change-water", "top-up", "check-sensor", "clean-mister", "dust"} {
			if day%(i+1) == 0 {
				record(journal.Entry{Kind: journal.CareDone, Task: task, Place: "vivarium-1", Text: "(invented)"}, day)
			}
		}
	}
	slices.SortStableFunc(h.entries, func(a, b *journal.Entry) int { return cmp.Compare(a.At, b.At) })
	to, err := report.Newest(t.Context(), h)
	require.NoError(t, err)
	return site, h, report.Request{
		Site: site, From: instant.Of(first), To: to, Made: instant.Of(time.Date(2026, 9, 30, 10, 0, 0, 0, time.UTC)),
	}
}

// Twelve weeks of a place, or of a cohort, come to four pages at most on either paper, whatever happened in them. The pages are among
// the artifacts of the test: look at them when they change.
func TestTwelveWeeksFitOnFourPages(t *testing.T) {
	site, h, request := summer(t)
	for name, narrow := range map[string]func(r *report.Request){
		"summer":       func(r *report.Request) { r.Cohort = "b-2026" },
		"summer-place": func(r *report.Request) { r.Place = "vivarium-1" },
	} {
		r := request
		narrow(&r)
		e := expose(t, site, h, r)
		require.Greater(t, len(e.Alarms), 20, "a busy summer")
		require.Len(t, e.Worst, 10)
		var html bytes.Buffer
		require.NoError(t, report.HTML(&html, e.Printed(report.WordsOf(site))))
		if name == "summer" {
			golden(t, name+".html", html.String())
		}
		for paper, size := range map[string][2]float64{"A4": {8.27, 11.69}, "Letter": {8.5, 11}} { // inches
			pdf := printed(t, html.Bytes(), size[0], size[1])
			require.NoError(t, os.WriteFile(filepath.Join(t.ArtifactDir(), name+"-"+paper+".pdf"), pdf, 0o644))
			pages := pageObject.FindAll(pdf, -1)
			assert.NotEmpty(t, pages)
			assert.LessOrEqual(t, len(pages), 4, "%s on %s", name, paper)
		}
	}
}

var pageObject = regexp.MustCompile(`/Type\s*/Page[^s]`)

// printed prints a page in Debian's Chromium. The waiting is for a busy machine; nothing here is timed.
func printed(t *testing.T, html []byte, width, height float64) []byte {
	const browser = "/usr/bin/chromium"
	_, err := os.Stat(browser)
	require.NoError(t, err, "this test needs Debian's package chromium")
	path := filepath.Join(t.TempDir(), "report.html")
	require.NoError(t, os.WriteFile(path, html, 0o644))
	allocator, stop := chromedp.NewExecAllocator(stdcontext.Background(),
		chromedp.ExecPath(browser), chromedp.UserDataDir(t.TempDir()), chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck, chromedp.Headless,
		chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-dev-shm-usage", true))
	defer stop()
	ctx, cancel := chromedp.NewContext(allocator)
	defer cancel()
	defer func() { _ = chromedp.Cancel(ctx) }() // closes the browser before its folder goes
	navigated, err := chromedp.Call(ctx, page.Navigate, page.NavigateParams{URL: "file://" + path})
	require.NoError(t, err)
	require.Empty(t, navigated.ErrorText)
	for end := time.Now().Add(2 * time.Minute); ; time.Sleep(50 * time.Millisecond) {
		ready, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`document.readyState === "complete" && document.querySelector("footer") !== null`))
		require.NoError(t, err)
		if ready {
			break
		}
		require.True(t, time.Now().Before(end), "the page is never complete")
	}
	pdf, err := chromedp.Call(ctx, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: width, PaperHeight: height})
	require.NoError(t, err)
	return pdf.Data
}

// The page asks for nothing and runs nothing, and all its colours are greys, so that it says the same in black and white.
func TestPrintedPageNeedsNothingAndIsGrey(t *testing.T) {
	site, h := autumn(t)
	var html bytes.Buffer
	require.NoError(t, report.HTML(&html, expose(t, site, h, report.Request{From: lisbonDay(site, 24), To: lisbonDay(site, 26)}).Printed(report.WordsOf(site))))
	text := html.String()
	for _, word := range []string{"<script", "src=", "url(", "@import", "<link", "http:", "https:", "javascript"} {
		assert.NotContains(t, text, word)
	}
	colours := regexp.MustCompile(`#[0-9a-f]{3,6}\b`).FindAllString(text, -1)
	require.NotEmpty(t, colours)
	for _, colour := range colours {
		digits := colour[1:]
		if len(digits) == 3 {
			digits = strings.Repeat(digits[:1], 2) + strings.Repeat(digits[1:2], 2) + strings.Repeat(digits[2:], 2)
		}
		value, err := strconv.ParseUint(digits, 16, 32)
		require.NoError(t, err)
		r, g, b := value>>16, value>>8&0xff, value&0xff
		assert.LessOrEqual(t, max(r, g, b)-min(r, g, b), uint64(8), colour)
	}
}

// What the page shows of a week is what its days add up to, and what JSON has.
func TestWeeksAreTheSumOfTheirDays(t *testing.T) {
	site, h, request := summer(t)
	request.Place = "vivarium-1"
	e := expose(t, site, h, request)
	for i := range e.Points {
		p := &e.Points[i]
		require.Len(t, p.Weeks, 13, p.Point)
		for _, k := range p.Weeks {
			begin, err := time.ParseInLocation(time.DateOnly, k.Week, site.Location)
			require.NoError(t, err)
			assert.Equal(t, time.Monday, begin.Weekday())
			var seconds [watch.ZoneCount]int64
			for _, d := range p.Days {
				if d.From >= k.From && d.From < k.To {
					for z, ms := range d.Seconds {
						seconds[z] += ms
					}
				}
			}
			assert.EqualValues(t, seconds, k.Seconds, "%s %s", p.Point, k.Week)
			if k.Median != nil {
				assert.GreaterOrEqual(t, *k.Median, *k.Min)
				assert.LessOrEqual(t, *k.Median, *k.Max)
			}
		}
	}
}

// A sensor that was not there yet has missed nothing; one that was silent has.
func TestTimeBeforeTheFirstReadingDoesNotCount(t *testing.T) {
	site := load(t, northLoft)
	begin := time.Date(2026, 9, 7, 0, 0, 0, 0, site.Location)
	from, to := instant.Of(begin), instant.Of(begin.AddDate(0, 0, 4))
	installed := begin.Add(36*time.Hour + 20*time.Minute)
	var readings []store.PointSample
	for at := begin; !at.After(to.Time()); at = at.Add(5 * time.Minute) {
		readings = append(readings, reading(loft, at, 23, quantity.Pass))
		if !at.Before(installed) {
			readings = append(readings, reading(tub, at, 22.5, quantity.Pass))
		}
	}
	of := func(h report.History, r report.Request) report.Point {
		e := expose(t, site, h, r)
		for _, p := range e.Points {
			if p.Point == tub {
				return p
			}
		}
		t.Fatal("the tub is missing")
		return report.Point{}
	}
	p := of(&memory{readings: readings}, report.Request{From: from, To: to})
	assert.Equal(t, instant.Of(installed), p.Whole.From)
	assert.EqualValues(t, 1, *p.Whole.Coverage)
	require.Len(t, p.Days, 3)
	assert.Equal(t, "2026-09-08", p.Days[0].Day)
	assert.Equal(t, p.Whole.ElapsedS, p.Days[0].ElapsedS+p.Days[1].ElapsedS+p.Days[2].ElapsedS)

	text := func(h report.History) string {
		var b bytes.Buffer
		require.NoError(t, report.Text(&b, expose(t, site, h, report.Request{From: from, To: to, Place: "tub-1"}).Sheet(report.WordsOf(site))))
		return b.String()
	}
	assert.Contains(t, text(&memory{readings: readings}), "The first reading is of 2026-09-08 12:20; the time before it does not count.")

	// The same range with a probe that gave a value a month before, and was broken since.
	old := append([]store.PointSample{reading(tub, begin.AddDate(0, -1, 0), 22, quantity.Fail)}, readings...)
	p = of(&memory{readings: old}, report.Request{From: from, To: to})
	assert.Equal(t, from, p.Whole.From)
	assert.NotContains(t, text(&memory{readings: old}), "first reading")
	assert.InDelta(t, 1-(36+1.0/3)/96, float64(*p.Whole.Coverage), 1e-9)

	// A range that begins after the first reading begins where the keeper said.
	later := instant.Of(begin.AddDate(0, 0, 3))
	assert.Equal(t, later, of(&memory{readings: readings}, report.Request{From: later, To: to}).Whole.From)
}

// What was done about an excursion stands beside it: the acknowledgement of its alarm, mistings meanwhile, and what was written soon
// after it at its place.
func TestWorstExcursionsSayWhatWasDone(t *testing.T) {
	site, h := autumn(t)
	e := expose(t, site, h, report.Request{From: lisbonDay(site, 24), To: lisbonDay(site, 26), Place: "tub-1"})
	require.Len(t, e.Worst, 2)
	worst := e.Worst[0]
	assert.EqualValues(t, *e.Points[0].Whole.Max, worst.Extreme, "the longer one")
	assert.InDelta(t, (75.0-32)/1.8, float64(*worst.Limit), 1e-6)
	assert.False(t, worst.Critical)
	var kinds []journal.Kind
	for _, d := range worst.Done {
		kinds = append(kinds, d.Kind)
	}
	assert.Equal(t, []journal.Kind{journal.AlarmRaised, journal.AlarmAcknowledged, journal.Note}, kinds)
	assert.Equal(t, "keeper", worst.Done[1].By)
	var html bytes.Buffer
	require.NoError(t, report.HTML(&html, e.Printed(report.WordsOf(site))))
	assert.Contains(t, html.String(), "alarm after 0:11, acknowledged after 0:36 by keeper; note 2026-10-24 18:40 by keeper: Lamp moved away from the tub. (invented)")
}

// Counts and care are those of the record as it holds now: corrected entries do not count, losses follow from the count before.
func TestCountsAndCareAreThoseInForce(t *testing.T) {
	site, h := autumn(t)
	seq := uint64(len(h.entries))
	write := func(e journal.Entry, hours int) *journal.Entry {
		seq++
		since := lisbonDay(site, 24).Add(time.Duration(hours) * time.Hour)
		e.Seq, e.Run, e.At, e.Since, e.By = seq, "run-1", since.Add(time.Minute), &since, "keeper"
		h.entries = append(h.entries, &e)
		return &e
	}
	counted := func(n int, why, corrects string, hours int) *journal.Entry {
		return write(journal.Entry{Kind: journal.CohortCounted, Cohort: "a-2026", Count: new(n), Why: why, Corrects: corrects}, hours)
	}
	counted(42, "", "", -20)
	counted(40, "died", "", -10)
	wrong := counted(4, "died", "", 5)
	counted(38, "died", wrong.ID(), 5)
	counted(30, "sold", "", 30)
	for _, hours := range []int{3, 9, 33} {
		write(journal.Entry{Kind: journal.CareDone, Task: "feed", Place: "tub-1"}, hours)
	}
	write(journal.Entry{Kind: journal.CareDone, Task: "feed", Place: "vivarium-1"}, 4)
	for _, r := range []report.Request{{Place: "tub-1"}, {Cohort: "a-2026"}} {
		r.From, r.To = lisbonDay(site, 24), lisbonDay(site, 26)
		e := expose(t, site, h, r)
		var counts, changes []int
		for _, c := range e.Counts {
			counts = append(counts, c.Count)
			if len(counts) > 1 {
				changes = append(changes, *c.Change)
			}
		}
		assert.Equal(t, []int{40, 38, 30}, counts, "the last one before the range, and those within")
		assert.Equal(t, []int{-2, -8}, changes)
		require.Len(t, e.Care, 1, "that of the vivarium belongs elsewhere")
		assert.Equal(t, 3, e.Care[0].Times)
		assert.Equal(t, exposure.Seconds(24*time.Hour), e.Care[0].LongestPauseS)
		for i := range e.Journal {
			n := &e.Journal[i]
			assert.Equal(t, n.Count != nil && *n.Count == 4, n.Corrected, "%s of %s", n.Kind, n.At)
		}
		var text bytes.Buffer
		require.NoError(t, report.Text(&text, e.Sheet(report.WordsOf(site))))
		assert.Contains(t, text.String(), "; corrected later, does not count ")
	}
}

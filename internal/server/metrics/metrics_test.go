package metrics

import (
	"flag"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/server/status"
	"dewline/sensors"
)

var update = flag.Bool("rewrite", false, "rewrite the golden files; read them in the diff")

var noon = time.Date(2026, 7, 6, 12, 0, 0, 0, time.UTC)

func band(limits ...float64) care.DayNight {
	b := care.NoBand()
	copy(b.Limits[:], limits)
	return care.DayNight{Day: b, Night: b}
}

// room is a core over a site with every quantity there is. The loft, its sensors and its readings are invented.
func room() *watch.Core {
	none := math.NaN()
	site := watch.Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{Location: time.UTC, AlwaysDay: true},
		Places: []watch.Place{
			{ID: "loft", Room: true},
			{ID: "tub-1", In: "loft", Bands: map[quantity.Quantity]care.DayNight{
				quantity.WaterTemperature: band(17, 21, 24, 27), quantity.OxygenSaturation: band(none, 7e-3, none, none),
			}},
			{ID: "vivarium-1", In: "loft", Bands: map[quantity.Quantity]care.DayNight{
				quantity.RelativeHumidity: band(none, 70, 90, none), quantity.VapourPressureDeficit: band(none, none, 900, none),
				quantity.CondensationMargin: band(none, 0.5, none, none),
			}},
		},
		Sensors: []watch.SensorFeeds{{ID: "tub-1-probe", FaultAfter: time.Minute,
			Channels: []watch.Channel{{Name: "temperature", Feeds: quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}}}}},
	}
	for _, text := range []string{
		"loft/pressure", "tub-1/water-temperature", "vivarium-1/air-temperature", "vivarium-1/relative-humidity",
		"vivarium-1/surface-temperature",
	} {
		point, err := quantity.ParsePoint(text)
		if err != nil {
			panic(err)
		}
		site.Points = append(site.Points, watch.Point{Point: point, StaleAfter: 2 * time.Minute, Accuracy: 0.5})
	}
	return watch.New(site, "run-1")
}

// play folds half an hour into the core: the tub grows too warm, the vivarium dries up, and its glass sensor falls silent.
func play(core *watch.Core) {
	begin := instant.Of(noon.Add(-30 * time.Minute))
	core.Step(watch.Event{Kind: watch.StartEvent, At: begin}, nil)
	for s := time.Duration(0); s <= 30*time.Minute; s += 30 * time.Second {
		at, minute := begin.Add(s), s.Minutes()
		for i, value := range []float64{101325, 23 + minute/10, 24.5, 85 - minute, 22} {
			if i == 4 && minute > 20 {
				continue
			}
			core.Step(watch.Event{At: at, Point: int32(i), Value: value, Flag: quantity.Pass}, nil)
		}
		core.Step(watch.Event{Kind: watch.TickEvent, At: at}, nil)
	}
	core.Step(watch.Event{Kind: watch.CommandEvent, At: instant.Of(noon), Command: &watch.Command{
		Verb: watch.Shelve, Alarm: "vivarium-1/relative-humidity/low", For: 20 * time.Minute, Reason: "misting by hand", By: "keeper",
	}}, nil)
}

func pictureOf(core *watch.Core) *status.Snapshot {
	p := &status.Snapshot{
		Site: "north-loft", Run: "run-1", At: noon, Started: noon.Add(-30 * time.Minute), Confirmed: true, Late: 2, Calls: status.Calls{"high": 3}, History: &status.History{Bytes: 1 << 20, WriteErrors: 1},
		Export:     &status.Export{Behind: 90 * time.Second, Sent: 7200, Refused: 3, FailingSince: noon.Add(-2 * time.Minute)},
		ClockSteps: 1500 * time.Millisecond, Reloaded: noon.Add(-30 * time.Minute), ReloadOK: true, Alarms: core.Alarms(),
		Sensors: []status.SensorHealth{
			{ID: "tub-1-probe", LastSuccess: noon.Add(-500 * time.Millisecond), Reads: map[string]uint64{"ok": 178, "checksum": 2}},
			{ID: "vivarium-1-glass", Reads: map[string]uint64{}},
		},
		Notifiers: []status.NotifierHealth{
			{Name: "mqtt", Connected: true, Sent: 41},
			{Name: "webhook", Pending: 3, Oldest: noon.Add(-10 * time.Minute), Dropped: 1},
		},
	}
	for i := range core.Points() {
		p.Points = append(p.Points, core.State(int32(i)))
	}
	return p
}

// scrape asks as a scraper does, and returns the lines of our own families.
func scrape(t *testing.T, handler http.Handler) string {
	t.Helper()
	request := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/metrics", nil)
	request.Header.Set("Accept", "application/openmetrics-text; version=1.0.0")
	recorder := httptest.NewRecorder()
	handler.ServeHTTP(recorder, request)
	require.Equal(t, http.StatusOK, recorder.Code)
	require.Contains(t, recorder.Header().Get("Content-Type"), "application/openmetrics-text; version=1.0.0")
	require.True(t, strings.HasSuffix(recorder.Body.String(), "\n# EOF\n"), "it ends as OpenMetrics 1.0 wants it")
	var own strings.Builder
	for line := range strings.Lines(recorder.Body.String()) {
		name := strings.TrimPrefix(strings.TrimPrefix(strings.TrimPrefix(line, "# HELP "), "# TYPE "), "# UNIT ")
		if strings.HasPrefix(name, "dewline_") || strings.HasPrefix(line, "# EOF") {
			own.WriteString(line)
		}
	}
	return own.String()
}

// handlerOf serves one picture.
func handlerOf(p *status.Snapshot) http.Handler {
	current := &status.Current{}
	if p != nil {
		current.Set(p)
	}
	return Handler(current, "1.0.0")
}

// TestGolden holds the exposition of a full picture: names by design.md, types, units and labels by OpenMetrics 1.0.
func TestGolden(t *testing.T) {
	core := room()
	play(core)
	got := scrape(t, handlerOf(pictureOf(core)))
	got = strings.ReplaceAll(got, `"`+runtime.Version()+`"`, `"GO"`)
	got = strings.ReplaceAll(got, `revision="`+Revision()+`"`, `revision="REVISION"`)
	// The last digits differ between processors that round a product and a sum once or twice.
	got = regexp.MustCompile(`\d+\.\d{7,}\n`).ReplaceAllStringFunc(got, func(text string) string {
		value, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
		require.NoError(t, err)
		return strconv.FormatFloat(value, 'f', 6, 64) + "\n"
	})
	path := filepath.Join("testdata", "openmetrics.txt")
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err, "run the test with -rewrite")
	require.Equal(t, string(want), got)
}

// The linter that belongs to the client library finds nothing to say about names, help and types.
func TestLint(t *testing.T) {
	core := room()
	play(core)
	recorder := httptest.NewRecorder()
	handlerOf(pictureOf(core)).ServeHTTP(recorder, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	problems, err := promlint.New(recorder.Body).Lint()
	require.NoError(t, err)
	assert.Empty(t, problems)
}

// Every unit ends the name of its family, or its name but for _total (OpenMetrics 1.0, section on units).
func TestUnitsEndTheirNames(t *testing.T) {
	core := room()
	play(core)
	units := 0
	for line := range strings.Lines(scrape(t, handlerOf(pictureOf(core)))) {
		if unit, found := strings.CutPrefix(line, "# UNIT "); found {
			name, unit, _ := strings.Cut(strings.TrimSpace(unit), " ")
			assert.True(t, strings.HasSuffix(name, "_"+unit), line)
			units++
		}
	}
	assert.Greater(t, units, 10)
}

// Counters, of every zone, side and result, are there at zero before anything has happened; readings are not.
func TestCountersStartAtZero(t *testing.T) {
	core := room()
	core.Step(watch.Event{Kind: watch.StartEvent, At: instant.Of(noon)}, nil)
	p := pictureOf(core)
	p.Sensors, p.Notifiers = []status.SensorHealth{{ID: "tub-1-probe"}}, []status.NotifierHealth{{Name: "mqtt"}}
	text := scrape(t, handlerOf(p))
	assert.NotContains(t, text, "dewline_reading_celsius{")
	assert.NotContains(t, text, "dewline_sensor_last_success_timestamp_seconds{")
	assert.NotContains(t, text, "dewline_outbox_oldest_timestamp_seconds{")
	for _, zone := range watch.Zones() {
		assert.Contains(t, text, fmt.Sprintf("dewline_zone_seconds_total{place=\"tub-1\",quantity=\"water-temperature\",zone=%q} 0.0\n", zone))
	}
	for _, side := range []string{"low", "high"} {
		for _, name := range []string{"dewline_excursions_total", "dewline_degree_seconds_total"} {
			assert.Contains(t, text, fmt.Sprintf("%s{place=\"tub-1\",quantity=\"water-temperature\",side=%q} 0.0\n", name, side))
		}
	}
	for _, result := range []string{"ok", "absent", "busy", "checksum", "timeout", "implausible", "unknown"} {
		assert.Contains(t, text, fmt.Sprintf("dewline_sensor_reads_total{result=%q,sensor=\"tub-1-probe\"} 0.0\n", result))
	}
	assert.Contains(t, text, "dewline_outbox_sent_total{outlet=\"mqtt\",result=\"ok\"} 0.0\n")
	assert.Contains(t, text, "dewline_outbox_dropped_total{outlet=\"mqtt\"} 0.0\n")
}

// Whatever kind of failure a driver can report is among the results.
func TestEveryKindOfFailureIsAResult(t *testing.T) {
	for kind := sensors.Unknown; kind <= sensors.Implausible+1; kind++ {
		assert.Contains(t, Results, kind.String())
	}
}

// A point whose data is stale is absent from the readings, never frozen. Its counters go on, and the alarm says why.
func TestStalePointIsAbsent(t *testing.T) {
	core := room()
	play(core)
	water := `dewline_reading_celsius{place="tub-1",quantity="water-temperature"}`
	assert.Contains(t, scrape(t, handlerOf(pictureOf(core))), water+" 26.0\n")
	core.Step(watch.Event{Kind: watch.TickEvent, At: instant.Of(noon.Add(5 * time.Minute))}, nil)
	text := scrape(t, handlerOf(pictureOf(core)))
	assert.NotContains(t, text, water)
	assert.Contains(t, text, `dewline_zone_seconds_total{place="tub-1",quantity="water-temperature",zone="unknown"} 300.0`)
	assert.Contains(t, text, `dewline_alarm_active{limit="stale",place="tub-1",priority="medium",quantity="water-temperature"} 1.0`)
	for line := range strings.Lines(text) {
		assert.Falsef(t, strings.HasPrefix(line, "dewline_reading_"), "nothing has been read for five minutes: %s", line)
	}
}

// The labels of an alarm's series are the same before it is raised, while it is active and after.
func TestAlarmsKeepTheirLabels(t *testing.T) {
	series := func(core *watch.Core) map[string]bool {
		set := map[string]bool{}
		for line := range strings.Lines(scrape(t, handlerOf(pictureOf(core)))) {
			if strings.HasPrefix(line, "dewline_alarm_") {
				name, _, _ := strings.Cut(line, "} ")
				set[name] = true
			}
		}
		return set
	}
	core := room()
	core.Step(watch.Event{Kind: watch.StartEvent, At: instant.Of(noon.Add(-time.Hour))}, nil)
	before := series(core)
	play(core)
	for range 2 {
		core.Step(watch.Event{Kind: watch.SensorEvent, At: instant.Of(noon), Failure: "power-on value", Flag: quantity.Fail}, nil)
	}
	core.Step(watch.Event{Kind: watch.TickEvent, At: instant.Of(noon.Add(time.Hour))}, nil)
	active := 0
	for _, a := range core.Alarms() {
		if a.Active {
			active++
		}
	}
	require.Greater(t, active, 5, "limit, stale and fault alarms")
	after := series(core)
	for name := range before {
		assert.True(t, after[name], "%s is gone", name)
	}
}

// Before the first picture there is nothing but what is running.
func TestNoPictureYet(t *testing.T) {
	text := scrape(t, handlerOf(nil))
	var samples []string
	for line := range strings.Lines(text) {
		if !strings.HasPrefix(line, "#") {
			samples = append(samples, line)
		}
	}
	require.Len(t, samples, 1)
	assert.True(t, strings.HasPrefix(samples[0], "dewline_build_info{goversion="), samples[0])
}

// Those who do not ask for OpenMetrics get the older text format, and the process speaks for itself.
func TestTheOlderFormat(t *testing.T) {
	core := room()
	play(core)
	server := httptest.NewServer(handlerOf(pictureOf(core)))
	defer server.Close()
	answer, err := http.Get(server.URL)
	require.NoError(t, err)
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	assert.Contains(t, answer.Header.Get("Content-Type"), "text/plain; version=0.0.4")
	for _, want := range []string{
		"dewline_reading_ratio{place=\"vivarium-1\",quantity=\"relative-humidity\"} 0.55\n", "go_goroutines ", "process_resident_memory_bytes ",
		"process_start_time_seconds ", "go_gc_heap_live_bytes ", "go_memstats_heap_alloc_bytes ",
	} {
		assert.Contains(t, string(body), want)
	}
	assert.NotContains(t, string(body), "# EOF")
}

// One family that cannot be shown must not hide the others: here two notifiers have one name.
func TestOneBrokenFamilyHidesNoOther(t *testing.T) {
	core := room()
	play(core)
	p := pictureOf(core)
	p.Notifiers = append(p.Notifiers, status.NotifierHealth{Name: "mqtt"})
	text := scrape(t, handlerOf(p))
	assert.Contains(t, text, `dewline_reading_celsius{place="tub-1",quantity="water-temperature"} 26.0`)
}

// Scrapes see one picture each, whole, however fast pictures change.
func TestScrapesWhilePicturesChange(t *testing.T) {
	const pictures = 200
	current := &status.Current{}
	point := quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}
	picture := func(n int) *status.Snapshot {
		s := watch.PointState{Point: point, Value: float64(n), Zone: watch.InBand, Band: care.NoBand()}
		s.Total[watch.InBand] = float64(n)
		return &status.Snapshot{At: noon, Points: []watch.PointState{s}, Late: uint64(n)}
	}
	current.Set(picture(0))
	handler := Handler(current, "")
	var writing, reading sync.WaitGroup
	done := make(chan struct{})
	writing.Go(func() {
		defer close(done)
		for n := range pictures {
			current.Set(picture(n))
			runtime.Gosched()
		}
	})
	for range 4 {
		reading.Go(func() {
			for last := false; !last; {
				select {
				case <-done:
					last = true
				default:
				}
				recorder := httptest.NewRecorder()
				handler.ServeHTTP(recorder, httptest.NewRequest(http.MethodGet, "/metrics", nil))
				text := recorder.Body.String()
				value := valueOf(text, `dewline_reading_celsius{place="tub-1",quantity="water-temperature"} `)
				assert.NotEmpty(t, value)
				assert.Equal(t, value, valueOf(text, `dewline_zone_seconds_total{place="tub-1",quantity="water-temperature",zone="in-band"} `))
				assert.Equal(t, value, valueOf(text, "\ndewline_readings_late_total "))
			}
		})
	}
	writing.Wait()
	reading.Wait()
}

// valueOf returns the value of a series in the text format.
func valueOf(text, series string) string {
	_, rest, _ := strings.Cut(text, series)
	value, _, _ := strings.Cut(rest, "\n")
	return value
}

// BenchmarkScrape makes one exposition of a room with every quantity.
func BenchmarkScrape(b *testing.B) {
	core := room()
	play(core)
	handler := handlerOf(pictureOf(core))
	request := httptest.NewRequest(http.MethodGet, "/metrics", nil)
	b.ReportAllocs()
	for b.Loop() {
		handler.ServeHTTP(httptest.NewRecorder(), request)
	}
}

package web_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
	"dewline/internal/server/control"
	"dewline/internal/server/status"
	"dewline/internal/server/web"
	"dewline/internal/source/recorded"
	"dewline/internal/store"
)

func metricsHandler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "# EOF\n") })
}

func ask(t testing.TB, address string) (int, []byte) {
	response, err := http.Get(address)
	require.NoError(t, err)
	defer response.Body.Close()
	data, err := io.ReadAll(response.Body)
	require.NoError(t, err)
	return response.StatusCode, data
}

func get[T any](t testing.TB, address string) T {
	code, data := ask(t, address)
	require.Equal(t, http.StatusOK, code, "%s: %s", address, data)
	var v T
	require.NoError(t, json.Unmarshal(data, &v))
	return v
}

func point(t testing.TB, name string) quantity.Point {
	p, err := quantity.ParsePoint(name)
	require.NoError(t, err)
	return p
}

func between(from, to instant.Instant) string {
	return "from=" + url.QueryEscape(from.String()) + "&to=" + url.QueryEscape(to.String())
}

func TestOnlyLoopbackIsServed(t *testing.T) {
	for _, listen := range []string{"0.0.0.0:0", "[::]:0", "192.0.2.1:80", ":80", "nonsense"} {
		_, err := web.Listen(web.Options{Listen: listen, Current: new(status.Current), Metrics: metricsHandler()})
		assert.Error(t, err, listen)
	}
}

// A page of another site must neither read the room by a name of its own (DNS rebinding) nor act in it.
func TestForeignSitesAreRefused(t *testing.T) {
	r := newRig(t)
	o := r.options(t)
	o.Hosts = []string{"loft.example"}
	site := r.serve(t, o)
	cases := []struct {
		name, method, path, host string
		head                     map[string]string
		status                   int
	}{
		{"own name", "GET", "/api/now", "localhost:8420", nil, 200},
		{"name of the proxy", "GET", "/api/now", "loft.example", nil, 200},
		{"foreign name", "GET", "/api/now", "evil.example", nil, 403},
		{"foreign origin reads nothing it could not", "GET", "/api/now", "", map[string]string{"Origin": "https://evil.example", "Sec-Fetch-Site": "cross-site"}, 200},
		{"foreign origin acts", "POST", "/api/command", "", map[string]string{"Origin": "https://evil.example", "Content-Type": "application/json"}, 403},
		{"cross-site form", "POST", "/api/command", "", map[string]string{"Sec-Fetch-Site": "cross-site", "Content-Type": "application/x-www-form-urlencoded"}, 403},
		{"form of no site", "POST", "/api/command", "", map[string]string{"Content-Type": "application/x-www-form-urlencoded"}, 415},
		{"wrong method", "PUT", "/api/command", "", nil, 405},
		{"no such page", "GET", "/api/secrets", "", nil, 404},
		{"no such asset", "GET", "/assets/..%2fmanifest.json", "", nil, 404},
		{"the manifest is no asset", "GET", "/assets/manifest.json", "", nil, 404},
	}
	before := len(r.journal)
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			request, err := http.NewRequestWithContext(t.Context(), c.method, site+c.path, strings.NewReader(`{"verb":"note","text":"from elsewhere"}`))
			require.NoError(t, err)
			if c.host != "" {
				request.Host = c.host
			}
			for name, value := range c.head {
				request.Header.Set(name, value)
			}
			response, err := http.DefaultClient.Do(request)
			require.NoError(t, err)
			response.Body.Close()
			assert.Equal(t, c.status, response.StatusCode)
			if c.status == 200 {
				assert.Empty(t, response.Header.Get("Access-Control-Allow-Origin"))
				assert.Contains(t, response.Header.Get("Content-Security-Policy"), "default-src 'none'; script-src 'self'; connect-src 'self'")
				assert.NotContains(t, response.Header.Get("Content-Security-Policy"), "unsafe")
			}
		})
	}
	assert.Len(t, r.journal, before, "nothing was done")
}

func TestCommandsOfThePages(t *testing.T) {
	r := newRig(t)
	o := r.options(t)
	site := r.serve(t, o)
	send := func(site, body string) (int, control.Response) {
		response, err := http.Post(site+"/api/command", "application/json", strings.NewReader(body))
		require.NoError(t, err)
		defer response.Body.Close()
		var answer control.Response
		require.NoError(t, json.NewDecoder(response.Body).Decode(&answer))
		return response.StatusCode, answer
	}
	a := r.waiting(t)
	code, answer := send(site, fmt.Sprintf(`{"verb":"acknowledge","alarm":%q,"occurrence":%q}`, a.Name, a.Occurrence))
	assert.Equal(t, 200, code)
	assert.True(t, answer.Done && answer.Changed)
	assert.Equal(t, string(isa.Acknowledged), string(r.alarm(t, a.Name).Letter))
	assert.Equal(t, "the pages", r.journal[len(r.journal)-1].By, "the record says where it came from")
	code, answer = send(site, fmt.Sprintf(`{"verb":"acknowledge","alarm":%q,"occurrence":%q}`, a.Name, a.Name+"@2020-01-01T00:00:00.000Z"))
	assert.Equal(t, 409, code)
	assert.Contains(t, answer.Reason, "not the current event")
	code, _ = send(site, fmt.Sprintf(`{"verb":"shelve","alarm":%q,"for_seconds":90000,"reason":"too long"}`, a.Name))
	assert.Equal(t, 409, code)
	before := len(r.journal)
	for _, verb := range []watch.Verb{watch.Remind, watch.Repeat} {
		code, answer = send(site, fmt.Sprintf(`{"verb":%q,"alarm":%q}`, verb, a.Name))
		assert.Equal(t, 400, code, verb)
		assert.Equal(t, "an alarm is repeated by rule, not by hand", answer.Reason)
	}
	assert.Len(t, r.journal, before)
	code, _ = send(site, strings.Repeat(" ", 20<<10)+`{"verb":"note","text":"x"}`)
	assert.Equal(t, 400, code, "a command is short")

	o.Command = func(context.Context, watch.Command) (control.Response, error) {
		return control.Response{}, fmt.Errorf("the daemon is stopping")
	}
	code, answer = send(r.serve(t, o), `{"verb":"note","text":"x"}`)
	assert.Equal(t, 503, code)
	assert.Equal(t, "the daemon is stopping", answer.Reason)
}

// event is one server-sent event.
type event struct{ name, data string }

func stream(t testing.TB, address string) (*http.Response, func() event) {
	response, err := http.Get(address)
	require.NoError(t, err)
	lines := bufio.NewScanner(response.Body)
	lines.Buffer(nil, 4<<20)
	return response, func() event {
		var e event
		for lines.Scan() {
			name, value, _ := strings.Cut(lines.Text(), ": ")
			switch name {
			case "event":
				e.name = value
			case "data":
				e.data = value
			case "":
				if e.name != "" {
					return e
				}
			}
		}
		return event{name: "end"}
	}
}

func TestStreamSendsEveryChangeAndTheAgeOfSilence(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, r.options(t))
	response, next := stream(t, site+"/api/live")
	defer response.Body.Close()
	assert.Equal(t, "text/event-stream", response.Header.Get("Content-Type"))
	c := readContract(t, site)
	check := func(e event, schemaName string) {
		var v any
		require.NoError(t, json.Unmarshal([]byte(e.data), &v))
		require.Empty(t, c.check(&schema{Ref: "#/components/schemas/" + schemaName}, v, e.name))
	}
	first := next()
	require.Equal(t, "now", first.name)
	check(first, "Now")
	beat := next()
	require.Equal(t, "beat", beat.name)
	check(beat, "Beat")
	a := r.waiting(t)
	_, err := r.command(t.Context(), watch.Command{Verb: watch.Acknowledge, Alarm: a.Name, Occurrence: a.Occurrence})
	require.NoError(t, err)
	for e := next(); ; e = next() {
		require.NotEqual(t, "end", e.name)
		if e.name == "now" {
			check(e, "Now")
			var now struct{ Alarms []web.AlarmNow }
			require.NoError(t, json.Unmarshal([]byte(e.data), &now))
			for _, shown := range now.Alarms {
				if shown.Alarm.Alarm == a.Name {
					assert.Equal(t, isa.Acknowledged, shown.State)
				}
			}
			break
		}
	}
	// No new picture comes: the beats say so, growing older.
	older := 0.0
	for range 2 {
		e := next()
		for e.name != "beat" {
			require.NotEqual(t, "end", e.name)
			e = next()
		}
		var age struct {
			AgeS float64 `json:"age_s"`
		}
		require.NoError(t, json.Unmarshal([]byte(e.data), &age))
		assert.GreaterOrEqual(t, age.AgeS, older)
		older = age.AgeS
	}
	assert.Greater(t, older, 1.0)
}

func TestStreamsAreBoundedAndEndWithTheServer(t *testing.T) {
	r := newRig(t)
	server, err := web.Listen(r.options(t))
	require.NoError(t, err)
	var serving sync.WaitGroup
	serving.Go(func() { assert.NoError(t, server.Serve()) })
	address := "http://" + server.Addr() + "/api/live"
	var ends []func() event
	for range 24 {
		response, next := stream(t, address)
		defer response.Body.Close()
		require.Equal(t, "now", next().name)
		ends = append(ends, next)
	}
	code, data := ask(t, address)
	assert.Equal(t, http.StatusServiceUnavailable, code)
	assert.Contains(t, string(data), "close some")
	require.NoError(t, server.Close())
	serving.Wait()
	for _, next := range ends {
		for e := next(); e.name != "end"; e = next() {
			require.Contains(t, []string{"now", "beat"}, e.name)
		}
	}
}

// What is not known is null, and never the last value.
func TestStaleValuesAreNotShown(t *testing.T) {
	r := newRig(t)
	now := get[web.Now](t, r.serve(t, r.options(t))+"/api/now")
	seen := map[string]bool{}
	for _, place := range now.Places {
		for _, p := range place.Points {
			seen[p.Point.String()] = true
			assert.Equal(t, p.Zone == "unknown", p.Value == nil, p.Point)
			assert.Equal(t, p.Point.Place == "tub-7", p.Value == nil, p.Point)
			sum := 0.0
			for _, zone := range zonesOf(p.Today.Seconds) {
				sum += zone
			}
			assert.InDelta(t, float64(p.Today.ElapsedS), sum, 6*float64(time.Millisecond), p.Point)
		}
	}
	assert.Len(t, seen, len(r.core.Points()))
	require.Equal(t, "loft", now.Places[0].ID, "rooms first")
	for _, a := range now.Alarms {
		assert.NotEmpty(t, a.Action, a.Alarm.Alarm)
		assert.NotEmpty(t, a.Consequence, a.Alarm.Alarm)
	}
}

// zonesOf returns the times per zone in nanoseconds, in the order of the zones.
func zonesOf(s exposure.ZoneSeconds) (zones [watch.ZoneCount]float64) {
	for z, ms := range s {
		zones[z] = float64(ms) * 1e6
	}
	return zones
}

// trendOf is PointTrend as it is read back.
type trendOf struct {
	Points []struct {
		T              []float64
		Mean, Min, Max []*float64
		Bands          []web.BandJSON
	}
}

// Gaps are gaps at every scale, extremes are exact, and a line never runs where a reading failed to come.
func TestTrendKeepsGapsAndExtremes(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, r.options(t))
	p := point(t, "tub-3/water-temperature")
	lost := r.past.at.Add(-72 * time.Hour)
	for _, c := range []struct {
		name     string
		from, to time.Time
		columns  int
	}{
		{"single readings", lost.Add(-time.Hour), lost.Add(6 * time.Hour), 1500},
		{"a reading or two in a column", lost.Add(-6 * time.Hour), lost.Add(12 * time.Hour), 600},
		{"wide columns", lost.AddDate(0, 0, -5), lost.AddDate(0, 0, 3), 600},
	} {
		t.Run(c.name, func(t *testing.T) {
			from, to := instant.Of(c.from), instant.Of(c.to)
			tr := get[trendOf](t, fmt.Sprintf("%s/api/trend?point=%s&%s&columns=%d", site, p, between(from, to), c.columns)).Points[0]
			require.Equal(t, len(tr.T), len(tr.Mean))
			lowest, highest, gaps := math.Inf(1), math.Inf(-1), 0
			for i, at := range tr.T {
				if i > 0 {
					require.Greater(t, at, tr.T[i-1], "in order of time")
				}
				inside := at > float64(lost.Unix()+600) && at < float64(lost.Add(5*time.Hour).Unix()-600)
				if tr.Mean[i] == nil {
					gaps++
					continue
				}
				require.False(t, inside, "a value within the gap, at %v", at)
				require.True(t, *tr.Min[i] <= *tr.Mean[i]+1e-4 && *tr.Mean[i] <= *tr.Max[i]+1e-4)
				if at >= float64(c.from.Unix()) && at <= float64(c.to.Unix()) {
					lowest, highest = min(lowest, *tr.Min[i]), max(highest, *tr.Max[i])
				}
			}
			assert.GreaterOrEqual(t, gaps, 1)
			var low, high = math.Inf(1), math.Inf(-1)
			readings, err := r.of(p, from, to)
			require.NoError(t, err)
			for _, x := range readings {
				low, high = min(low, x.Value), max(high, x.Value)
			}
			assert.InDelta(t, low, lowest, 1e-4)
			assert.InDelta(t, high, highest, 1e-4)
		})
	}
}

// The exposure of a range that the core itself has just lived through is the core's own, to the millisecond; ranges add up.
func TestExposureIsThatOfTheCore(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, r.options(t))
	for _, name := range []string{
		"tub-1/water-temperature", "tub-7/water-temperature", "loft/air-temperature", "vivarium-1/relative-humidity", "vivarium-2/condensation-margin",
		"grow-out/vapour-pressure-deficit", "tub-3/oxygen-saturation",
	} {
		t.Run(name, func(t *testing.T) {
			index, ok := r.core.Index(point(t, name))
			require.True(t, ok)
			live := r.core.State(index).Today
			e := get[web.ExposureTable](t, site+"/api/exposure?point="+name+"&"+between(live.From, live.To)).Points[0].Exposure
			const millisecond = float64(time.Millisecond)
			for i, s := range zonesOf(e.Seconds) {
				assert.InDelta(t, float64(live.InZone[i]), s, millisecond, watch.Zone(i))
			}
			assert.Equal(t, live.Excursions, e.Excursions)
			assert.InDelta(t, float64(live.Longest), float64(e.LongestExcursionS), millisecond)
			assert.InDelta(t, live.DegreeAbove/3600, float64(e.DegreeHoursAbove), 1e-4*(1+live.DegreeAbove/3600))

			begin, middle, end := r.past.at.AddDate(0, 0, -12), r.past.at.AddDate(0, 0, -7).Add(1234567*time.Microsecond), r.past.at.Add(-time.Minute)
			part := func(from, to time.Time) exposure.Exposure {
				return get[web.ExposureTable](t, site+"/api/exposure?point="+name+"&"+between(instant.Of(from), instant.Of(to))).Points[0].Exposure
			}
			a, b, whole := part(begin, middle), part(middle, end), part(begin, end)
			one, two, both := zonesOf(a.Seconds), zonesOf(b.Seconds), zonesOf(whole.Seconds)
			sum := 0.0
			for i := range both {
				assert.InDelta(t, both[i], one[i]+two[i], 3*millisecond, watch.Zone(i))
				sum += both[i]
			}
			assert.InDelta(t, float64(end.Sub(begin)), sum, 0.01, "the zones add up to the millisecond")
			assert.InDelta(t, float64(a.DegreeHoursAbove+b.DegreeHoursAbove), float64(whole.DegreeHoursAbove), 1e-3)
			assert.Equal(t, end.Sub(begin), time.Duration(whole.ElapsedS))
		})
	}
}

// A stage change by command counts from when it was said: the band before it stays as it was.
func TestExposureFollowsTheStageChange(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, r.options(t))
	set := time.Date(2026, 7, 6, 10, 0, 0, 0, r.site.Location)
	tr := get[trendOf](t, site+"/api/trend?point=grow-out/relative-humidity&"+between(instant.Of(set.AddDate(0, 0, -2)), instant.Of(set.AddDate(0, 0, 2)))).Points[0]
	var stages []string
	for _, b := range tr.Bands {
		if len(stages) == 0 || stages[len(stages)-1] != b.Stage {
			stages = append(stages, b.Stage)
		}
		if b.Stage == "juvenile" {
			assert.False(t, b.From < instant.Of(set))
		}
	}
	assert.Equal(t, []string{"metamorph", "juvenile"}, stages)
}

// What is downloaded is what replay reads.
func TestDownloadIsAReadingsFile(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, r.options(t))
	from, to := instant.Of(r.past.at.Add(-3*time.Hour)), instant.Of(r.past.at)
	response, err := http.Get(site + "/api/readings.csv?point=tub-1/water-temperature&point=vivarium-1/dew-point&" + between(from, to))
	require.NoError(t, err)
	defer response.Body.Close()
	data, err := io.ReadAll(response.Body)
	require.NoError(t, err)
	assert.Equal(t, `attachment; filename="north-loft_2026-07-14_2026-07-14.csv"`, response.Header.Get("Content-Disposition"))
	file, err := recorded.Read("download.csv", bytes.NewReader(data))
	require.NoError(t, err)
	kept, err := r.of(point(t, "tub-1/water-temperature"), from, to)
	require.NoError(t, err)
	derived, err := r.of(point(t, "vivarium-1/dew-point"), from, to)
	require.NoError(t, err)
	require.Len(t, file.Rows, len(kept)+len(derived))
	for _, row := range file.Rows {
		of := &kept
		if file.Points[row.Point].Place == "vivarium-1" {
			of = &derived
		}
		require.Equal(t, store.Sample{At: row.At, Value: row.Value, Flag: row.Flag}, (*of)[0])
		*of = (*of)[1:]
	}
}

func TestJournalIsReadInPieces(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, r.options(t))
	var seqs []uint64
	for before := uint64(math.MaxInt64); before != 0; {
		page := get[web.JournalPage](t, fmt.Sprintf("%s/api/journal?kinds=people&limit=97&before=%d", site, before))
		for _, e := range page.Entries {
			seqs = append(seqs, e.Seq)
		}
		before = page.Older
	}
	for i := 1; i < len(seqs); i++ {
		require.Less(t, seqs[i], seqs[i-1])
	}
	assert.Greater(t, len(seqs), 300)
}

// Where the pages were not built, and where the browser runs no script, the current values are shown as plain tables.
func TestPlainPage(t *testing.T) {
	r := newRig(t)
	o := r.options(t)
	o.Pages = nil
	code, data := ask(t, r.serve(t, o)+"/")
	require.Equal(t, http.StatusOK, code)
	text := string(data)
	assert.Contains(t, text, "were not built into this program")
	assert.Contains(t, text, `http-equiv="refresh"`)
	assert.NotContains(t, text, "<script")
	index, ok := r.core.Index(point(t, "tub-1/water-temperature"))
	require.True(t, ok)
	assert.Contains(t, text, quantity.Fahrenheit.Print(r.core.State(index).Value, 1))
	for _, caution := range []string{"residual-current", "drip loop", "independent cut-out", "it switches nothing", "veterinarian", "permit office", "electrical code", "Quarantine", "Never release", "gloves", "Salmonella",
		"RCD, GFCI", "Legionella", "UV and heat lamps", "peroxymonosulfate", "acid or ammonia", "Small children", "that of a humidity check", "let a heater cool"} {
		assert.Contains(t, text, caution)
	}
}

func TestBuiltPagesMustBeWhole(t *testing.T) {
	r := newRig(t)
	for name, files := range map[string]fstest.MapFS{
		"no manifest": {}, "broken": {web.ManifestName: {Data: []byte("{")}}, "a page is missing": {web.ManifestName: {Data: []byte(`{"styles":[],"pages":{"now":["now.js"]}}`)}, "now.js.gz": {Data: packed("1")}},
		"a script is missing": {web.ManifestName: {Data: []byte(`{"styles":[],"pages":{"now":["now.js"]}}`)}},
		"not compressed":      {"now.js.gz": {Data: []byte("1")}, web.ManifestName: {Data: []byte(`{"styles":[],"pages":{"now":["now.js"]}}`)}},
	} {
		o := r.options(t)
		o.Pages = files
		_, err := web.Listen(o)
		assert.ErrorContains(t, err, "the built pages", name)
	}
}

func TestHealthAndMetrics(t *testing.T) {
	r := newRig(t)
	o := r.options(t)
	o.Healthy = func() error { return fmt.Errorf("the core has not moved for 2m0s") }
	site := r.serve(t, o)
	code, data := ask(t, site+"/health")
	assert.Equal(t, http.StatusServiceUnavailable, code)
	assert.Contains(t, string(data), "has not moved")
	code, _ = ask(t, site+"/metrics")
	assert.Equal(t, http.StatusOK, code)
}

// Package export runs the program against the real metrics store of the distribution: what arrives there is what the history holds.
package export

import (
	"encoding/csv"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/journal"
	"dewline/internal/test/harness"
	"dewline/internal/test/prometheus"
)

func TestMain(m *testing.M) { harness.Main(m) }

// begin is what the clock of the house shows at first. All values are invented.
var begin = time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)

const loft = `site: north-loft
timezone: Europe/Lisbon
places:
  - {id: loft, kind: room}
  - {id: tub-1, kind: tub, in: loft, bands: {water-temperature: {high: 24 °C, on-delay: 1m, off-delay: 1m, priority: medium}}}
sensors:
  - {id: tub-1-probe, driver: w1, address: %s, every: 10s, feeds: {temperature: tub-1/water-temperature}}
web: {listen: WEB}
control: {socket: SOCKET}
history: {path: HISTORY}
export: {remote-write: {url: "%s"}}
`

// exported returns the usable rows of a point that dewline export writes.
func exported(t *testing.T, h *harness.House, point string) (samples []prometheus.Sample) {
	t.Helper()
	out, err := exec.Command(harness.Binary(t), "export", "--config", h.Config, "--point", point).Output()
	require.NoError(t, err)
	rows, err := csv.NewReader(strings.NewReader(string(out))).ReadAll()
	require.NoError(t, err)
	for _, row := range rows[1:] {
		at, err := time.Parse(time.RFC3339, row[0])
		require.NoError(t, err)
		if row[2] == "" || len(row) > 4 && (row[4] == "4" || row[4] == "9") {
			continue
		}
		value, err := strconv.ParseFloat(row[2], 64)
		require.NoError(t, err)
		samples = append(samples, prometheus.Sample{At: at.UnixMilli(), Value: value})
	}
	return samples
}

// Through a store that is stopped, killed and started again, and a program that is killed in the middle, all readings from the first start
// on arrive, to the last digit and millisecond.
func TestARealMetricsStore(t *testing.T) {
	t.Parallel()
	far := prometheus.Start(t, "")
	h := harness.New(t, harness.Options{Start: begin, Pace: 30, Site: fmt.Sprintf(loft, harness.ROM(1), far.Write())})
	show := func(celsius float64) { h.Probe(1).Show(celsius) }
	show(22)
	p := h.Start()
	has := func(selector string) []prometheus.Sample { return far.Samples(selector, h.Now().Add(time.Hour)) }
	const water = `dewline_reading_celsius{site="north-loft",place="tub-1",quantity="water-temperature"}`
	h.Wait("readings arrive", func() bool { return len(has(water)) > 0 })

	show(25.4375)
	const high = "tub-1/water-temperature/high"
	h.Wait("the tub is too warm", func() bool { return h.Letter(high) == "B" })
	const active = `dewline_alarm_active{limit="high",place="tub-1"}`
	h.Wait("the alarm has arrived", func() bool { return len(has(active)) > 2 })
	far.Stop()
	show(22.5)
	h.Wait("the tub is right again", func() bool { return h.Letter(high) != "B" })
	h.Wait("it is known that the store is away", func() bool { return h.Number("dewline_export_behind_seconds") > 900 })
	health, err := h.Get("/health")
	require.NoError(t, err)
	assert.Contains(t, health, "export: ")
	assert.Contains(t, health, "behind: the host was not reached: connection refused")
	answer, err := exec.Command(harness.Binary(t), "status", "--config", h.Config).CombinedOutput()
	require.NoError(t, err, "it is nothing that needs the keeper: %s", answer)
	assert.Contains(t, string(answer), "the metrics store takes nothing since ")
	p.Kill()
	far.Restart()
	p = h.Start()
	h.Wait("some of it has arrived", func() bool { return len(has(water)) > 60 })
	p.Kill()
	p = h.Start()
	far.Kill()
	far.Restart()
	h.Wait("all of it has arrived", func() bool {
		behind := h.Number("dewline_export_behind_seconds")
		return behind > 0 && behind < 400 && len(has(water)) > 120
	})
	require.NoError(t, p.Stop())

	got, want := has(water), exported(t, h, "tub-1/water-temperature")
	require.NotEmpty(t, got)
	// The first start begins with the minute of the first commit.
	for len(want) > 0 && want[0].At < got[0].At {
		want = want[1:]
	}
	require.Greater(t, len(want), 100)
	require.GreaterOrEqual(t, len(want), len(got))
	assert.Less(t, len(want)-len(got), 40, "only the newest are not there yet")
	for i := range got {
		require.Equal(t, want[i], got[i])
	}
	alarm := has(active)
	require.NotEmpty(t, alarm)
	assert.Equal(t, 1.0, alarm[0].Value)
	assert.Zero(t, alarm[len(alarm)-1].Value, "it has ended")
	var raised, cleared int64
	for _, e := range h.Journal(t) {
		switch e.Kind {
		case journal.AlarmRaised:
			raised = e.At.Time().UnixMilli()
		case journal.AlarmCleared:
			cleared = e.At.Time().UnixMilli()
		}
	}
	assert.Equal(t, raised, alarm[0].At)
	assert.Equal(t, cleared, alarm[len(alarm)-1].At)
	var sum float64
	for _, zone := range []string{"in-band", "high", "unknown"} {
		if of := has(fmt.Sprintf(`dewline_zone_seconds_total{place="tub-1",zone=%q}`, zone)); len(of) > 0 {
			sum += of[len(of)-1].Value
		}
	}
	zones := has(`dewline_zone_seconds_total{place="tub-1",zone="in-band"}`)
	assert.InDelta(t, float64(zones[len(zones)-1].At-zones[0].At)/1000, sum, 0.01, "the zones add up to the time")
}

// A receiver that answers 401 for more than a day raises no alarm and loses nothing: there is a note in the journal, and once the password
// is right again all of it arrives.
func TestALockedOutDay(t *testing.T) {
	t.Parallel()
	var taken, refused atomic.Int64
	var open atomic.Bool
	receiver := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !open.Load() {
			refused.Add(1)
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		taken.Add(1)
		w.Header().Set("X-Prometheus-Remote-Write-Samples-Written", "1")
		w.WriteHeader(http.StatusNoContent)
	}))
	defer receiver.Close()
	site := strings.Replace(fmt.Sprintf(loft, harness.ROM(1), receiver.URL), "every: 10s", "every: 10m, gap: 1h, stale-after: 3h", 1)
	h := harness.New(t, harness.Options{Start: begin, Pace: 3600, Site: site})
	h.Probe(1).Show(22)
	p := h.Start()
	note := func(text string) bool {
		for _, e := range h.Journal(t) {
			if e.Kind == journal.Note && strings.Contains(e.Text, text) {
				return true
			}
		}
		return false
	}
	h.Wait("it is written down", func() bool { return note("the metrics store has taken nothing for a day") })
	assert.Positive(t, refused.Load())
	assert.Less(t, refused.Load(), int64(20), "one that lets nobody in is not asked again and again")
	for _, e := range h.Journal(t) {
		assert.NotEqual(t, journal.AlarmRaised, e.Kind, "%s", e.Alarm)
	}
	open.Store(true)
	p.Kill() // otherwise it waits for five minutes
	p = h.Start()
	h.Wait("it arrives", func() bool { return taken.Load() > 10 })
	require.NoError(t, p.Stop())
}

// A reload takes up another store, and goes on there where the first one has left off; what it is refused for is said.
func TestAReload(t *testing.T) {
	t.Parallel()
	receiver := func() (address string, taken *atomic.Int64) {
		taken = new(atomic.Int64)
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			taken.Add(1)
			w.Header().Set("X-Prometheus-Remote-Write-Samples-Written", "1")
			w.WriteHeader(http.StatusNoContent)
		}))
		t.Cleanup(server.Close)
		return server.URL, taken
	}
	first, atFirst := receiver()
	second, atSecond := receiver()
	h := harness.New(t, harness.Options{Start: begin, Pace: 30, Site: fmt.Sprintf(loft, harness.ROM(1), first)})
	h.Probe(1).Show(22)
	p := h.Start()
	h.Wait("readings arrive at the first", func() bool { return atFirst.Load() > 1 })
	assert.Zero(t, atSecond.Load())
	h.Write(fmt.Sprintf(loft, harness.ROM(1), second))
	p.Reload()
	h.Wait("readings arrive at the second", func() bool { return atSecond.Load() > 0 })
	before := atFirst.Load()
	sofar := atSecond.Load()
	h.Wait("they go on arriving there", func() bool { return atSecond.Load() > sofar+2 })
	assert.Equal(t, before, atFirst.Load(), "the first hears nothing more")

	h.Write(strings.Replace(fmt.Sprintf(loft, harness.ROM(1), second), `"}}`, `", ca-file: FOLDER/none.pem}}`, 1))
	p.Reload()
	h.Wait("it says why nothing is exported", func() bool {
		health, err := h.Get("/health")
		return err == nil && strings.Contains(health, "reading the certificate of the authority")
	})
	without, _, _ := strings.Cut(fmt.Sprintf(loft, harness.ROM(1), second), "export:")
	h.Write(without)
	p.Reload()
	h.Wait("nothing is exported any more", func() bool {
		health, err := h.Get("/health")
		return err == nil && !strings.Contains(health, "export")
	})
	require.NoError(t, p.Stop())
}

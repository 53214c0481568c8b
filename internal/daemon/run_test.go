package daemon_test

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/watch"
	"dewline/internal/daemon"
	"dewline/internal/server/control"
)

// running is a daemon under test, used through its sockets and pages as a keeper would.
type running struct {
	t       *testing.T
	at      daemon.Addresses
	client  *control.Client
	config  string
	folder  string
	reload  chan struct{}
	stop    func()
	states  chan string
	started time.Duration
}

// begin starts the daemon on a configuration, with a clock that runs speed times as fast. The configuration is written to a
// folder of its own, in which SOCKET and the web port are filled in.
func begin(t *testing.T, speed float64, sys, text string) *running {
	t.Helper()
	return beginAt(t, t.TempDir(), time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC), speed, sys, text)
}

// beginAt is begin in a folder that another run may have left, at a moment of its own.
func beginAt(t *testing.T, folder string, start time.Time, speed float64, sys, text string) *running {
	t.Helper()
	r := &running{t: t, folder: folder, config: filepath.Join(folder, "site.yaml"), reload: make(chan struct{}, 1), states: make(chan string, 1000)}
	r.write(text)
	ready := make(chan daemon.Addresses, 1)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	launch := time.Now()
	log := slog.New(slog.NewTextHandler(t.Output(), nil))
	go func() {
		ended <- daemon.Run(ctx, daemon.Options{
			Config: r.config, Log: log, Sys: sys, Root: folder, Version: "test", Reload: r.reload,
			Clock: daemon.FastClock(start, speed),
			Ready: func(a daemon.Addresses) { ready <- a },
			Notify: func(state string) {
				select {
				case r.states <- state:
				default:
				}
			},
		})
	}()
	select {
	case r.at = <-ready:
	case err := <-ended:
		t.Fatalf("the daemon did not start: %v", err)
	}
	r.started = time.Since(launch)
	r.client = control.Dial(r.at.Socket)
	stopped := false
	r.stop = func() {
		if !stopped {
			stopped = true
			cancel()
			assert.NoError(t, <-ended)
		}
	}
	t.Cleanup(r.stop)
	return r
}

// write writes the configuration.
func (r *running) write(text string) {
	text = strings.NewReplacer("SOCKET", filepath.Join(r.folder, "control.sock"), "HISTORY", filepath.Join(r.folder, "history.db")).Replace(text)
	require.NoError(r.t, os.WriteFile(r.config, []byte(text), 0o600))
}

// letter returns the state of an alarm, "" while there is no such alarm.
func (r *running) letter(name string) string { return string(r.alarm(name).State) }

func (r *running) alarm(name string) control.Alarm {
	alarms, err := r.client.Alarms(r.t.Context())
	require.NoError(r.t, err)
	for _, a := range alarms {
		if a.Alarm == name {
			return a
		}
	}
	return control.Alarm{}
}

// wait waits until a condition holds, for as long as a machine under load may need. The condition is asked by the goroutine of the test,
// which it may end.
func (r *running) wait(what string, holds func() bool) {
	r.t.Helper()
	for deadline := time.Now().Add(90 * time.Second); !holds(); time.Sleep(20 * time.Millisecond) {
		require.True(r.t, time.Now().Before(deadline), "waited in vain: %s", what)
	}
}

// metrics returns the text of /metrics.
func (r *running) metrics() string {
	response, err := http.Get("http://" + r.at.Web + "/metrics")
	require.NoError(r.t, err)
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	require.NoError(r.t, err)
	return string(body)
}

// metric returns the value of a metric's line, "" while it is absent.
func (r *running) metric(line string) string {
	for text := range strings.Lines(r.metrics()) {
		if value, ok := strings.CutPrefix(text, line+" "); ok {
			return strings.TrimSpace(value)
		}
	}
	return ""
}

func (r *running) command(request control.Request) control.Response {
	response, err := r.client.Command(r.t.Context(), request)
	require.NoError(r.t, err)
	return response
}

const plainSite = `
site: north-loft
timezone: Europe/Lisbon
places:
  - {id: loft, kind: room}
  - id: tub-1
    kind: enclosure
    in: loft
    bands: {water-temperature: {low: 20 °C, high: 24 °C, critical-high: 27 °C, on-delay: 1m, off-delay: 1m}}
sensors:
  - {id: tub-1-probe, driver: w1, address: 28-00000b3c5d1e, every: 10s, feeds: {temperature: tub-1/water-temperature}}
web: {listen: "127.0.0.1:0"}
control: {socket: SOCKET}
`

func TestStartsAtOnceWithSensorsMissing(t *testing.T) {
	r := begin(t, 60, filepath.Join(t.TempDir(), "no-such-tree"), plainSite)
	assert.Less(t, r.started, 5*time.Second) // a bound against hanging; the speed is measured by the benchmark
	r.wait("the missing probe is a fault", func() bool { return r.letter("sensor/tub-1-probe/fault") == "B" })
	assert.Empty(t, r.metric(`dewline_reading_celsius{place="tub-1",quantity="water-temperature"}`), "a point without data is absent")
	response, err := http.Get("http://" + r.at.Web + "/health")
	require.NoError(t, err)
	response.Body.Close()
	assert.Equal(t, http.StatusOK, response.StatusCode)
	r.stop()
	var states []string
	for len(r.states) > 0 {
		states = append(states, <-r.states)
	}
	assert.Equal(t, "READY=1", states[0])
	assert.Contains(t, states, "WATCHDOG=1")
	assert.Equal(t, "STOPPING=1", states[len(states)-1])
	assert.NoFileExists(t, r.at.Socket)
}

func TestReload(t *testing.T) {
	r := begin(t, 60, "../../testdata/sys/north-loft", plainSite)
	r.wait("the first reading", func() bool {
		return r.metric(`dewline_reading_celsius{place="tub-1",quantity="water-temperature"}`) == "22.3125"
	})
	limit := `dewline_band_limit_celsius{limit="high",place="tub-1",quantity="water-temperature"}`
	require.Equal(t, "24", r.metric(limit))

	r.write(strings.Replace(plainSite, "high: 24 °C", "hihg: 23 °C", 1))
	r.reload <- struct{}{}
	r.wait("the bad configuration is refused", func() bool { return r.metric("dewline_config_last_reload_success") == "0" })
	assert.Equal(t, "24", r.metric(limit), "the old one stays in force")

	r.write(strings.Replace(plainSite, "high: 24 °C", "high: 22 °C", 1))
	r.reload <- struct{}{}
	r.wait("the good one comes into force", func() bool { return r.metric(limit) == "22" })
	assert.Equal(t, "1", r.metric("dewline_config_last_reload_success"))
	r.wait("the water is too warm for it", func() bool { return r.letter("tub-1/water-temperature/high") == "B" })

	occurrence := r.alarm("tub-1/water-temperature/high").Occurrence
	r.reload <- struct{}{}
	r.wait("it is read once more", func() bool { return len(r.reload) == 0 })
	response := r.command(control.Request{Verb: watch.Acknowledge, Occurrence: occurrence, By: "keeper"})
	assert.True(t, response.Done && response.Changed, "the alarm is the same one after a reload: %+v", response)
	assert.Equal(t, "C", r.letter("tub-1/water-temperature/high"))
}

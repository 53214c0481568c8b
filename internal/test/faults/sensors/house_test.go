package sensors_test

import (
	"context"
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/pipeline"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/daemon"
	"dewline/internal/mqtt"
	"dewline/internal/source/mqttfed"
	"dewline/internal/source/poll"
	"dewline/sensors"
)

var rewrite = flag.Bool("rewrite", false, "write the golden files anew")

// house is the way from devices through the daemon's own chain, on the fake clock of a bubble, without notifiers.
type house struct {
	t     *testing.T
	site  *config.Site
	chain pipeline.Pipeline
	feed  *mqttfed.Feed // nil without fed sensors
	start instant.Instant
	tick  time.Duration // how often the core gets the time; the daemon does each second

	samples chan intake.Sample
	stop    context.CancelFunc
	polling sync.WaitGroup

	entries []*journal.Entry
	called  int // how often a person was asked for
	ledgers map[int32][]watch.Ledger
	usable  map[quantity.Point]int
	suspect map[quantity.Point][]instant.Instant
}

// opener makes the device of a sensor and names its bus.
type opener func(*config.SensorConfig) (sensors.Sensor, string, error)

// newHouse moves into a site and begins to read its sensors.
func newHouse(t *testing.T, text string, open opener) *house {
	t.Helper()
	site, problems := config.Load(writeSite(t, text))
	require.NoError(t, problems.Err())
	wiring, err := daemon.Wire(site, daemon.KernelClock(), open)
	require.NoError(t, err)
	h := &house{
		t: t, site: site, chain: pipeline.Pipeline{Line: wiring.Line, Rules: notify.New(nil)}, start: instant.Of(time.Now()), tick: time.Second,
		samples: make(chan intake.Sample, 64), ledgers: map[int32][]watch.Ledger{}, usable: map[quantity.Point]int{},
		suspect: map[quantity.Point][]instant.Instant{},
	}
	h.chain.Configure(assemble.Site(site), "rehearsal")
	if len(wiring.Fed) > 0 {
		h.feed, err = mqttfed.New(wiring.Fed, mqttfed.Options{})
		require.NoError(t, err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	h.stop = cancel
	h.step(watch.Event{Kind: watch.StartEvent, At: h.start, Run: "rehearsal"})
	if len(wiring.Jobs) > 0 {
		poller, err := poll.New(wiring.Jobs, poll.Options{Deliver: func(s intake.Sample) {
			select {
			case h.samples <- s:
			case <-ctx.Done():
			}
		}})
		require.NoError(t, err)
		h.polling.Go(func() { _ = poller.Run(ctx) }) // a sensor that hangs at the end is named in its error, and is meant to
	}
	return h
}

// live lets time pass, as the loop of the daemon does.
func (h *house) live(d time.Duration) {
	end := time.NewTimer(d)
	defer end.Stop()
	tick := time.NewTicker(h.tick)
	defer tick.Stop()
	for {
		select {
		case s := <-h.samples:
			h.take(s)
		case <-tick.C:
			if h.feed != nil {
				for _, s := range h.feed.Silent(time.Now()) {
					h.take(s)
				}
			}
			h.step(watch.Event{Kind: watch.TickEvent, At: instant.Of(time.Now())})
		case <-end.C:
			return
		}
	}
}

// publish is what a microcontroller sends.
func (h *house) publish(topic, payload string) {
	for _, s := range h.feed.Take(mqtt.Received{Topic: topic, Payload: []byte(payload), At: time.Now()}) {
		h.take(s)
	}
}

// take lets a sample in.
func (h *house) take(s intake.Sample) {
	outcome, err := h.chain.Take(s)
	require.NoError(h.t, err)
	for i := range outcome.Readings {
		r := &outcome.Readings[i]
		if r.Flag.Usable() {
			h.usable[r.Point]++
		}
		if r.Flag == quantity.Suspect {
			h.suspect[r.Point] = append(h.suspect[r.Point], r.At)
		}
	}
	h.note(h.chain.Ready().Effects)
}

func (h *house) step(ev watch.Event) {
	h.chain.Step(ev)
	h.note(h.chain.Ready().Effects)
}

func (h *house) note(effects []watch.Effect) {
	for _, e := range effects {
		switch e.Kind {
		case watch.Record:
			h.entries = append(h.entries, e.Entry)
		case watch.Notify:
			h.called++
		case watch.LedgerClosed:
			h.ledgers[e.Point] = append(h.ledgers[e.Point], *e.Ledger)
		}
	}
}

// end stops the reading and holds that the zones of every point add up to the time it has lived.
func (h *house) end() {
	h.t.Helper()
	h.stop()
	h.polling.Wait()
	now := instant.Of(time.Now())
	h.step(watch.Event{Kind: watch.TickEvent, At: now})
	h.note(h.chain.Core.Finish(now, nil))
	for i, p := range h.chain.Core.Points() {
		at := instant.None
		for _, l := range h.ledgers[int32(i)] {
			var sum time.Duration
			for _, d := range l.InZone {
				sum += d
			}
			require.Equal(h.t, l.Elapsed(), sum, "zones of %s", p)
			if !at.IsNone() {
				require.Equal(h.t, at, l.From, "ledgers of %s", p)
			}
			at = l.To
		}
		require.Equal(h.t, now, at, "the ledgers of %s reach to the end", p)
	}
	time.Sleep(time.Minute) // a slow access may still be on its way, and comes back by itself
}

// first returns the time of the first entry of a kind on an alarm at or after t; None where there is none.
func (h *house) first(kind journal.Kind, alarm string, t instant.Instant) instant.Instant {
	for _, e := range h.entries {
		if e.Kind == kind && e.Alarm == alarm && e.At >= t {
			return e.At
		}
	}
	return instant.None
}

// limitAlarms counts the limit alarms of a place, derived points included; those that were raised under suppression, too.
func (h *house) limitAlarms(place string) int {
	count := 0
	for _, e := range h.entries {
		limit := e.Alarm[strings.LastIndex(e.Alarm, "/")+1:]
		if e.Kind == journal.AlarmRaised && strings.HasPrefix(e.Alarm, place+"/") && limit != "stale" {
			count++
		}
	}
	return count
}

// reasons lists what was raised, and why.
func (h *house) reasons() string {
	var b strings.Builder
	for _, e := range h.entries {
		if e.Kind == journal.AlarmRaised {
			fmt.Fprintf(&b, "%s: %s; ", e.Alarm, e.Reason)
		}
	}
	return b.String()
}

// seconds prints how long after a moment something happened.
func seconds(from, to instant.Instant) string {
	if to.IsNone() {
		return "not detected"
	}
	return fmt.Sprintf("%.0f", to.Sub(from).Seconds())
}

// golden compares a table with the one that is kept.
func golden(t *testing.T, name string, rows []string) {
	t.Helper()
	text := strings.Join(rows, "\n") + "\n"
	path := filepath.Join("testdata", name)
	if *rewrite {
		require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), text, "the table has changed: if that is right, run the test with -rewrite")
}

// writeSite writes a configuration into a folder of its own.
func writeSite(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "site.yaml")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

// faults lists the faults that a sensor of the site can have: that of the part, and those of its channels.
func (h *house) faults(sensor int) []string {
	s := &h.site.Sensors[sensor]
	all := []string{"sensor/" + s.ID + "/fault"}
	for _, channel := range slices.Sorted(maps.Keys(s.Feeds)) {
		all = append(all, "sensor/"+s.ID+"/"+string(channel)+"/fault")
	}
	return all
}

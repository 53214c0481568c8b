package daemon

import (
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/config"
	"dewline/internal/core/intake"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
	"dewline/internal/store"
	"dewline/sensors"
)

// quietLoop is the loop of a configuration with a history, which has begun its run: nothing is read or served.
func quietLoop(t *testing.T, text string, clock Clock) *loop {
	folder := t.TempDir()
	path := filepath.Join(folder, "site.yaml")
	require.NoError(t, os.WriteFile(path, []byte(text+"history: {path: "+filepath.Join(folder, "history.db")+"}\n"), 0o600))
	site, problems := config.Load(path)
	require.NoError(t, problems.Err())
	o := Options{Site: site, Log: slog.New(slog.DiscardHandler), Clock: clock}
	o.fill()
	l := newLoop(o, site, "run")
	l.clock.look(true)
	l.recorder = openRecorder(l.common, &site.History)
	t.Cleanup(func() { l.recorder.close(l.chain.Core) })
	l.notifiers.open = l.recorder.queue
	var err error
	l.mqtt, err = openMQTT(l.common, site, l.notifiers.queue(mqttNotifier))
	require.NoError(t, err)
	require.NoError(t, l.openSenders())
	w, err := Wire(site, o.Clock, newDevices(o).open)
	require.NoError(t, err)
	l.chain.Line, l.sources = w.Line, &sources{descriptions: w.Descriptions, fed: &mqttFeeds{}}
	l.step(watch.Event{Kind: watch.StartEvent, At: l.now(), Run: l.id})
	return l
}

// raisedBy returns the entries of alarms that were raised, the oldest first.
func raisedBy(t *testing.T, l *loop) []*journal.Entry {
	entries, err := l.recorder.store.Journal(t.Context(), store.Filter{Kinds: []journal.Kind{journal.AlarmRaised}, Limit: 100})
	require.NoError(t, err)
	slices.Reverse(entries)
	return entries
}

// The samples of many sensors that arrive together are recorded together, in the order of their arrival.
func TestSamplesThatWaitAreTakenTogether(t *testing.T) {
	const probes = 20
	text := "site: north-loft\ntimezone: Europe/Lisbon\nplaces: [{id: loft, kind: room}, {id: tub-1, kind: enclosure, in: loft}]\nsensors:\n"
	for i := range probes {
		text += fmt.Sprintf("  - {id: probe-%d, driver: w1, address: 28-0000dead%04x, feeds: {temperature: tub-1/water-temperature}}\n", i, i)
	}
	l := quietLoop(t, text, KernelClock())
	var console strings.Builder
	l.options.Console = &console
	before := l.recorder.parts

	for range 2 { // the second value in a row that is known to be wrong is a fault
		for i := range probes {
			sample := intake.Sample{Sensor: fmt.Sprintf("probe-%d", i), At: l.clock.monotonic(), Err: sensors.Errorf(sensors.Implausible, "power-on value")}
			l.samples <- stamped{sample, 0}
		}
	}
	l.takeAll(<-l.samples)
	assert.Empty(t, l.samples)
	assert.Equal(t, before+1, l.recorder.parts, "in one write")
	raised := raisedBy(t, l)
	require.Len(t, raised, probes)
	lines := slices.Collect(strings.Lines(console.String()))
	require.Len(t, lines, probes, "what a person hears is durable")
	for i, e := range raised {
		assert.Equal(t, fmt.Sprintf("sensor/probe-%d/temperature/fault", i), e.Alarm)
		assert.Equal(t, raised[0].Seq+uint64(i), e.Seq)
		assert.Contains(t, lines[i], e.Alarm)
	}
}

// A loop that was held up, by a write to a slow card, finds samples and a tick: the tick is later than the samples, and comes after them.
// The value is joined over that time, and its alarm counts from the crossing of the limit.
func TestTickComesAfterTheSamplesThatWait(t *testing.T) {
	clock := &handClock{wall: noon, sync: true}
	l := quietLoop(t, `
site: north-loft
timezone: Europe/Lisbon
places: [{id: tub-1, kind: enclosure, bands: {water-temperature: {high: 24 °C, on-delay: 20s}}}]
sensors: [{id: probe, driver: w1, address: 28-0000dead0001, every: 10s, gap: 60s, feeds: {temperature: tub-1/water-temperature}}]
`, clock)
	const heldUp = 100 * time.Second
	for clock.mono <= heldUp {
		celsius := 24.1
		if clock.mono == 0 {
			celsius = 23.9
		}
		l.samples <- stamped{intake.Sample{Sensor: "probe", At: l.clock.monotonic(), Reading: sensors.Measurement{
			Values: []sensors.Value{{Channel: sensors.Temperature, Value: celsius}},
		}}, 0}
		if clock.mono == 0 {
			l.takeAll(<-l.samples)
			require.Equal(t, watch.InBand, l.chain.Core.State(0).Zone)
		}
		clock.pass(10*time.Second, 0)
	}
	l.tick()
	require.Empty(t, l.samples)
	entries := raisedBy(t, l)
	require.Len(t, entries, 1)
	raised := entries[0]
	assert.Equal(t, "tub-1/water-temperature/high", raised.Alarm)
	assert.Equal(t, noon.Add(5*time.Second), raised.Since.Time().UTC())
	assert.Equal(t, noon.Add(30*time.Second), raised.At.Time().UTC())
}

// busyTerminal is one that takes an alarm only once a notifier has sent it.
type busyTerminal struct {
	sent  chan struct{}
	first bool // the message was sent first
}

func (b *busyTerminal) Write(p []byte) (int, error) {
	select {
	case <-b.sent:
		b.first = true
	case <-time.After(30 * time.Second):
	}
	return len(p), nil
}

// An alarm is on its way before anything else is done with it: a terminal or a log that takes no more holds up no message.
func TestMessagesGoFirst(t *testing.T) {
	slow := &busyTerminal{sent: make(chan struct{}, 10)}
	phone := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { slow.sent <- struct{}{} }))
	t.Cleanup(phone.Close)
	clock := &handClock{wall: noon, sync: true}
	l := quietLoop(t, `
site: north-loft
timezone: Europe/Lisbon
places: [{id: tub-1, kind: enclosure, bands: {water-temperature: {high: 24 °C, on-delay: 20s}}}]
sensors: [{id: probe, driver: w1, address: 28-0000dead0001, every: 10s, feeds: {temperature: tub-1/water-temperature}}]
notify: [{via: webhook, url: "`+phone.URL+`", priorities: [low, medium, high, critical]}]
`, clock)
	l.options.Console = slow
	l.senders.start()
	t.Cleanup(l.senders.stop)
	for range 4 {
		l.takeAll(stamped{intake.Sample{Sensor: "probe", At: l.clock.monotonic(), Reading: sensors.Measurement{
			Values: []sensors.Value{{Channel: sensors.Temperature, Value: 24.5}},
		}}, 0})
		clock.pass(10*time.Second, 0)
	}
	assert.True(t, slow.first)
}

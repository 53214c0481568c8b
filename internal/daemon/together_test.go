package daemon

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/config"
	"dewline/internal/core/intake"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
	"dewline/internal/server/status"
	"dewline/internal/server/web"
	"dewline/sensors"
)

// listener counts what the loop passes to a follower.
type listener struct {
	entries   []*journal.Entry
	snapshots int
}

func (l *listener) reading(*intake.Reading)     {}
func (l *listener) entry(e *journal.Entry)      { l.entries = append(l.entries, e) }
func (l *listener) snapshot(p *status.Snapshot) { l.snapshots++ }

// The samples of many sensors that arrive together are recorded together, in the order of their arrival.
func TestSamplesThatWaitAreTakenTogether(t *testing.T) {
	const probes = 20
	text := "site: north-loft\ntimezone: Europe/Lisbon\nplaces: [{id: loft, kind: room}, {id: tub-1, kind: enclosure, in: loft}]\nsensors:\n"
	for i := range probes {
		text += fmt.Sprintf("  - {id: probe-%d, driver: w1, address: 28-0000dead%04x, feeds: {temperature: tub-1/water-temperature}}\n", i, i)
	}
	folder := t.TempDir()
	path := filepath.Join(folder, "site.yaml")
	require.NoError(t, os.WriteFile(path, []byte(text+"history: {path: "+filepath.Join(folder, "history.db")+"}\n"), 0o600))
	site, problems := config.Load(path)
	require.NoError(t, problems.Err())
	o := Options{Site: site, Log: slog.New(slog.DiscardHandler)}
	o.fill()
	l := newLoop(o, site, "run")
	l.clock.look(true)
	l.recorder = openRecorder(l.common, &site.History)
	defer l.recorder.close(l.chain.Core)
	l.notifiers.open = l.recorder.queue
	var err error
	l.mqtt, err = openMQTT(l.common, site, l.notifiers.queue(mqttNotifier))
	require.NoError(t, err)
	require.NoError(t, l.openSenders())
	w, err := Wire(site, o.Clock, newDevices(o).open)
	require.NoError(t, err)
	l.chain.Line, l.sources = w.Line, &sources{descriptions: w.Descriptions, fed: &mqttFeeds{}}
	heard := &listener{}
	l.followers = []follower{heard}
	l.step(watch.Event{Kind: watch.StartEvent, At: l.now(), Run: l.id})
	heard.entries, heard.snapshots = nil, 0

	for range 2 { // the second value in a row that is known to be wrong is a fault
		for i := range probes {
			sample := intake.Sample{Sensor: fmt.Sprintf("probe-%d", i), At: l.clock.monotonic(), Err: sensors.Errorf(sensors.Implausible, "power-on value")}
			l.samples <- stamped{sample, 0}
		}
	}
	l.takeAll(<-l.samples)
	assert.Empty(t, l.samples)
	assert.Equal(t, 1, heard.snapshots)
	require.Len(t, heard.entries, probes)
	for i, e := range heard.entries {
		assert.Equal(t, fmt.Sprintf("sensor/probe-%d/temperature/fault", i), e.Alarm)
		assert.Equal(t, heard.entries[0].Seq+uint64(i), e.Seq)
	}
	kept, err := historyOf(l.recorder.store).Journal(t.Context(), web.JournalFilter{Limit: 100})
	require.NoError(t, err)
	assert.Len(t, kept, probes+1, "and what a person hears is durable")
}

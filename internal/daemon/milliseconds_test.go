package daemon_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/replay"
	"dewline/internal/source/recorded"
	"dewline/internal/store"
	"dewline/internal/test/mosquitto"
)

// A machine that is busy for half a second is late by five minutes at this pace. What waits for the loop is taken before a tick, but a
// reading that has not reached the loop when its gap is noticed begins a delay anew, which a replay cannot see: the gaps are longer than
// the whole recording.
const millisecondSite = `
site: north-loft
timezone: Europe/Lisbon
places:
  - {id: loft, kind: room}
  - {id: tub-1, kind: enclosure, in: loft, bands: {water-temperature: {low: 20 °C, high: 24 °C, critical-high: 24.3 °C, on-delay: 20s, off-delay: 20s}}}
  - {id: tub-2, kind: enclosure, in: loft, bands: {water-temperature: {low: 20 °C, high: 24 °C, on-delay: 20s, off-delay: 20s}}}
sensors:
  - {id: player, driver: recorded, file: FOLDER/played.csv, every: 10s, gap: 2h, feeds: {temperature: tub-1/water-temperature}}
  - {id: feather, driver: mqtt, topic: sensors/feather/state, pointer: {temperature: /water}, unit: °C, every: 30s, gap: 2h, feeds: {temperature: tub-2/water-temperature}}
web: {listen: "127.0.0.1:0"}
control: {socket: SOCKET}
mqtt: {broker: "BROKER"}
history: {path: HISTORY}
`

// moments are the times of one occurrence of an alarm as every document prints them, to the millisecond.
type moments struct{ alarm, since, raised, cleared string }

// The alarms of the journal have the times that a replay of the history and one of the exported readings give, to the millisecond:
// of readings that are polled as of those that come over MQTT.
func TestLiveAndReplayAgreeToTheMillisecond(t *testing.T) {
	folder := t.TempDir()
	began := time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC)
	csv := strings.Builder{}
	csv.WriteString("time,point,value,unit\n")
	for i := range 120 { // an hour: five waves of 12 min, which pass both limits, no faster than water can
		value := 23.7 + 0.9*math.Sin(2*math.Pi*float64(i)/24)
		fmt.Fprintf(&csv, "%s,tub-1/water-temperature,%.4f,Cel\n", began.Add(time.Duration(i)*30*time.Second).Format(time.RFC3339), value)
	}
	require.NoError(t, os.WriteFile(filepath.Join(folder, "played.csv"), []byte(csv.String()), 0o600))
	b := mosquitto.Start(t, mosquitto.Options{})
	text := strings.NewReplacer("BROKER", b.URL, "FOLDER", folder).Replace(millisecondSite)
	r := beginAt(t, folder, began, 600, "", text)
	const tub2High = "tub-2/water-temperature/high"
	for _, wave := range []struct {
		celsius, state string
	}{{"25.3", "B"}, {"22.9", "D"}} {
		r.wait("tub 2 is "+wave.celsius, func() bool {
			say(t, b, nil, "sensors/feather/state", `{"water": `+wave.celsius+`}`)
			return r.letter(tub2High) == wave.state
		})
	}
	path := filepath.Join(folder, "history.db")
	entries := func() []*journal.Entry {
		db, err := store.Open(path, store.Options{ReadOnly: true})
		require.NoError(t, err)
		defer db.Close(t.Context())
		list, err := db.Journal(t.Context(), store.Filter{Kinds: []journal.Kind{journal.AlarmRaised, journal.AlarmCleared}})
		require.NoError(t, err)
		return list
	}
	judged := func(e *journal.Entry) bool { // a slow machine is late with readings: its stale points and faults are no limit alarms
		return strings.HasPrefix(e.Alarm, "tub-") && !strings.HasSuffix(e.Alarm, "/stale")
	}
	r.wait("several alarms have come and gone", func() bool {
		cleared := 0
		for _, e := range entries() {
			if judged(e) && e.Kind == journal.AlarmCleared {
				cleared++
			}
		}
		return cleared >= 6
	})
	r.stop()

	var live []moments
	open := map[string]int{}
	list := entries()
	for i := len(list) - 1; i >= 0; i-- { // the newest comes first
		e := list[i]
		switch {
		case !judged(e):
		case e.Kind == journal.AlarmRaised:
			open[e.Alarm] = len(live)
			live = append(live, moments{e.Alarm, e.Since.String(), e.At.String(), ""})
		case e.Kind == journal.AlarmCleared:
			live[open[e.Alarm]].cleared = e.At.String()
		}
	}
	require.GreaterOrEqual(t, len(live), 6)

	site, problems := config.LoadForReplay(r.config)
	require.NoError(t, problems.Err())
	db, err := store.Open(path, store.Options{ReadOnly: true})
	require.NoError(t, err)
	defer db.Close(t.Context())
	replayed := func(readings replay.Readings) []moments {
		result, err := replay.Run(assemble.Site(site), readings, replay.Options{})
		require.NoError(t, err)
		var all []moments
		for _, a := range result.Alarms {
			if strings.HasSuffix(a.Alarm, "/stale") {
				continue
			}
			all = append(all, moments{a.Alarm, a.Since.String(), a.Raised.String(), a.Cleared.String()})
		}
		return all
	}
	history, err := replay.FromHistory(t.Context(), db, nil, instant.None, instant.None)
	require.NoError(t, err)
	assert.ElementsMatch(t, live, replayed(history), "the history")

	exported := filepath.Join(folder, "exported.csv")
	out, err := os.Create(exported)
	require.NoError(t, err)
	w := recorded.NewWriter(out)
	for sample, err := range db.AllReadingsBetween(t.Context(), instant.None, instant.None) {
		require.NoError(t, err)
		require.NoError(t, w.Row(sample.At, sample.Point, quantity.Decimal(sample.Value), sample.Flag))
	}
	require.NoError(t, w.Flush())
	require.NoError(t, out.Close())
	stream, err := recorded.Open(t.Context(), exported)
	require.NoError(t, err)
	assert.ElementsMatch(t, live, replayed(stream), "the export")
}

package network

import (
	"encoding/json"
	"flag"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/format/cloudevent"
	"dewline/internal/test/harness"
	"dewline/internal/test/mosquitto"
)

func TestMain(m *testing.M) {
	flag.Parse()
	_ = flag.Set("test.parallel", "16") // they wait most of the time
	harness.Main(m)
}

// site is the loft with one tub, a broker, and other notifiers. The probe is read every five minutes, so that days pass fast.
const site = `
site: north-loft
timezone: Europe/Lisbon
places:
  - {id: loft, kind: room}
  - id: tub-1
    kind: enclosure
    in: loft
    bands: {water-temperature: {high: 24 °C, on-delay: 5m, off-delay: 5m, priority: high}}
sensors:
  - {id: probe-1, driver: w1, address: 28-00000b3c5d1e, every: 5m, gap: 6h, stale-after: 12h, feeds: {temperature: tub-1/water-temperature}}
web: {listen: WEB}
control: {socket: SOCKET}
history: {path: HISTORY}
`

const heat = "tub-1/water-temperature/high"

var begin = time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC)

// assertArrived holds what has arrived against the journal: everything, in order, with its original time and id. What came twice counts
// once, since delivery is at least once and each repeat has the same id. The entries of the end of the run are not waited for.
func assertArrived(t *testing.T, entries []journal.Entry, heard []cloudevent.Event) {
	t.Helper()
	var wanted, got []string
	for _, e := range entries {
		wanted = append(wanted, e.ID()+" "+instant.Instant.String(e.At))
	}
	seen := map[string]bool{}
	for _, e := range heard {
		if !seen[e.ID] {
			seen[e.ID] = true
			got = append(got, e.ID+" "+e.Time)
		}
	}
	require.GreaterOrEqual(t, len(wanted), len(got))
	require.LessOrEqual(t, len(wanted)-len(got), 3, "all but the goodbye has arrived")
	assert.Equal(t, wanted[:len(got)], got)
}

// transitions counts the entries about alarms.
func transitions(entries []journal.Entry) (n int) {
	for i := range entries {
		if strings.HasPrefix(string(entries[i].Kind), "alarm.") {
			n++
		}
	}
	return n
}

// notifier returns what /api/now says of a notifier.
func notifier(h *harness.House, name string) (o struct {
	Name      string `json:"name"`
	Connected bool   `json:"connected"`
	LastError string `json:"last_error"`
	Pending   int    `json:"pending"`
	Oldest    string `json:"oldest"`
}) {
	text, err := h.Get("/api/now")
	if err != nil {
		return o
	}
	var now struct{ Outlets []json.RawMessage }
	_ = json.Unmarshal([]byte(text), &now)
	for _, raw := range now.Outlets {
		_ = json.Unmarshal(raw, &o)
		if o.Name == name {
			return o
		}
	}
	o.Name = ""
	return o
}

func pending(name string) string { return fmt.Sprintf("dewline_outbox_pending{outlet=%q}", name) }

// waitHealth waits for texts in the answer of /health. On a clock as fast as these, a moment's wait for the processor already
// counts as a core that is stuck.
func waitHealth(h *harness.House, texts ...string) {
	h.Wait("health reports it", func() bool {
		health, err := h.Get("/health")
		return err == nil && !slices.ContainsFunc(texts, func(text string) bool { return !strings.Contains(health, text) })
	})
}

// swing lets the tub be too warm and back, once.
func swing(h *harness.House) {
	h.Probe(1).Show(26)
	h.Wait("the heat alarm is active", func() bool { return h.Alarm(heat).Active })
	h.Probe(1).Show(22)
	h.Wait("the heat alarm is over", func() bool { return !h.Alarm(heat).Active })
}

// startBroker starts a real broker in which the phone and the program have users.
func startBroker(t *testing.T) *mosquitto.Broker {
	t.Helper()
	return mosquitto.Start(t, mosquitto.Options{Users: map[string]string{"phone": "phone", "dewline": "right"}, Config: []string{"max_queued_messages 0", "max_inflight_messages 0"}})
}

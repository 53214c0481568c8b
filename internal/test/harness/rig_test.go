package harness_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/test/harness"
)

func TestMain(m *testing.M) { harness.Main(m) }

const site = `
site: north-loft
timezone: Europe/Lisbon
places:
  - {id: loft, kind: room}
  - id: tub-1
    kind: enclosure
    in: loft
    bands: {water-temperature: {low: 20 °C, high: 24 °C, critical-high: 27 °C, on-delay: 1m, off-delay: 1m}}
  - id: tub-2
    kind: enclosure
    in: loft
    bands: {water-temperature: {low: 20 °C, high: 24 °C, on-delay: 1m, off-delay: 1m}}
sensors:
  - {id: probe-1, driver: w1, address: 28-00000b3c5d1e, every: 10s, feeds: {temperature: tub-1/water-temperature}}
  - {id: probe-2, driver: w1, address: 28-0000dead0002, every: 10s, feeds: {temperature: tub-2/water-temperature}}
web: {listen: WEB}
control: {socket: SOCKET}
history: {path: HISTORY}
`

// The rig itself: the program starts, is heard, is taken through time, killed and started again.
func TestHouse(t *testing.T) {
	begin := time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC)
	h := harness.New(t, harness.Options{Site: site, Start: begin, Pace: 60})
	h.Probe(1).Show(25)
	h.Probe(2).Show(22)
	p := h.Start()
	h.Wait("the heat alarm", func() bool { return h.Letter("tub-1/water-temperature/high") == "B" })
	occurrence := h.Alarm("tub-1/water-temperature/high").Occurrence
	assert.Equal(t, "A", h.Letter("tub-2/water-temperature/high"))
	assert.Equal(t, 25.0, h.Number(`dewline_reading_celsius{place="tub-1",quantity="water-temperature"}`))
	p.Kill()

	p = h.Start()
	assert.Equal(t, occurrence, h.Alarm("tub-1/water-temperature/high").Occurrence)
	assert.True(t, h.Now().After(begin))
	assert.NoError(t, p.Stop())
	require.Contains(t, p.Log(), "stopping")
}

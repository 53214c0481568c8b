package daemon_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/store"
)

const keptSite = plainSite + "history: {path: \"HISTORY\", keep: 2y}\n"

// A restart continues where the last run ended: the alarm is the same occurrence, nothing is raised again, and the old readings
// are there.
func TestRestartGoesOn(t *testing.T) {
	folder := t.TempDir()
	tree := newProbeTree(t)
	tree.Show(25)
	start := time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC)
	first := beginAt(t, folder, start, 30, tree.root, keptSite)
	first.wait("an alarm", func() bool { return first.letter(tubHigh) == "B" })
	before := first.alarm(tubHigh)
	first.stop()

	second := beginAt(t, folder, start.Add(30*time.Minute), 30, tree.root, keptSite)
	after := second.alarm(tubHigh)
	assert.Equal(t, before.Occurrence, after.Occurrence)
	assert.Equal(t, isa.Unacknowledged, after.State)
	second.wait("readings", func() bool { return second.metric(probeReading) == "25" })
	assert.Equal(t, before.Occurrence, second.alarm(tubHigh).Occurrence)
	tree.Show(22)
	second.wait("it is over", func() bool { return second.letter(tubHigh) == "D" })
	second.stop()

	db, err := store.Open(filepath.Join(folder, "history.db"), store.Options{ReadOnly: true})
	require.NoError(t, err)
	defer db.Close(t.Context())
	entries, err := db.Journal(t.Context(), store.Filter{Alarm: tubHigh})
	require.NoError(t, err)
	var kinds []journal.Kind
	for _, e := range entries {
		kinds = append(kinds, e.Kind)
	}
	assert.Equal(t, []journal.Kind{journal.AlarmCleared, journal.AlarmRaised}, kinds, "raised once, cleared once, newest first")
	readings := 0
	for s, err := range db.Readings(t.Context(), quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}, 0, 0) {
		require.NoError(t, err)
		assert.Contains(t, []float64{22, 25}, s.Value)
		readings++
	}
	assert.Greater(t, readings, 5)
}

// A history that cannot be opened raises a fault alarm; watching goes on without it.
func TestHistoryThatCannotBeWritten(t *testing.T) {
	folder := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(folder, "history.db"), []byte("this belongs to somebody else, and is left alone"), 0o600))
	tree := newProbeTree(t)
	tree.Show(25)
	r := beginAt(t, folder, time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC), 30, tree.root, keptSite)
	r.wait("the heat alarm comes all the same", func() bool { return r.letter(tubHigh) == "B" })
	r.wait("and the store is a fault", func() bool { return r.letter("sensor/history-file/fault") == "B" })
	content, err := os.ReadFile(filepath.Join(folder, "history.db"))
	require.NoError(t, err)
	assert.Equal(t, "this belongs to somebody else, and is left alone", string(content))
}

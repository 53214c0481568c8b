package daemon_test

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/configs"
	"dewline/internal/config"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/daemon"
	"dewline/internal/sim"
	"dewline/internal/store"
)

// past simulates some days of the demo's site and returns their history.
func past(t testing.TB, days int) *store.Store {
	site, problems := config.LoadFS(configs.Files, "demo.yaml")
	require.NoError(t, problems.Err())
	site.History = config.History{Path: filepath.Join(t.TempDir(), "history.db")}
	begin := sim.DemoStart(site.Location)
	options := sim.NorthLoft(begin, 1, site.Light)
	options.Incidents(begin)
	options.Start = begin.AddDate(0, 0, -days)
	require.NoError(t, daemon.Backfill{
		Site: site, Loft: sim.New(options), Until: begin, Every: time.Minute, Mistings: options.MistingTimes(options.Start, begin),
	}.Run(t.Context()))
	db, err := store.Open(site.History.Path, store.Options{ReadOnly: true})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, db.Close(t.Context())) })
	return db
}

// The past of the demo has readings of every point, derived ones too, the alarms of the hot afternoon, and mistings.
func TestInventedPast(t *testing.T) {
	db := past(t, 12)
	points := db.Points()
	assert.Contains(t, points, quantity.Point{Place: "vivarium-1", Quantity: quantity.DewPoint})
	assert.Len(t, points, 39, "18 measured, 21 derived")
	raised, err := db.Journal(t.Context(), store.Filter{Kinds: []journal.Kind{journal.AlarmRaised}, Alarm: "tub-1/water-temperature/high"})
	require.NoError(t, err)
	assert.NotEmpty(t, raised)
	mistings, err := db.Journal(t.Context(), store.Filter{Kinds: []journal.Kind{journal.Misting}, Limit: 1000})
	require.NoError(t, err)
	assert.Len(t, mistings, 12*(3+2+2)+9, "vivarium-2 has one more a day since nine days ago")
}

func BenchmarkInventedWeek(b *testing.B) {
	for b.Loop() {
		past(b, 7)
	}
}

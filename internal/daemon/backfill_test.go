package daemon_test

import (
	"maps"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/configs"
	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/daemon"
	"dewline/internal/replay"
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

// A replay of what the daemon has recorded, with its journal, raises the very alarms that the daemon has raised, those of its misters too: of a
// misting that is on record and did not come a replay knows from the journal alone.
func TestReplayOfARecordedPastHasItsAlarms(t *testing.T) {
	db := past(t, 12)
	site, problems := config.LoadFS(configs.Files, "demo.yaml")
	require.NoError(t, problems.Err())
	entries, err := db.Journal(t.Context(), store.Filter{Limit: 1 << 20})
	require.NoError(t, err)
	slices.Reverse(entries) // the newest comes first
	live := map[string]moments{}
	for _, e := range entries {
		switch e.Kind {
		case journal.AlarmRaised:
			live[e.Occurrence] = moments{e.Alarm, e.Since.String(), e.At.String(), ""}
		case journal.AlarmCleared:
			over := live[e.Occurrence]
			over.cleared = e.At.String()
			live[e.Occurrence] = over
		}
	}
	readings, err := replay.FromHistory(t.Context(), db, nil, instant.None, instant.None)
	require.NoError(t, err)
	by, err := assemble.RecordSources(site, daemon.Descriptions(daemon.Options{Site: site}), readings.Points, 0)
	require.NoError(t, err)
	result, err := replay.Run(replay.WithJournal(assemble.Site(site), entries), readings, replay.Options{Judge: by})
	require.NoError(t, err)
	var replayed []moments
	for _, a := range result.Alarms {
		replayed = append(replayed, moments{a.Alarm, a.Since.String(), a.Raised.String(), a.Cleared.String()})
	}
	assert.ElementsMatch(t, slices.Collect(maps.Values(live)), replayed)
	assert.True(t, slices.ContainsFunc(replayed, func(m moments) bool { return m.alarm == "vivarium-2/relative-humidity/missed-misting" }))
}

func BenchmarkInventedWeek(b *testing.B) {
	for b.Loop() {
		past(b, 7)
	}
}

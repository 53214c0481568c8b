package daemon

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/store"
)

// A start reads the entries of the last days, and older advice on alarms that come too often, which are silent until they have stayed away.
func TestRecentEntriesHaveOldAdvice(t *testing.T) {
	db, err := store.Open(filepath.Join(t.TempDir(), "history.db"), store.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, db.Close(context.Background())) })
	const alarm = "tub-1/water-temperature/high"
	now := instant.Of(time.Date(2026, 7, 17, 12, 0, 0, 0, time.UTC))
	var entries []*journal.Entry
	for i, e := range []struct {
		kind journal.Kind
		days int
	}{{journal.AlarmRaised, 20}, {journal.Frequent, 20}, {journal.AlarmRaised, 3}} {
		entries = append(entries, &journal.Entry{
			Seq: uint64(i + 1), Run: "run-1", At: now.Add(-time.Duration(e.days) * 24 * time.Hour), Kind: e.kind, Alarm: alarm, Occurrence: alarm + "@" + string(rune('a'+i)),
		})
	}
	require.NoError(t, db.Record(t.Context(), entries, nil, store.State{}))
	rec := &recorder{store: db}
	recent, err := rec.recent(t.Context(), nil)
	require.NoError(t, err)
	var kinds []journal.Kind
	for _, e := range recent {
		kinds = append(kinds, e.Kind)
	}
	assert.Equal(t, []journal.Kind{journal.Frequent, journal.AlarmRaised}, kinds)
}

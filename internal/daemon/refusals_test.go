package daemon_test

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/journal"
	"dewline/internal/server/control"
	"dewline/internal/store"
)

// Of thousands of refused commands a few are recorded, and one note says that there were more. Each one gets its response, and a
// good command passes between them.
func TestRefusedCommandsArePaced(t *testing.T) {
	tree := newProbeTree(t)
	tree.Show(22)
	folder := t.TempDir()
	r := beginAt(t, folder, time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC), 1, tree.root, keptSite)
	const many = 400
	for i := range many {
		response := r.command(control.Request{Verb: "acknowledge", Alarm: fmt.Sprintf("tub-1/water-temperature/nothing-%d", i), By: "ines"})
		require.False(t, response.Done)
		require.NotEmpty(t, response.Reason)
	}
	require.True(t, r.command(control.Request{Verb: "note", Text: "all is well", By: "ines"}).Done)
	r.stop()

	db, err := store.Open(filepath.Join(folder, "history.db"), store.Options{ReadOnly: true})
	require.NoError(t, err)
	defer func() { assert.NoError(t, db.Close(t.Context())) }()
	entries, err := db.Journal(t.Context(), store.Filter{Limit: 2 * many})
	require.NoError(t, err)
	refused, said, notes := 0, 0, 0
	for _, e := range entries {
		switch {
		case e.Kind == journal.CommandRefused:
			refused++
		case strings.Contains(e.Text, "commands are refused faster than they are written down"):
			said++
		case e.Text == "all is well":
			notes++
		}
	}
	assert.GreaterOrEqual(t, refused, 60)
	assert.LessOrEqual(t, refused, 63, "one more for each ten seconds that this took")
	assert.Equal(t, 1, said)
	assert.Equal(t, 1, notes)
}

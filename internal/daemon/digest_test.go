package daemon_test

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
	"dewline/internal/server/control"
	"dewline/internal/store"
)

// The digest of a day goes out once at its hour, over a restart after it as well.
func TestDigestIsSentOnceADay(t *testing.T) {
	box := newMailbox(t)
	folder, start := t.TempDir(), time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC) // 14:00 in Lisbon
	site := plainSite + `
history: {path: "HISTORY"}
digest: {at: "14:06"}
notify:
  - {via: mail, server: "` + box.address + `", security: none, from: loft@mail.example, to: [keeper@mail.example]}
`
	digests := func() (texts []string) {
		db, err := store.Open(filepath.Join(folder, "history.db"), store.Options{ReadOnly: true})
		require.NoError(t, err)
		defer db.Close(t.Context())
		entries, err := db.Journal(t.Context(), store.Filter{Kinds: []journal.Kind{journal.DailyDigest}})
		require.NoError(t, err)
		for _, e := range entries {
			texts = append(texts, e.Text)
		}
		return texts
	}
	first := beginAt(t, folder, start, 30, "../../testdata/sys/north-loft", site)
	first.wait("it has arrived", func() bool { return strings.Contains(box.all(), "TODAY: nothing out of band, nothing to do") })
	first.stop()
	require.Len(t, digests(), 1)

	second := beginAt(t, folder, start.Add(20*time.Minute), 30, "../../testdata/sys/north-loft", site)
	second.command(control.Request{Verb: control.TestVerb, Notifier: "mail", By: "keeper"})
	second.wait("a later message has arrived", func() bool { return strings.Contains(box.all(), "TEST: ") })
	second.command(control.Request{Verb: watch.WriteNote, Text: "after it", By: "keeper"})
	second.stop()
	assert.Len(t, digests(), 1)
	assert.Equal(t, 1, strings.Count(box.all(), "Subject: [north-loft] TODAY"))
}

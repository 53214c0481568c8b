package store

import (
	"bytes"
	"database/sql"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/deliver/queue"
)

// broken makes the disk fail in a way, and returns what repairs it.
var broken = map[string]struct {
	kind  error
	begin func(t *testing.T, s *Store) (repair func())
}{
	"full": {ErrFull, func(t *testing.T, s *Store) func() { // it may not grow
		_, err := s.database().writer.Exec("PRAGMA max_page_count = 1")
		require.NoError(t, err)
		return func() {
			_, err := s.database().writer.Exec("PRAGMA max_page_count = 1000000")
			require.NoError(t, err)
		}
	}},
	// As a file whose owner is wrong: SQLite opens it for reading alone, and does not look again. The repair does not touch what
	// the store has open.
	"read-only": {ErrReadOnly, func(t *testing.T, s *Store) func() {
		usual := writerPragmas
		repair := func() { writerPragmas = usual }
		t.Cleanup(repair)
		writerPragmas = append(slices.Clone(usual), "query_only(on)")
		_, err := s.database().writer.Exec("PRAGMA query_only = on")
		require.NoError(t, err)
		return repair
	}},
}

func TestDiskThatDoesNotTakeAnything(t *testing.T) {
	for name, c := range broken {
		t.Run(name, func(t *testing.T) {
			s := begin(t, tempPath(t))
			last := fill(s, "run-1", water, noon, 10*second, 100)
			require.NoError(t, s.Commit(t.Context()))
			mqtt := s.Queue("mqtt")
			state2 := make([]byte, 20_000)
			rand.NewChaCha8([32]byte{}).Read(state2)
			require.NoError(t, mqtt.Add(queue.Item{Event: "before", Class: queue.Alarm, Body: []byte("before")}))

			repair := c.begin(t, s)
			fill(s, "run-1", water, last.Add(10*second), 10*second, 50_000)
			err := s.Commit(t.Context())
			require.ErrorIs(t, err, c.kind)
			require.ErrorContains(t, err, s.path)
			h := s.Health()
			assert.Equal(t, 50_000, h.PendingReadings)
			assert.Equal(t, uint64(1), h.WriteErrors)
			assert.Equal(t, err, h.LastError)

			// Alarming goes on in memory.
			e := entry(1, noon, journal.AlarmRaised)
			e.Text = strings.Repeat("it is getting warm ", 1000) // more than the pages in use have room for
			item := OutboxItem{"mqtt", queue.Item{Event: e.ID(), Class: queue.Alarm, Body: []byte("raised")}}
			require.ErrorIs(t, s.Record(t.Context(), []*journal.Entry{e}, []OutboxItem{item}, wholeState("state 1")), c.kind)
			require.ErrorIs(t, s.Record(t.Context(), nil, nil, State{Data: state2}), c.kind)
			require.NoError(t, mqtt.Add(queue.Item{Event: "during", Class: queue.Alarm, Body: []byte("during")}))
			require.NoError(t, mqtt.Add(item.Item), "a repeat")
			check := func(s *Store) {
				assert.Len(t, collect(t, s, water, instant.None, 0), 50_100)
				entries, err := s.Journal(t.Context(), Filter{})
				require.NoError(t, err)
				require.Len(t, entries, 1)
				assert.Equal(t, e, entries[0])
				state, _, reach, err := s.LoadCore()
				require.NoError(t, err)
				assert.Equal(t, state2, state)
				assert.Equal(t, last.Add(500_000*second), reach.At)
				items, err := s.Queue("mqtt").Next(0, 10)
				require.NoError(t, err)
				require.Len(t, items, 3)
				assert.Equal(t, "before raised during", string(bytes.Join([][]byte{items[0].Body, items[1].Body, items[2].Body}, []byte(" "))))
			}
			check(s)
			assert.Equal(t, 1, s.Health().PendingEntries)

			repair()
			require.NoError(t, s.Commit(t.Context()))
			h = s.Health()
			assert.Zero(t, h.PendingReadings)
			assert.Zero(t, h.PendingEntries)
			assert.NoError(t, h.LastError)
			assert.Zero(t, h.Dropped)
			check(s)
			check(again(t, s))
		})
	}
}

func TestMemoryIsBoundedWhileTheDiskFails(t *testing.T) {
	s, err := Open(tempPath(t), Options{Pending: 3000})
	require.NoError(t, err)
	defer func() { abandon(s) }()
	broken["read-only"].begin(t, s)
	fill(s, "run-1", water, noon, 10*second, 10_000)
	h := s.Health()
	assert.LessOrEqual(t, h.PendingReadings, 3000+ChunkReadings)
	assert.Equal(t, uint64(10_000), h.Dropped+uint64(h.PendingReadings))
	all := collect(t, s, water, instant.None, 0)
	assert.Len(t, all, h.PendingReadings)
	assert.Equal(t, noon.Add(99_990*second), all[len(all)-1].At, "the newest are kept")

	for i := range maxUnwritten/100 + 5 {
		var entries []*journal.Entry
		for k := range 100 {
			entries = append(entries, entry(uint64(i*100+k+1), noon, journal.Note))
		}
		require.ErrorIs(t, s.Record(t.Context(), entries, nil, wholeState("state")), ErrReadOnly)
	}
	h = s.Health()
	assert.Equal(t, maxUnwritten, h.PendingEntries)
	assert.Equal(t, uint64(500), h.DroppedEntries)
}

func TestRemovedFileIsPutBack(t *testing.T) {
	s := begin(t, tempPath(t))
	last := fill(s, "run-1", water, noon, 10*second, 500)
	require.NoError(t, s.Commit(t.Context()))
	require.NoError(t, s.Record(t.Context(), []*journal.Entry{entry(1, noon, journal.Note)}, nil, State{}))
	require.NoError(t, os.Remove(s.path))
	fill(s, "run-1", water, last.Add(10*second), 10*second, 500)
	require.NoError(t, s.Commit(t.Context()))
	require.Len(t, s.Notices(), 1)
	assert.Contains(t, s.Notices()[0].Text, "was put back")
	s = again(t, s)
	assert.Len(t, collect(t, s, water, instant.None, 0), 1000)
	entries, err := s.Journal(t.Context(), Filter{})
	require.NoError(t, err)
	assert.Len(t, entries, 1)
	assert.NoFileExists(t, s.path+rescueSuffix)
}

func TestRemovedFolderComesBackLater(t *testing.T) {
	path := filepath.Join(t.TempDir(), "card", "history.db")
	s := begin(t, path)
	last := fill(s, "run-1", water, noon, 10*second, 500)
	require.NoError(t, s.Commit(t.Context()))
	require.NoError(t, os.RemoveAll(filepath.Dir(path)))
	fill(s, "run-1", water, last.Add(10*second), 10*second, 500)
	require.ErrorIs(t, s.Commit(t.Context()), ErrGone)
	assert.Len(t, collect(t, s, water, instant.None, 0), 1000)
	require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o750))
	require.NoError(t, s.Commit(t.Context()))
	assert.Len(t, collect(t, again(t, s), water, instant.None, 0), 1000)
}

func TestReplacedFileIsNotTouched(t *testing.T) {
	s := begin(t, tempPath(t))
	fill(s, "run-1", water, noon, 10*second, 5)
	require.NoError(t, os.Remove(s.path))
	require.NoError(t, os.WriteFile(s.path, []byte("somebody's"), 0o600))
	require.ErrorIs(t, s.Commit(t.Context()), ErrGone)
	kept, err := os.ReadFile(s.path)
	require.NoError(t, err)
	assert.Equal(t, "somebody's", string(kept))
	assert.Equal(t, 5, s.Health().PendingReadings)
}

func TestForeignFilesAreRefused(t *testing.T) {
	other := filepath.Join(t.TempDir(), "other.db")
	db, err := sql.Open("sqlite", other)
	require.NoError(t, err)
	_, err = db.Exec("CREATE TABLE theirs (x); PRAGMA application_id = 7")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	theirs, err := os.ReadFile(other)
	require.NoError(t, err)
	for name, content := range map[string][]byte{
		"another program's": theirs,
		"text":              []byte(strings.Repeat("notes on tub-1\n", 20)),
		"short":             []byte("x"),
		"noise":             noise(20 * 4096),
	} {
		t.Run(name, func(t *testing.T) {
			path := tempPath(t)
			require.NoError(t, os.WriteFile(path, content, 0o600))
			s, err := Open(path, Options{})
			require.ErrorIs(t, err, ErrForeign)
			assert.Nil(t, s)
			_, err = Open(path, Options{ReadOnly: true})
			require.ErrorIs(t, err, ErrForeign)
			kept, err := os.ReadFile(path)
			require.NoError(t, err)
			assert.Equal(t, content, kept)
			files, err := os.ReadDir(filepath.Dir(path))
			require.NoError(t, err)
			assert.Len(t, files, 1)
		})
	}
}

func TestNewerFilesAreRefused(t *testing.T) {
	s := begin(t, tempPath(t))
	_, err := s.database().writer.Exec("PRAGMA user_version = 99")
	require.NoError(t, err)
	require.NoError(t, s.Close(t.Context()))
	_, err = Open(s.path, Options{})
	require.ErrorIs(t, err, ErrNewer)
	_, err = Open(s.path, Options{ReadOnly: true})
	require.ErrorIs(t, err, ErrNewer)
}

// A migration that fails leaves the file as it was.
func TestMigrationsAreWholeOrNothing(t *testing.T) {
	path := tempPath(t)
	db, err := sql.Open("sqlite", path)
	require.NoError(t, err)
	_, err = db.Exec("CREATE TABLE journal (x); PRAGMA application_id = 1685548142") // in the way of the first step
	require.NoError(t, err)
	s, err := Open(path, Options{})
	require.Error(t, err)
	require.NotNil(t, s, "it works in memory")
	var tables, version int
	require.NoError(t, db.QueryRow("SELECT count(*) FROM sqlite_master").Scan(&tables))
	require.NoError(t, db.QueryRow("PRAGMA user_version").Scan(&version))
	assert.Equal(t, []int{1, 0}, []int{tables, version})
	_, err = db.Exec("DROP TABLE journal")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	fill(s, "run-1", water, noon, 10*second, 5)
	require.NoError(t, s.Commit(t.Context()))
	assert.Len(t, collect(t, again(t, s), water, instant.None, 0), 5)
}

// noise is what a card gives back that has lost track of its blocks.
func noise(n int) []byte {
	b := make([]byte, n)
	rand.NewChaCha8([32]byte{'n'}).Read(b)
	return b
}

func TestDamagedFileIsSetAside(t *testing.T) {
	for name, damage := range map[string]func(content []byte){
		"first page zero":    func(c []byte) { clear(c[:4096]) },
		"first page ones":    func(c []byte) { copy(c, bytes.Repeat([]byte{0xff}, 4096)) },
		"first page noise":   func(c []byte) { copy(c, noise(4096)) },
		"header overwritten": func(c []byte) { copy(c, "garbage garbage garbage") },
		"pages overwritten": func(c []byte) {
			for i := 4096; i+4096 <= len(c); i += 2 * 4096 {
				copy(c[i:], bytes.Repeat([]byte{0xa5}, 4096))
			}
		},
		"the end missing, filled with zeros": func(c []byte) { clear(c[len(c)/2:]) },
	} {
		t.Run(name, func(t *testing.T) {
			path := tempPath(t)
			s := begin(t, path)
			require.NoError(t, s.Record(t.Context(), []*journal.Entry{entry(1, noon, journal.AlarmRaised)}, nil, wholeState("state")))
			fill(s, "run-1", water, noon, 10*second, 20_000)
			require.NoError(t, s.Close(t.Context()))
			content, err := os.ReadFile(path)
			require.NoError(t, err)
			damage(content)
			require.NoError(t, os.WriteFile(path, content, 0o600))
			s, err = Open(path, Options{Now: func() time.Time { return noon.Time() }})
			require.NoError(t, err)
			defer func() { abandon(s) }()
			require.Len(t, s.Notices(), 1)
			assert.Contains(t, s.Notices()[0].Text, "history.db.corrupt-20260901T120000Z")
			aside, err := os.ReadFile(path + ".corrupt-20260901T120000Z")
			require.NoError(t, err)
			assert.Equal(t, content, aside)
			fill(s, "run-2", air, noon, 10*second, 5)
			require.NoError(t, s.Commit(t.Context()))
			s = again(t, s)
			assert.Len(t, collect(t, s, air, instant.None, 0), 5)
			if strings.HasPrefix(name, "first page") {
				assert.Len(t, collect(t, s, water, instant.None, 0), 20_000, "taken over")
				entries, err := s.Journal(t.Context(), Filter{})
				require.NoError(t, err)
				assert.Len(t, entries, 1)
				state, _, _, err := s.LoadCore()
				require.NoError(t, err)
				assert.Equal(t, "state", string(state))
			}
			leftovers, err := filepath.Glob(path + ".[gr]*")
			require.NoError(t, err)
			assert.Empty(t, leftovers)
		})
	}
}

// A page that goes bad while the file is open gives an error, not wrong data and not a crash.
func TestDamageUnderway(t *testing.T) {
	s := begin(t, tempPath(t))
	fill(s, "run-1", water, noon, 10*second, 20_000)
	s = again(t, s)
	_, err := s.database().writer.Exec("UPDATE chunk SET samples = x'03ff' WHERE id = 5")
	require.NoError(t, err)
	var failure error
	count := 0
	for _, err := range s.Readings(t.Context(), water, instant.None, 0) {
		if err != nil {
			failure = err
			break
		}
		count++
	}
	require.ErrorIs(t, failure, ErrCorrupt)
	assert.Positive(t, count)
	_, err = s.Columns(t.Context(), water, noon, noon.Add(24*hour), 1000)
	require.ErrorIs(t, err, ErrCorrupt)
	columns, err := s.Columns(t.Context(), water, noon, noon.Add(240*hour), 1)
	require.NoError(t, err, "the summaries are still there")
	assert.Equal(t, 20_000, columns[0].Count)
}

// The folder of the file cannot be made: the store works in memory, and begins the file when it can.
func TestFileThatCannotBeOpened(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "folder")
	require.NoError(t, os.WriteFile(folder, nil, 0o600))
	s, err := Open(filepath.Join(folder, "history.db"), Options{})
	require.Error(t, err)
	require.NotNil(t, s)
	last := fill(s, "run-1", water, noon, 10*second, 800)
	require.Error(t, s.Commit(t.Context()))
	require.Error(t, s.Record(t.Context(), []*journal.Entry{entry(1, noon, journal.Note)}, nil, State{}))
	require.NoError(t, s.Queue("mqtt").Add(queue.Item{Event: "e", Class: queue.Alarm, Body: []byte("body")}))
	assert.Len(t, collect(t, s, water, instant.None, 0), 800)
	_, err = s.Calibrations(t.Context(), "")
	require.Error(t, err)
	require.Error(t, s.Backup(t.Context(), filepath.Join(t.TempDir(), "b")))
	_, err = s.Prune(t.Context(), hour, last, true)
	require.Error(t, err)

	require.NoError(t, os.Remove(folder))
	require.NoError(t, s.Commit(t.Context()))
	fill(s, "run-1", water, last.Add(10*second), 10*second, 800)
	s = again(t, s)
	assert.Len(t, collect(t, s, water, instant.None, 0), 1600)
	entries, err := s.Journal(t.Context(), Filter{})
	require.NoError(t, err)
	assert.Len(t, entries, 1)
	items, err := s.Queue("mqtt").Next(0, 5)
	require.NoError(t, err)
	require.Len(t, items, 1)
	assert.Equal(t, "body", string(items[0].Body))
}

// After a failure of the disk the file is opened again.
func TestDiskThatComesBack(t *testing.T) {
	s := begin(t, tempPath(t))
	last := fill(s, "run-1", water, noon, 10*second, 500)
	require.NoError(t, s.Queue("mqtt").Add(queue.Item{Event: "a", Class: queue.Alarm, Body: []byte("a")}))
	require.NoError(t, s.Queue("mqtt").Add(queue.Item{Event: "reading", Body: []byte("22")}))
	require.NoError(t, s.Commit(t.Context()))
	s.detach()
	last = fill(s, "run-1", water, last.Add(10*second), 10*second, 500)
	require.NoError(t, s.Commit(t.Context()))
	items, err := s.Queue("mqtt").Next(0, 10)
	require.NoError(t, err)
	assert.Len(t, items, 2)

	// Meanwhile the card has forgotten everything, alarms are in memory as well.
	s.detach()
	require.NoError(t, os.Truncate(s.path, 0))
	fill(s, "run-1", water, last.Add(10*second), 10*second, 500)
	require.NoError(t, s.Queue("mqtt").Add(queue.Item{Event: "b", Class: queue.Alarm, Body: []byte("b")}))
	require.NoError(t, s.Commit(t.Context()))
	items, err = s.Queue("mqtt").Next(0, 10)
	require.NoError(t, err)
	require.Len(t, items, 2)
	assert.Equal(t, "a", string(items[0].Body))
	assert.Equal(t, "b", string(items[1].Body))
	s = again(t, s)
	all := collect(t, s, water, instant.None, 0)
	assert.Greater(t, len(all), 500, "the chunk that was growing, and what came after")
	assert.Equal(t, "run-1", s.Run(all[0].Segment))
}

func TestOneWriterOnly(t *testing.T) {
	s := begin(t, tempPath(t))
	second, err := Open(s.path, Options{})
	require.ErrorIs(t, err, ErrBusy)
	assert.Nil(t, second)
	fill(s, "run-1", water, noon, minute, 5)
	s = again(t, s)
	assert.Len(t, collect(t, s, water, instant.None, 0), 5)
	require.NoError(t, s.Close(t.Context()))
	require.ErrorIs(t, s.Commit(t.Context()), errClosed)
	assert.NoFileExists(t, s.path+lockSuffix)
	info, err := os.Stat(s.path)
	require.NoError(t, err)
	assert.Zero(t, info.Mode().Perm()&0o007, "not for everybody to read")
}

func TestOpenForQueries(t *testing.T) {
	s := begin(t, tempPath(t))
	last := fill(s, "run-1", water, noon, 10*second, 800)
	require.NoError(t, s.Commit(t.Context()))
	beside, err := Open(s.path, Options{ReadOnly: true})
	require.NoError(t, err)
	fill(s, "run-1", water, last.Add(10*second), 10*second, 800)
	require.NoError(t, s.Commit(t.Context()))
	got := collect(t, beside, water, instant.None, last.Add(1))
	assert.Len(t, got, 800, "what had been written when it was opened")
	beside.Append("x", water, noon, 1, quantity.Pass, 1)
	require.ErrorIs(t, beside.Commit(t.Context()), errQueriesOnly)
	require.ErrorIs(t, beside.Record(t.Context(), nil, nil, wholeState("x")), errQueriesOnly)
	_, err = beside.AddCalibration(t.Context(), Calibration{})
	require.ErrorIs(t, err, errQueriesOnly)
	_, err = beside.Prune(t.Context(), 1, last, true)
	require.ErrorIs(t, err, errQueriesOnly)
	require.NoError(t, beside.Close(t.Context()))
	require.NoError(t, s.Close(t.Context()))

	closed, err := Open(s.path, Options{ReadOnly: true})
	require.NoError(t, err)
	assert.Len(t, collect(t, closed, water, instant.None, 0), 1600)
	require.NoError(t, closed.Close(t.Context()))
	_, err = Open(filepath.Join(t.TempDir(), "none.db"), Options{ReadOnly: true})
	require.ErrorIs(t, err, os.ErrNotExist)
}

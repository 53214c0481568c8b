package store

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
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

// overwrite fills pages of a file with nonsense, from one thousandth of the file up to another.
func overwrite(t *testing.T, path string, from, to int) {
	t.Helper()
	content, err := os.ReadFile(path)
	require.NoError(t, err)
	pages := len(content) / 4096
	for i := pages * from / 1000; i < pages*to/1000; i++ {
		copy(content[i*4096:], bytes.Repeat([]byte{0xa5}, 4096))
	}
	// In place: another file in its stead would be another fault.
	file, err := os.OpenFile(path, os.O_WRONLY, 0)
	require.NoError(t, err)
	_, err = file.Write(content)
	require.NoError(t, err)
	require.NoError(t, file.Close())
}

// A file that goes bad while it is in use is set aside at once, what can be read of the record goes over into the new one, and nothing
// that is in memory is lost.
func TestDamageUnderwayIsSetAside(t *testing.T) {
	s := begin(t, tempPath(t))
	var entries []*journal.Entry
	for i := range 1500 {
		e := entry(uint64(i+1), noon, journal.Note)
		e.Text = strings.Repeat("invented ", 100)
		entries = append(entries, e)
	}
	waits := []OutboxItem{{"mqtt", queue.Item{Event: "waits", Class: queue.Alarm, Body: []byte("waits")}}}
	require.NoError(t, s.Record(t.Context(), entries, waits, wholeState("state")))
	last := fill(s, "run-1", water, noon, 10*second, 3000)
	s = again(t, s)
	overwrite(t, s.path, 600, 800)
	before, err := os.ReadFile(s.path)
	require.NoError(t, err)

	fill(s, "run-2", air, last.Add(minute), 10*second, 50)
	e := entry(2000, last, journal.AlarmRaised)
	require.NoError(t, s.Record(t.Context(), []*journal.Entry{e}, []OutboxItem{{"mqtt", queue.Item{Event: "new", Class: queue.Alarm, Body: []byte("new")}}}, wholeState("state 2")))
	for range 3 { // the writer meets the damage sooner or later; a reader meets it at once
		_, _ = s.Journal(t.Context(), Filter{})
		require.NoError(t, s.Commit(t.Context()))
	}
	require.Len(t, s.Notices(), 1)
	notice := s.Notices()[0].Text
	assert.Contains(t, notice, s.path+", the history, was found damaged: ")
	assert.NotContains(t, notice, "next write", "that is over")
	assert.Contains(t, notice, "set aside as "+s.path+".corrupt-")
	assert.Contains(t, notice, "taken over from the old one: ")
	asides, err := filepath.Glob(s.path + ".corrupt-*Z")
	require.NoError(t, err)
	require.Len(t, asides, 1)
	aside, err := os.ReadFile(asides[0])
	require.NoError(t, err)
	assert.GreaterOrEqual(t, len(aside), len(before), "the whole of it")

	s = again(t, s)
	assert.Len(t, collect(t, s, air, noon, 0), 50)
	saved, err := s.Journal(t.Context(), Filter{Limit: 5000})
	require.NoError(t, err)
	assert.Equal(t, uint64(2000), saved[0].Seq)
	assert.Greater(t, len(saved), 500, "saved from the old file")
	items, err := s.Queue("mqtt").Next(0, 10)
	require.NoError(t, err)
	require.Len(t, items, 2)
	assert.Equal(t, "waits new", items[0].Event+" "+items[1].Event)
	state, _, _, err := s.LoadCore()
	require.NoError(t, err)
	assert.Equal(t, "state 2", string(state))
}

// At the start too, the record and what had not been delivered go over into the new file.
func TestWhatCanBeSavedOfADamagedFile(t *testing.T) {
	s := begin(t, tempPath(t))
	require.NoError(t, s.Record(t.Context(), []*journal.Entry{entry(1, noon, journal.AlarmRaised)},
		[]OutboxItem{{"mail", queue.Item{Event: "run-1-1", Class: queue.Alarm, Body: []byte("heat")}}}, wholeState("the state")))
	fill(s, "run-1", water, noon, 10*second, 60_000)
	require.NoError(t, s.Close(t.Context()))
	overwrite(t, s.path, 900, 1000)
	s = begin(t, s.path)
	require.Len(t, s.Notices(), 1)
	assert.Contains(t, s.Notices()[0].Text, "1 journal entries, 1 messages that had not been delivered, 1 state of the alarms, 0 calibrations")
	entries, err := s.Journal(t.Context(), Filter{})
	require.NoError(t, err)
	assert.Len(t, entries, 1)
	state, _, _, err := s.LoadCore()
	require.NoError(t, err)
	assert.Equal(t, "the state", string(state))
	items, err := s.Queue("mail").Next(0, 10)
	require.NoError(t, err)
	require.Len(t, items, 1)
	assert.Equal(t, "heat", string(items[0].Body))
}

func TestRemovedLog(t *testing.T) {
	for name, deed := range map[string]func(t *testing.T, path string){
		"removed": func(t *testing.T, path string) { require.NoError(t, os.Remove(path)) },
		"replaced": func(t *testing.T, path string) {
			require.NoError(t, os.Remove(path))
			require.NoError(t, os.WriteFile(path, bytes.Repeat([]byte("nonsense"), 1000), 0o600))
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := begin(t, tempPath(t))
			last := fill(s, "run-1", water, noon, 10*second, 500)
			require.NoError(t, s.Commit(t.Context()))
			deed(t, s.path+logSuffix)
			fill(s, "run-1", water, last.Add(10*second), 10*second, 500)
			require.NoError(t, s.Commit(t.Context()))
			require.Len(t, s.Notices(), 1)
			assert.Contains(t, s.Notices()[0].Text, "was removed while it was in use")
			abandon(s) // a power cut
			s = begin(t, s.path)
			assert.Len(t, collect(t, s, water, noon, 0), 1000)
		})
	}
}

func TestDamagedLogIsSetAside(t *testing.T) {
	s := begin(t, tempPath(t))
	fill(s, "run-1", water, noon, 10*second, 5)
	require.NoError(t, s.Close(t.Context()))
	nonsense := bytes.Repeat([]byte("nonsense"), 1000)
	require.NoError(t, os.WriteFile(s.path+logSuffix, nonsense, 0o600))
	s, err := Open(s.path, Options{Now: func() time.Time { return noon.Time() }})
	require.NoError(t, err)
	require.Len(t, s.Notices(), 1)
	assert.Contains(t, s.Notices()[0].Text, "-wal was damaged")
	kept, err := os.ReadFile(s.path + ".corrupt-20260901T120000Z-wal")
	require.NoError(t, err)
	assert.Equal(t, nonsense, kept)
	assert.Len(t, collect(t, s, water, noon, 0), 5)
	// A log of SQLite's own is left alone.
	fill(s, "run-2", water, noon.Add(hour), 10*second, 5)
	require.NoError(t, s.Commit(t.Context()))
	abandonWithLog(t, s)
	s = begin(t, s.path)
	assert.Empty(t, s.Notices())
	assert.Len(t, collect(t, s, water, noon, 0), 10)
}

// overwriteAt overwrites a piece of a file in place.
func overwriteAt(t *testing.T, path string, at int64, with []byte) {
	t.Helper()
	file, err := os.OpenFile(path, os.O_WRONLY, 0)
	require.NoError(t, err)
	_, err = file.WriteAt(with, at)
	require.NoError(t, err)
	require.NoError(t, file.Close())
}

// An erase block of the card that is lost, in the log or under the first page, is noticed at the next write, although the
// connections have the rest in their caches. What was written last is in memory, and nothing of it is lost.
func TestLostBlockUnderwayIsNoticedAtTheNextWrite(t *testing.T) {
	const block = 64 << 10
	for name, deed := range map[string]func(t *testing.T, path string){
		"begin of the log": func(t *testing.T, path string) { overwriteAt(t, path+logSuffix, 0, noise(block)) },
		"middle of the log": func(t *testing.T, path string) {
			overwriteAt(t, path+logSuffix, 128<<10, bytes.Repeat([]byte{0xff}, block))
		},
		"log cut off":      func(t *testing.T, path string) { require.NoError(t, os.Truncate(path+logSuffix, 100<<10)) },
		"log emptied":      func(t *testing.T, path string) { require.NoError(t, os.Truncate(path+logSuffix, 0)) },
		"first page noise": func(t *testing.T, path string) { overwriteAt(t, path, 0, noise(ourPageSize)) },
		"first page ones":  func(t *testing.T, path string) { overwriteAt(t, path, 0, bytes.Repeat([]byte{0xff}, ourPageSize)) },
	} {
		t.Run(name, func(t *testing.T) {
			s := begin(t, tempPath(t))
			fill(s, "run-0", air, noon.Add(-48*hour), 10*second, 3000)
			s = again(t, s) // so that this is in the main file
			at, seq := noon, uint64(0)
			work := func() {
				at = fill(s, "run-1", water, at.Add(10*second), 10*second, 100)
				require.NoError(t, s.Commit(t.Context()))
				seq++
				e := entry(seq, at, journal.AlarmRaised)
				item := OutboxItem{"mqtt", queue.Item{Event: e.ID(), Class: queue.Alarm, Body: []byte(e.ID())}}
				require.NoError(t, s.Record(t.Context(), []*journal.Entry{e}, []OutboxItem{item}, nthState(uint64(seq), fmt.Sprint("state ", seq))))
			}
			for range 15 {
				work()
			}
			require.Empty(t, s.Notices())
			deed(t, s.path)
			work()
			require.Len(t, s.Notices(), 1)
			assert.Contains(t, s.Notices()[0].Text, "set aside as "+s.path+".corrupt-")
			work()
			require.Len(t, s.Notices(), 1)

			abandonWithLog(t, s) // a power cut
			s = begin(t, s.path)
			assert.Empty(t, s.Notices())
			entries, err := s.Journal(t.Context(), Filter{})
			require.NoError(t, err)
			assert.Len(t, entries, 17)
			assert.Len(t, collect(t, s, water, instant.None, 0), 1700)
			assert.Len(t, collect(t, s, air, instant.None, 0), 3000)
			state, parts, _, err := s.LoadCore()
			require.NoError(t, err)
			assert.Equal(t, "state 16", string(state))
			assert.Equal(t, "state 17", string(parts[len(parts)-1]))
			pending := s.Queue("mqtt").Pending()
			assert.Equal(t, 17, pending)
		})
	}
}

// An alarm does not wait until it is noted how much of the log is whole. What the log loses in between is noticed all the same.
func TestLogLostBeforeItsEndIsNoted(t *testing.T) {
	for name, size := range map[string]int64{"emptied": 0, "cut off": 20 << 10} {
		t.Run(name, func(t *testing.T) {
			s := begin(t, tempPath(t))
			write := func(seq uint64) {
				require.NoError(t, s.Record(t.Context(), []*journal.Entry{entry(seq, noon, journal.AlarmRaised)}, nil, State{}))
			}
			for seq := range uint64(9) {
				write(seq + 1)
			}
			settled(s)
			before := s.logMark
			write(10)
			s.write.Lock()
			s.logMark = before
			require.NoError(t, os.Truncate(s.path+logSuffix, size))
			s.markLog(t.Context(), logPages)
			s.write.Unlock()
			require.Empty(t, s.Notices())
			require.NoError(t, s.Commit(t.Context()))
			require.Len(t, s.Notices(), 1)
			entries, err := s.Journal(t.Context(), Filter{})
			require.NoError(t, err)
			assert.Len(t, entries, 10)
		})
	}
}

// A folder can be away at the moment in which the end of the log is noted. What comes back is not taken for damage.
func TestLogAwayWhenItsEndIsNoted(t *testing.T) {
	card := filepath.Join(t.TempDir(), "card")
	require.NoError(t, os.Mkdir(card, 0o755))
	s := begin(t, filepath.Join(card, "history.db"))
	write := func(seq uint64) {
		require.NoError(t, s.Record(t.Context(), []*journal.Entry{entry(seq, noon, journal.AlarmRaised)}, nil, State{}))
	}
	write(1)
	s.write.Lock() // what the write before has left to do is done
	before := s.logMark
	s.write.Unlock()
	write(2)
	s.write.Lock()
	s.logMark = before
	require.NoError(t, os.Rename(card, card+"-away"))
	s.markLog(t.Context(), logPages)
	s.write.Unlock()
	require.Error(t, s.Commit(t.Context()))
	require.NoError(t, os.Rename(card+"-away", card))
	require.NoError(t, s.Commit(t.Context()))
	require.Empty(t, s.Notices())
	entries, err := s.Journal(t.Context(), Filter{})
	require.NoError(t, err)
	assert.Len(t, entries, 2)
}

// A log that lost a block while the program was not running is taken over without what stood in the block.
func TestLostBlockInALogIsFoundAtTheStart(t *testing.T) {
	s := begin(t, tempPath(t))
	for i := range 40 {
		require.NoError(t, s.Record(t.Context(), []*journal.Entry{entry(uint64(i+1), noon, journal.AlarmRaised)}, nil, State{}))
	}
	info, err := os.Stat(s.path + logSuffix)
	require.NoError(t, err)
	abandonWithLog(t, s)
	overwriteAt(t, s.path+logSuffix, info.Size()/2, noise(8192))
	s = begin(t, s.path)
	require.Len(t, s.Notices(), 1)
	assert.Contains(t, s.Notices()[0].Text, "-wal was damaged")
	entries, err := s.Journal(t.Context(), Filter{})
	require.NoError(t, err)
	assert.Len(t, entries, 40, "later pages of the journal hold what the lost ones held")
}

// abandonWithLog lets a store go as a power cut does: its log stays.
func abandonWithLog(t *testing.T, s *Store) {
	t.Helper()
	settled(s) // what a write does after its answer keeps the file open beyond the end
	log, err := os.ReadFile(s.path + logSuffix)
	require.NoError(t, err)
	require.NotEmpty(t, log)
	content, err := os.ReadFile(s.path)
	require.NoError(t, err)
	abandon(s)
	require.NoError(t, os.WriteFile(s.path, content, 0o600))
	require.NoError(t, os.WriteFile(s.path+logSuffix, log, 0o600))
}

// Another program holds the file: Record does not wait for long, and once it has waited it does not wait again.
func TestDiskThatDoesNotAnswer(t *testing.T) {
	s, err := Open(tempPath(t), Options{Patience: 100 * time.Millisecond})
	require.NoError(t, err)
	t.Cleanup(func() { abandon(s) })
	fill(s, "run-1", water, noon, 10*second, 5)
	require.NoError(t, s.Commit(t.Context()))
	other, err := connect(s.path, nil, nil, 1)
	require.NoError(t, err)
	defer other.Close()
	_, err = other.Exec("BEGIN IMMEDIATE")
	require.NoError(t, err)
	mqtt := s.Queue("mqtt")
	for i := range 5 {
		e := entry(uint64(i+1), noon, journal.AlarmRaised)
		item := OutboxItem{"mqtt", queue.Item{Event: e.ID(), Class: queue.Alarm, Body: []byte{byte(i)}}}
		err := s.Record(t.Context(), []*journal.Entry{e}, []OutboxItem{item}, wholeState("state"))
		require.Error(t, err)
		if i == 0 {
			require.ErrorIs(t, err, ErrSlow)
		}
		items, err := mqtt.Next(0, 10)
		require.NoError(t, err)
		assert.Len(t, items, i+1, "the notifier sees it")
	}
	s.Restamp(Shift{Runs: []string{"run-1"}, By: minute, Mark: s.Stepped(), Seq: 5}) // does not wait either
	s.Append("run-1", water, noon.Add(hour), 1, quantity.Pass, 0)
	assert.Positive(t, s.Health().Writing)
	assert.Equal(t, 5, s.Health().PendingEntries)
	_, err = other.Exec("ROLLBACK")
	require.NoError(t, err)
	require.NoError(t, s.Commit(t.Context()))
	assert.Zero(t, s.Health().PendingEntries)
	assert.Zero(t, s.Health().Writing)
	s = again(t, s)
	entries, err := s.Journal(t.Context(), Filter{})
	require.NoError(t, err)
	require.Len(t, entries, 5)
	assert.Equal(t, noon.Add(minute), entries[0].At)
	assert.Len(t, collect(t, s, water, noon, 0), 6)
	assert.Equal(t, noon.Add(minute), collect(t, s, water, noon, 0)[0].At)
	pending := s.Queue("mqtt").Pending()
	assert.Equal(t, 5, pending)
}

package store

import (
	"bytes"
	"database/sql"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/deliver/queue"
)

// mark is what had been promised to be durable before an operation.
type mark struct {
	before int // index of the operation
	committed
}

// recordRun writes a history through the recorder: from the making of the file through commits, two checkpoints on the way (one by
// hand as SQLite makes it by itself after a thousand pages, one by closing) and a log that begins again over an old one.
func recordRun(t *testing.T, commits int) ([]operation, []mark) {
	t.Helper()
	r := theRecorder()
	folder := t.TempDir()
	path := filepath.Join(folder, "history.db")
	r.begin(folder)
	s := begin(t, path)
	at := noon
	state := committed{}
	marks := []mark{{0, state}}
	promise := func() { marks = append(marks, mark{r.count(), state}) }
	for i := range commits {
		switch i {
		case commits / 3:
			_, err := s.database().writer.Exec("PRAGMA wal_checkpoint(passive)")
			require.NoError(t, err)
		case commits * 2 / 3:
			s = again(t, s)
		}
		if i%3 == 2 {
			state.entries++
			state.done = state.readings
			e := entry(state.entries, at, journal.AlarmRaised)
			item := queue.Item{Event: e.ID(), Class: queue.Alarm, Topic: "events", Body: []byte(e.ID()), At: at}
			require.NoError(t, s.Record(t.Context(), []*journal.Entry{e}, []OutboxItem{{"mqtt", item}}, nthState(state.entries, strconv.Itoa(state.done))))
		} else {
			at = fill(s, fmt.Sprintf("run-%d", i*3/commits), water, at.Add(10*second), 10*second, 150)
			state.readings += 150
			require.NoError(t, s.Commit(t.Context()))
		}
		promise()
	}
	require.NoError(t, s.Close(t.Context()))
	return r.end(), marks
}

// disk is what a card holds: of each file what was flushed, and what was written since then.
type disk map[string]*stored

type stored struct {
	flushed []byte
	since   []operation
	now     []byte
	gone    bool
	before  []byte // a deleted file, which comes back where the folder was not flushed
	linked  bool   // the folder was flushed since the file was made
}

func (d disk) file(name string) *stored {
	f := d[name]
	if f == nil {
		f = &stored{}
		d[name] = f
	}
	return f
}

func (d disk) apply(o operation) {
	f := d.file(o.file)
	switch o.kind {
	case syncing:
		f.flushed, f.since = bytes.Clone(f.now), nil
		if !f.linked && o.file != "history.db" {
			// With the first flush of a journal or log SQLite flushes the folder (os_unix.c, UNIXFILE_DIRSYNC).
			for _, other := range d {
				other.before, other.linked = nil, !other.gone
			}
		}
	case deleting:
		*f = stored{gone: true, before: f.now}
		return
	default:
		f.now = performed(f.now, o)
		f.since = append(f.since, o)
	}
	f.gone = false
}

// performed returns the content of a file after an operation, in place where there is room.
func performed(content []byte, o operation) []byte {
	end := int(o.offset) + len(o.data)
	if o.kind == truncating && len(content) > end {
		return content[:end:end]
	}
	if len(content) < end {
		content = append(content, make([]byte, end-len(content))...)
	}
	copy(content[o.offset:], o.data)
	return content
}

// whole is what lies on the disk where everything written has arrived, and of a last operation only the first bytes.
func (d disk) whole(last operation, arrived int) map[string][]byte {
	files := map[string][]byte{}
	for name, f := range d {
		if !f.gone {
			files[name] = f.now
		}
	}
	if last.kind == writing && arrived > 0 {
		last.data = last.data[:arrived]
		files[last.file] = performed(bytes.Clone(files[last.file]), last)
	}
	return files
}

// sector is the smallest part that a disk writes at one blow.
const sector = 512

// torn is what may lie on the disk where nothing that was not flushed need have arrived: of that any sectors have, in any order,
// some of them as rubbish.
func (d disk) torn(rng *rand.Rand) map[string][]byte {
	files := map[string][]byte{}
	for name, f := range d {
		if f.gone {
			if rng.IntN(2) == 0 && f.before != nil {
				files[name] = f.before
			}
			continue
		}
		content := bytes.Clone(f.flushed)
		likely := rng.Float64()
		for _, o := range f.since {
			if o.kind == truncating {
				if rng.Float64() < likely {
					content = performed(content, o)
				}
				continue
			}
			for from := 0; from < len(o.data); {
				to := min(len(o.data), (int(o.offset)+from)/sector*sector+sector-int(o.offset))
				part := operation{kind: writing, offset: o.offset + int64(from), data: o.data[from:to]}
				switch chance := rng.Float64(); {
				case chance < likely:
					content = performed(content, part)
				case chance > 0.95:
					rubbish := bytes.Repeat([]byte{byte(rng.Uint32())}, to-from)
					part.data = rubbish
					content = performed(content, part)
				}
				from = to
			}
		}
		files[name] = content
	}
	return files
}

// lay puts files into an empty folder and returns the path of the history.
func lay(t *testing.T, folder string, files map[string][]byte) string {
	t.Helper()
	for _, suffix := range []string{"", "-wal", "-shm", "-journal"} {
		name := filepath.Join(folder, "history.db"+suffix)
		if content, ok := files["history.db"+suffix]; ok {
			require.NoError(t, os.WriteFile(name, content, 0o600))
		} else if err := os.Remove(name); !os.IsNotExist(err) {
			require.NoError(t, err)
		}
	}
	return filepath.Join(folder, "history.db")
}

// found lets SQLite open the files as after a power cut, and counts what is there.
func found(path string) (c committed, err error) {
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=synchronous(off)")
	if err != nil {
		return c, err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	var verdict string
	if err := db.QueryRow("PRAGMA quick_check").Scan(&verdict); err != nil || verdict != "ok" {
		return c, fmt.Errorf("quick check: %s %w", verdict, err)
	}
	var tables int
	if err := db.QueryRow("SELECT count(*) FROM sqlite_master WHERE name = 'journal'").Scan(&tables); err != nil || tables == 0 {
		return c, err
	}
	return c, db.QueryRow(`SELECT (SELECT count(*) FROM journal),
		(SELECT ifnull(sum(count), 0) FROM chunk) + (SELECT ifnull(sum(count), 0) FROM growing WHERE id NOT IN (SELECT id FROM chunk))`).
		Scan(&c.entries, &c.readings)
}

// promised returns the last promise before an operation and the one after it: one of the two must be found, and nothing else.
func promised(marks []mark, operation int) (least, most committed) {
	k := len(marks) - 1
	for marks[k].before > operation {
		k--
	}
	return marks[k].committed, marks[min(k+1, len(marks)-1)].committed
}

func requirePrefix(t *testing.T, got committed, marks []mark, operation int, about string) {
	t.Helper()
	least, most := promised(marks, operation)
	for _, c := range []committed{least, most} {
		if got.readings == c.readings && got.entries == c.entries {
			return
		}
	}
	require.Fail(t, "what is found is no prefix of the commits that holds the last promise",
		"%s: %d readings and %d entries, promised %d and %d, begun %d and %d", about, got.readings, got.entries,
		least.readings, least.entries, most.readings, most.entries)
}

// step is how far apart the bytes are at which a write is cut, apart from its edges and those of sectors. DEWLINE_CUT_STEP=1 takes
// every byte of the run.
func step(t *testing.T) int {
	text := os.Getenv("DEWLINE_CUT_STEP")
	if text == "" {
		return sector * usualStep
	}
	n, err := strconv.Atoi(text)
	require.NoError(t, err, "DEWLINE_CUT_STEP")
	require.Positive(t, n, "DEWLINE_CUT_STEP")
	return n
}

// cuts returns how many bytes of a write have arrived at a power cut.
func cuts(o operation, step int) []int {
	places := map[int]bool{0: true}
	add := func(n int) {
		if n >= 0 && n < len(o.data) {
			places[n] = true
		}
	}
	for n := 0; n < len(o.data); n += step {
		add(n)
		// A disk does not tear a sector, but a file system may.
		edge := n - (int(o.offset)+n)%sector
		add(edge)
		add(edge + 1)
	}
	if len(o.data) < 100 && usualStep == 1 { // a header
		for n := range o.data {
			add(n)
		}
	}
	add(len(o.data) - 1)
	return slices.Sorted(maps.Keys(places))
}

// TestPowerCutAtAnyWrite replays all that SQLite wrote in the life of a history, and cuts the power in every write: what SQLite
// then finds is whole, and is exactly a prefix of the commits, with all that had been promised.
//
// That holds for a disk that keeps what it was asked to flush. One that lies about it, as some cards do, may lose what was
// promised or leave a file that has to be set aside; no test at this level can show what such a card does.
func TestPowerCutAtAnyWrite(t *testing.T) {
	operations, marks := recordRun(t, 12)
	folder, d := t.TempDir(), disk{}
	count, bytes := 0, 0
	step := step(t)
	for k, o := range operations {
		for _, arrived := range cuts(o, step) {
			about := fmt.Sprintf("operation %d on %s at %d, of %d bytes %d", k, o.file, o.offset, len(o.data), arrived)
			got, err := found(lay(t, folder, d.whole(o, arrived)))
			require.NoError(t, err, about)
			requirePrefix(t, got, marks, k, about)
			count++
		}
		d.apply(o)
		bytes += len(o.data)
	}
	t.Logf("%d operations that wrote %d bytes, cut at %d places", len(operations), bytes, count)
	require.Greater(t, count, len(operations))
}

// TestPowerCutTearsWhatIsNotFlushed cuts the power at every operation of the same life, and lets arrive of what was not flushed by then
// any sectors in any order: the file opens clean as a store, nothing is set aside, and what it holds is exactly a prefix of the
// commits.
func TestPowerCutTearsWhatIsNotFlushed(t *testing.T) {
	seed := uint64(20260714)
	if text := os.Getenv("DEWLINE_CUT_SEED"); text != "" {
		n, err := strconv.ParseUint(text, 10, 64)
		require.NoError(t, err, "DEWLINE_CUT_SEED")
		seed = n
	}
	operations, marks := recordRun(t, 12)
	rng := rand.New(rand.NewPCG(seed, 0))
	d := disk{}
	count := 0
	for k, o := range operations {
		for range tears {
			folder := t.TempDir()
			path := lay(t, folder, d.torn(rng))
			s := quick(t, path, Options{})
			about := fmt.Sprintf("before operation %d on %s, tear %d", k, o.file, count)
			require.Empty(t, s.Notices(), about)
			entries, err := s.Journal(t.Context(), Filter{Limit: maxLimit})
			require.NoError(t, err, about)
			got := committed{readings: len(collect(t, s, water, instant.None, 0)), entries: uint64(len(entries))}
			requirePrefix(t, got, marks, k, about)
			least, _ := promised(marks, k)
			checkHolds(t, s, least)
			abandon(s)
			require.NoError(t, os.RemoveAll(folder))
			count++
		}
		d.apply(o)
	}
	t.Logf("%d operations, torn %d times, DEWLINE_CUT_SEED=%d", len(operations), count, seed)
}

// A first page that a power cut has torn while a checkpoint wrote it is still whole in the log.
func TestTornFirstPage(t *testing.T) {
	for name, rubbish := range map[string]string{"nothing": "\x00", "rubbish": "\x5a"} {
		t.Run(name, func(t *testing.T) {
			s := begin(t, tempPath(t))
			fill(s, "run", water, noon.Add(10*second), 10*second, 20)
			require.NoError(t, s.Commit(t.Context()))
			log, err := os.ReadFile(s.path + "-wal")
			require.NoError(t, err)
			file, err := os.ReadFile(s.path)
			require.NoError(t, err)
			abandon(s)
			copy(file, strings.Repeat(rubbish, sector))
			path := lay(t, t.TempDir(), map[string][]byte{"history.db": file, "history.db-wal": log})
			s = begin(t, path)
			assert.Empty(t, s.Notices())
			assert.Len(t, collect(t, s, water, instant.None, 0), 20)
		})
	}
}

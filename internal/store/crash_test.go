package store

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
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

// committed is what must be there once the log has reached a length.
type committed struct {
	log      int64
	readings int
	entries  uint64
	done     int // readings that the state of the core has seen
}

// TestPowerCutAtAnyByte cuts the log off at many lengths, as a power cut leaves it, and sometimes scribbles over its end. What
// opens must be whole, and hold everything that had been committed by then.
func TestPowerCutAtAnyByte(t *testing.T) {
	path := tempPath(t)
	s := begin(t, path)
	logSize := func() int64 {
		info, err := os.Stat(path + "-wal")
		require.NoError(t, err)
		return info.Size()
	}
	var history []committed
	state := committed{log: logSize()}
	history = append(history, state)
	at := noon
	for i := range 90 {
		if i%3 == 2 {
			state.entries++
			state.done = state.readings
			e := entry(state.entries, at, journal.AlarmRaised)
			require.NoError(t, s.Record(t.Context(), []*journal.Entry{e},
				[]OutboxItem{{"mqtt", queue.Item{Event: e.ID(), Class: queue.Alarm, Topic: "events", Body: []byte(e.ID()), At: at}}},
				nthState(state.entries, strconv.Itoa(state.done))))
		} else {
			at = fill(s, "run-1", water, at.Add(10*second), 10*second, 20)
			state.readings += 20
			require.NoError(t, s.Commit(t.Context()))
		}
		state.log = logSize()
		history = append(history, state)
	}
	base, err := os.ReadFile(path)
	require.NoError(t, err)
	log, err := os.ReadFile(path + "-wal")
	require.NoError(t, err)

	for cut := int64(0); cut <= int64(len(log)); cut += 9973 {
		folder := t.TempDir()
		copied := filepath.Join(folder, "history.db")
		require.NoError(t, os.WriteFile(copied, base, 0o600))
		torn := append([]byte(nil), log[:cut]...)
		if cut%2 == 1 {
			// The card had written the last sector with something else.
			copy(torn[max(0, len(torn)-512):], strings.Repeat("scribble", 64))
			cut -= 512
		}
		require.NoError(t, os.WriteFile(copied+"-wal", torn, 0o600))
		var want committed
		for _, c := range history {
			if c.log <= cut {
				want = c
			}
		}
		if cut%2 == 1 {
			cut += 512
		}
		if want.log == 0 {
			want = committed{} // even the tables were not there yet
		}
		opened := begin(t, copied)
		assert.Empty(t, opened.Notices(), "cut at %d", cut)
		checkHolds(t, opened, want)
		require.NoError(t, opened.Close(t.Context()))
	}
}

// checkHolds looks for everything that was committed. More may be there.
func checkHolds(t *testing.T, s *Store, want committed) {
	t.Helper()
	readings := collect(t, s, water, instant.None, 0)
	require.GreaterOrEqual(t, len(readings), want.readings)
	for i, r := range readings {
		require.Equal(t, noon.Add(time.Duration(i+1)*10*second), r.At)
		require.Equal(t, valueAt(r.At), r.Value)
	}
	entries, err := s.Journal(t.Context(), Filter{Limit: maxLimit})
	require.NoError(t, err)
	require.GreaterOrEqual(t, uint64(len(entries)), want.entries)
	items, err := s.Queue("mqtt").Next(0, maxLimit)
	require.NoError(t, err)
	require.Len(t, items, len(entries), "an entry and its item come together")
	for i, e := range entries {
		require.Equal(t, uint64(len(entries)-i), e.Seq)
		require.Equal(t, e.ID(), string(items[len(items)-1-i].Body))
	}
	if len(entries) > 0 {
		seen, err := strconv.Atoi(newestState(t, s, uint64(len(entries))))
		require.NoError(t, err)
		require.GreaterOrEqual(t, seen, want.done)
	}
}

// TestKilledProcess kills a process that writes, again and again on the same file. What it had reported as durable
// must be there.
func TestKilledProcess(t *testing.T) {
	path := tempPath(t)
	want := committed{}
	for round := range 4 {
		child := exec.Command(os.Args[0], "-test.run=^TestWriterProcess$", "-test.count=1")
		child.Env = append(os.Environ(), "DEWLINE_TEST_WRITE="+path)
		out, err := child.StdoutPipe()
		require.NoError(t, err)
		child.Stderr = os.Stderr
		require.NoError(t, child.Start())
		lines := bufio.NewScanner(out)
		for count := 0; count < 20+7*round && lines.Scan(); count++ {
			_, err := fmt.Sscanf(lines.Text(), "%d %d", &want.readings, &want.entries)
			require.NoError(t, err)
		}
		require.NoError(t, child.Process.Kill())
		// What it still managed to report counts as well.
		for lines.Scan() {
			var later committed
			if n, err := fmt.Sscanf(lines.Text(), "%d %d", &later.readings, &later.entries); n == 2 && err == nil {
				want = later
			}
		}
		_ = child.Wait() // it was killed
		s := begin(t, path)
		require.Empty(t, s.Notices())
		want.done = 0
		checkHolds(t, s, want)
		require.NoError(t, s.Close(t.Context()))
	}
	require.Positive(t, want.entries)
}

// TestWriterProcess is the process that is killed. It reports on standard output what it knows to be durable.
func TestWriterProcess(t *testing.T) {
	path := os.Getenv("DEWLINE_TEST_WRITE")
	if path == "" {
		path = tempPath(t) // as a test of its own it writes a little, and ends
	}
	s := begin(t, path)
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	done := collect(t, s, water, instant.None, 0)
	entries, err := s.Journal(ctx, Filter{Limit: 1})
	require.NoError(t, err)
	readings, seq := len(done), uint64(0)
	if len(entries) > 0 {
		seq = entries[0].Seq
	}
	for i := 0; os.Getenv("DEWLINE_TEST_WRITE") != "" || i < 5; i++ {
		fill(s, "run", water, noon.Add(time.Duration(readings+1)*10*second), 10*second, 25)
		require.NoError(t, s.Commit(ctx))
		readings += 25
		seq++
		e := entry(seq, noon, journal.Note)
		require.NoError(t, s.Record(ctx, []*journal.Entry{e}, []OutboxItem{{"mqtt", queue.Item{Event: e.ID(), Class: queue.Alarm, Body: []byte(e.ID())}}}, nthState(seq, "0")))
		_, err := fmt.Fprintln(writerOutput(), readings, seq)
		require.NoError(t, err)
	}
}

func writerOutput() io.Writer {
	if os.Getenv("DEWLINE_TEST_WRITE") == "" {
		return io.Discard
	}
	return os.Stdout
}

// A new run after a crash goes on where the last one ended, and its readings join those of the last.
func TestRestartKeepsGrowingChunks(t *testing.T) {
	s := begin(t, tempPath(t))
	last := fill(s, "run-1", water, noon, 10*second, 50)
	require.NoError(t, s.Commit(t.Context()))
	abandon(s)
	s = begin(t, s.path)
	fill(s, "run-2", water, last.Add(hour), 10*second, 50)
	assert.Len(t, collect(t, s, water, instant.None, 0), 100)
	require.NoError(t, s.Commit(t.Context()))
	s = again(t, s)
	all := collect(t, s, water, instant.None, 0)
	require.Len(t, all, 100)
	assert.Equal(t, "run-1", s.Run(all[0].Segment))
	assert.Equal(t, "run-2", s.Run(all[99].Segment))
	assert.Equal(t, quantity.Pass, all[99].Flag)
}

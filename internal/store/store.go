package store

import (
	"cmp"
	"context"
	"errors"
	"log/slog"
	"maps"
	"os"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"modernc.org/sqlite"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/deliver/queue"
)

// Options are the surroundings of a store. The zero value is usable.
type Options struct {
	Log *slog.Logger     // nil means silence
	Now func() time.Time // the wall clock; nil means time.Now
	// ReadOnly opens the file for queries alone, beside a daemon that writes it. Such a store sees the file as it is, and
	// what grows in it as it was at the time of opening.
	ReadOnly bool
	// Pending is how many readings are kept in memory while the disk does not take them; 0 means 1,000,000, which is five
	// days of 20 points at 10 s and about 2 MB. Beyond it the oldest are given up.
	Pending int
	// Bounds of the queue of each notifier; 0 means the defaults of package deliver.
	OutboxItems, OutboxBytes int
	OutboxAge                time.Duration
	// Patience is how long [Store.Record] waits for the disk; 0 means as long as it takes.
	Patience time.Duration
}

// Store is a history file. Its methods may be called from any goroutine. It joins parts that know the file and their own matters:
// Store itself decides what goes into one transaction, and when the file is opened, replaced and closed.
type Store struct {
	*file
	*chunkMemory
	*readingQueries
	*pendingJournal
	*outbox
	*pruner
	*progressNotes
}

// file is the database file with its write-ahead log, as all parts share it.
type file struct {
	path    string
	options Options
	log     *slog.Logger

	write sync.Mutex   // one transaction at a time; taken before mu
	mu    sync.RWMutex // guards the memory of all parts; never held while a disk works; taken before a queue's
	db    *database    // nil while the file cannot be opened; guarded by mu
	lock  writeLock
	probe diskProbe
	seen  os.FileInfo // the file as it was opened; nil before; guarded by write
	// closed is guarded by write.
	closed bool
	damageWatch
	monitor
}

// damageWatch is what is known of damage to the file. Apart from suspect it is guarded by file.write.
type damageWatch struct {
	seenLog os.FileInfo // the write-ahead log in use; nil before there is one
	logMark logMark     // how much of the log was whole at the last write
	doubt   int         // findings of damage in a row
	suspect atomic.Bool // a query has found damage
	// reopen says that the file could not be written as it was opened: it has to be opened again once it may be written.
	reopen                   bool
	examined, recoveryFailed time.Time // when that was last
}

// monitor is what [Store.Health] and [Store.Notices] report. It is guarded by file.mu.
type monitor struct {
	health  Health
	writing time.Time // since when a write has been under way, by the machine's clock; zero while none is
	late    bool      // the last write has not ended in time
	left    bool      // something was left to the write that is under way
	notices []Notice
}

// Health is the condition of the store.
type Health struct {
	Bytes           int64         // of the file and its log
	WriteErrors     uint64        // attempts to write that failed
	LastError       error         // of the last attempt; nil after a success
	Writing         time.Duration // how long a write has been under way; 0 while none is
	LastCommit      instant.Instant
	PendingReadings int    // in memory only
	PendingEntries  int    // of the journal, in memory only
	Dropped         uint64 // readings that found no room in memory
	DroppedEntries  uint64
	DroppedItems    uint64 // outbox items given up for want of room or for age
}

// Notice is something the keeper must hear of, once.
type Notice struct{ Text string }

// Open opens the history file at path, and makes it and its folder where they do not exist. A damaged file is set aside
// as FILE.corrupt-TIME and reported by [Store.Notices]. With [ErrForeign], [ErrNewer] and [ErrBusy] there is no store; any other
// failure gives one as well, beside the error: it works in memory, and each Commit tries to open the file again.
func Open(path string, options Options) (*Store, error) {
	s := newStore(path, options)
	s.health.LastCommit = instant.None
	// Spares the card the time stamps of the file at each commit, and is as durable. Where there is no such thing all stays as it is.
	_, _ = sqlite.Fdatasync(true)
	s.write.Lock()
	defer s.write.Unlock()
	err := s.attach(context.Background())
	s.note(err)
	if refused(err) || err != nil && options.ReadOnly {
		s.lock.release()
		return nil, err
	}
	return s, err
}

// newStore joins the parts of a store whose file is not open.
func newStore(path string, options Options) *Store {
	if options.Now == nil {
		options.Now = time.Now
	}
	options.Log = cmp.Or(options.Log, slog.New(slog.DiscardHandler))
	options.Pending = cmp.Or(options.Pending, 1_000_000)
	options.OutboxItems = cmp.Or(options.OutboxItems, queue.DefaultItems)
	options.OutboxBytes = cmp.Or(options.OutboxBytes, queue.DefaultBytes)
	options.OutboxAge = cmp.Or(options.OutboxAge, queue.DefaultAge)
	f := &file{path: path, options: options, log: options.Log, lock: writeLock{path: path + lockSuffix}, probe: diskProbe{path: path}}
	m := &chunkMemory{
		file: f, points: map[quantity.Point]*series{}, runs: map[int64]string{}, segments: map[int64]string{}, newest: instant.None,
	}
	s := &Store{file: f, chunkMemory: m, readingQueries: &readingQueries{m}, pruner: &pruner{m}, pendingJournal: &pendingJournal{file: f}}
	s.progressNotes = &progressNotes{file: f, notes: map[string][]byte{}, changed: map[string][]byte{}}
	s.outbox = &outbox{file: f, queues: map[string]*Queue{}, flush: func() {
		_ = s.writeSoon(context.Background(), "writing the outbox") // Health reports a failure
	}}
	return s
}

// Close writes what is in memory and closes the file.
func (s *Store) Close(ctx context.Context) error {
	var err error
	if !s.options.ReadOnly {
		err = s.Commit(ctx)
	}
	s.write.Lock()
	defer s.write.Unlock()
	s.mu.Lock()
	db := s.db
	s.db, s.closed = nil, true
	s.mu.Unlock()
	if closing := db.close(); err == nil {
		err = s.explain("closing it", closing)
	}
	s.lock.release()
	return err
}

// Health returns the condition of the store. It does not touch the disk.
func (s *Store) Health() Health {
	s.mu.RLock()
	h := s.health
	h.PendingReadings, h.Dropped = s.pending, s.dropped
	if !s.writing.IsZero() {
		h.Writing = time.Since(s.writing)
	}
	queues := slices.Collect(maps.Values(s.queues))
	s.mu.RUnlock()
	for _, q := range queues {
		h.DroppedItems += q.Dropped()
	}
	return h
}

// Notices returns what has been found since the store was opened.
func (f *file) Notices() []Notice {
	f.mu.RLock()
	defer f.mu.RUnlock()
	return append([]Notice(nil), f.notices...)
}

// addNotice logs a notice and keeps it for [file.Notices].
func (f *file) addNotice(text string) {
	f.log.Warn("history: " + text)
	f.mu.Lock()
	f.notices = append(f.notices, Notice{text})
	f.mu.Unlock()
}

// note keeps the outcome of an attempt to write.
func (f *file) note(err error) {
	var size int64
	for _, suffix := range []string{"", "-wal"} {
		if info, err := os.Stat(f.path + suffix); err == nil {
			size += info.Size()
		}
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.health.Bytes, f.writing = size, time.Time{}
	f.late = errors.Is(err, ErrBusy)
	f.health.LastError = err
	if err != nil {
		f.health.WriteErrors++
	}
}

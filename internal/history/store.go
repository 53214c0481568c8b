package history

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"modernc.org/sqlite"

	"dewline/internal/instant"
	"dewline/internal/outlet"
	"dewline/internal/quantity"
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
	// Bounds of each outlet's queue; 0 means the defaults of package outlet.
	OutboxItems, OutboxBytes int
	OutboxAge                time.Duration
	// Patience is how long [Store.Record] waits for the disk; 0 means as long as it takes.
	Patience time.Duration
}

// Store is a history file. Its methods may be called from any goroutine.
type Store struct {
	path    string
	options Options
	log     *slog.Logger

	write   sync.Mutex  // one transaction at a time; taken before mu
	seen    os.FileInfo // the file as it was opened; nil before
	seenLog os.FileInfo // its write-ahead log, likewise
	logMark logMark     // how much of the log was whole at the last write
	doubt   int         // findings of damage in a row
	suspect atomic.Bool // a query has found damage
	// reopen says that the file could not be written as it was opened: it has to be opened again once it may be written.
	reopen                   bool
	examined, recoveryFailed time.Time    // when that was last
	recent                   recentWrites // guarded by mu
	closed                   bool
	lock                     *os.File // held while this program writes the history

	lastItem atomic.Uint64

	mu          sync.RWMutex // guards what follows; never held while a disk works; taken before a queue's
	queues      map[string]*Queue
	db          *database // nil while the file cannot be opened
	points      map[quantity.Point]*series
	order       []*series
	run         string
	segment     int64            // the one in use; 0 before the first reading
	runs        map[int64]string // segment → run
	segments    map[int64]string // those not written yet
	lastSegment int64
	lastChunk   int64
	newest      instant.Instant // time of the newest reading of the segment
	pending     int             // readings not written yet
	dropped     uint64
	amendments  []amendment
	missed      []held // entries and states that are not recorded yet
	lastHeld    uint64
	card        card
	writing     time.Time // since when a write has been under way, by the machine's clock; zero while none is
	late        bool      // the last write has not ended in time
	shifts      []Shift   // not written yet
	health      Health
	notices     []Notice
	encoder     encoder
	decoder     decoder
}

// Health tells how the store does.
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

// Notice is something the keeper must be told, once.
type Notice struct {
	At   time.Time
	Text string
}

// Open opens the history file at path, and makes it and its folder where they do not exist. A damaged file is set aside
// as FILE.corrupt-TIME and told by [Store.Notices]. With [ErrForeign], [ErrNewer] and [ErrBusy] there is no store; any other
// failure gives one as well, beside the error: it works in memory, and each Commit tries to open the file again.
func Open(path string, options Options) (*Store, error) {
	if options.Log == nil {
		options.Log = slog.New(slog.DiscardHandler)
	}
	if options.Now == nil {
		options.Now = time.Now
	}
	if options.Pending == 0 {
		options.Pending = 1_000_000
	}
	if options.OutboxItems == 0 {
		options.OutboxItems = outlet.DefaultItems
	}
	if options.OutboxBytes == 0 {
		options.OutboxBytes = outlet.DefaultBytes
	}
	if options.OutboxAge == 0 {
		options.OutboxAge = outlet.DefaultAge
	}
	s := &Store{
		path: path, card: card{path: path}, options: options, log: options.Log, queues: map[string]*Queue{},
		points: map[quantity.Point]*series{}, runs: map[int64]string{}, segments: map[int64]string{}, newest: instant.None,
	}
	s.health.LastCommit = instant.None
	// Spares the card the time stamps of the file at each commit, and is as durable. Where there is no such thing all stays as it is.
	_, _ = sqlite.Fdatasync(true)
	s.write.Lock()
	defer s.write.Unlock()
	err := s.attach(context.Background())
	s.note(err)
	if refused(err) || err != nil && options.ReadOnly {
		s.release()
		return nil, err
	}
	return s, err
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
	s.release()
	return err
}

// Health tells how the store does. It does not touch the disk.
func (s *Store) Health() Health {
	s.mu.RLock()
	h := s.health
	h.PendingReadings, h.Dropped = s.pending, s.dropped
	if !s.writing.IsZero() {
		h.Writing = time.Since(s.writing)
	}
	queues := make([]*Queue, 0, len(s.queues))
	for _, q := range s.queues {
		queues = append(queues, q)
	}
	s.mu.RUnlock()
	for _, q := range queues {
		h.DroppedItems += q.Dropped()
	}
	return h
}

// Notices returns what has been found since the store was opened.
func (s *Store) Notices() []Notice {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return append([]Notice(nil), s.notices...)
}

func (s *Store) tell(text string) {
	s.log.Warn("history: " + text)
	s.mu.Lock()
	s.notices = append(s.notices, Notice{s.options.Now(), text})
	s.mu.Unlock()
}

// note keeps the outcome of an attempt to write.
func (s *Store) note(err error) {
	var size int64
	for _, suffix := range []string{"", "-wal"} {
		if info, err := os.Stat(s.path + suffix); err == nil {
			size += info.Size()
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.health.Bytes, s.writing = size, time.Time{}
	s.late = errors.Is(err, ErrBusy)
	s.health.LastError = err
	if err != nil {
		s.health.WriteErrors++
	}
}

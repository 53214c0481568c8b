package store

import (
	"bytes"
	"compress/flate"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/deliver/queue"
	"dewline/internal/format/plainjson"
)

// pendingRecord is what one call of Record writes, apart from the outbox.
type pendingRecord struct {
	number  uint64 // rises
	entries []journal.Entry
	state   []byte // compressed; nil for none
	part    []byte // of the state, on top of the last one; nil for none
	reach   Reach
}

// pendingJournal holds the entries, states of the core and shifts that are not in the file yet. file.mu guards it.
type pendingJournal struct {
	*file
	unwritten  []pendingRecord
	lastRecord uint64
	shifts     []Shift
	recent     recentWrites
}

// Reach says what had gone into a state of the core.
type Reach struct {
	At      instant.Instant // the time of the newest reading or entry
	Segment int64           // the one in use; earlier ones had all been seen
}

// maxUnwritten bounds the entries kept in memory while the disk fails.
const maxUnwritten = 20_000

// State is a state of the core, as [watch.Core.Save] gives it.
type State struct {
	Data []byte // nil for none
	Part bool   // it belongs on top of what was recorded before
}

// Record makes journal entries, the outbox items that belong to them, and the state of the core durable: all of them together, or on
// error none. Then they are kept in memory, the items can be seen by their notifiers all the same, and the next call that writes
// tries again: do not hand them over a second time (it would change nothing, since entries are known by run and number and items by
// their event). A disk that does not answer within [Options.Patience] is such an error ([ErrSlow]): no alarm is delayed longer than
// that by the disk.
func (s *Store) Record(ctx context.Context, entries []*journal.Entry, items []OutboxItem, state State) error {
	touched, err := s.hold(entries, items, state)
	if err != nil {
		return err
	}
	err = s.writeSoon(ctx, "writing the journal")
	for _, q := range touched {
		q.show()
	}
	if err != nil {
		s.trimUnwritten()
	}
	return err
}

// Keep hands a state of the core to the next call that writes. Call it every half an hour with a whole one, so that little has to be
// replayed after a power cut.
func (s *Store) Keep(state State) error {
	_, err := s.hold(nil, nil, state)
	return err
}

// hold puts entries, items and a state in memory, all at one blow, for the next transaction.
func (s *Store) hold(entries []*journal.Entry, items []OutboxItem, state State) (touched []*Queue, err error) {
	h := pendingRecord{reach: Reach{At: instant.None}}
	for _, e := range entries {
		h.entries = append(h.entries, *e)
		h.reach.At = max(h.reach.At, e.At)
	}
	switch {
	case state.Part:
		h.part = state.Data
	case state.Data != nil:
		if h.state, err = deflate(state.Data); err != nil {
			return nil, fmt.Errorf("history: packing the state of the core: %w", err)
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	h.reach.At = max(h.reach.At, s.newest)
	if h.reach.Segment = s.segment; s.segment == 0 {
		h.reach.Segment = s.lastSegment + 1
	}
	if h.reach.At.IsNone() {
		h.reach.At = instant.Of(s.options.Now())
	}
	for _, i := range items {
		q := s.queue(i.Notifier)
		if _, err := q.put(i.Item); err != nil && !errors.Is(err, queue.ErrFull) {
			return nil, err
		}
		touched = append(touched, q)
	}
	s.lastRecord++
	h.number = s.lastRecord
	s.unwritten = append(s.unwritten, h)
	return touched, nil
}

// trimUnwritten keeps what could not be recorded within bounds: the newest state only, and the newest entries.
func (j *pendingJournal) trimUnwritten() {
	j.mu.Lock()
	defer j.mu.Unlock()
	count, dropped := 0, 0
	for i := range slices.Backward(j.unwritten) {
		h := &j.unwritten[i]
		if i < len(j.unwritten)-1 {
			// An older state is of no use once there is a newer one.
			if slices.ContainsFunc(j.unwritten[i+1:], func(later pendingRecord) bool { return later.state != nil }) {
				h.state, h.part = nil, nil
			}
		}
		if room := max(0, maxUnwritten-count); len(h.entries) > room {
			dropped += len(h.entries) - room
			h.entries = h.entries[len(h.entries)-room:] // a write that is under way may be using the others
		}
		count += len(h.entries)
	}
	j.unwritten = slices.DeleteFunc(j.unwritten, pendingRecord.empty)
	j.countUnwritten()
	j.health.DroppedEntries += uint64(dropped)
}

// countUnwritten counts the entries that are in memory only. Store.mu is held.
func (j *pendingJournal) countUnwritten() {
	j.health.PendingEntries = 0
	for i := range j.unwritten {
		j.health.PendingEntries += len(j.unwritten[i].entries)
	}
}

func (h pendingRecord) empty() bool { return len(h.entries) == 0 && h.state == nil && h.part == nil }

const (
	insertEntry = `INSERT INTO journal (run, seq, at, kind, alarm, place, body) VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT (run, seq) DO NOTHING`
	insertPart  = "INSERT INTO core_part (state) VALUES (?)"
)

func (h pendingRecord) write(ctx context.Context, tx transaction) error {
	for i := range h.entries {
		e := &h.entries[i]
		body, err := plainjson.Of(e)
		if err != nil {
			return fmt.Errorf("entry %s: %w", e.ID(), err)
		}
		if err := tx.exec(ctx, insertEntry, e.Run, int64(e.Seq), millis(e.At), string(e.Kind), text(e.Alarm), text(e.Place), string(body)); err != nil {
			return err
		}
	}
	if h.part != nil {
		return tx.exec(ctx, insertPart, h.part)
	}
	if h.state == nil {
		return nil
	}
	if err := tx.exec(ctx, "DELETE FROM core_part"); err != nil {
		return err
	}
	return tx.exec(ctx, "INSERT OR REPLACE INTO core (id, at, state, segment) VALUES (1, ?, ?, ?)", millis(h.reach.At), h.state, h.reach.Segment)
}

// text is how an empty field is kept.
func text(s string) sql.Null[string] { return sql.Null[string]{V: s, Valid: s != ""} }

// LoadCore returns the last state of the core that was recorded, the parts that belong on top of it, and what had gone into it; nil where
// there is none. [Store.ReadingsSince] from a little earlier brings the core up to date: it knows by itself what it has seen already.
func (j *pendingJournal) LoadCore() (state []byte, parts [][]byte, reach Reach, err error) {
	j.mu.RLock()
	db := j.db
	var packed []byte
	for _, h := range j.unwritten {
		switch {
		case h.state != nil:
			packed, parts, reach = h.state, nil, h.reach
		case h.part != nil:
			parts = append(parts, h.part)
		}
	}
	j.mu.RUnlock()
	if packed == nil && db != nil {
		var stored [][]byte
		if packed, stored, reach, err = loadCore(db.reader); errors.Is(err, sql.ErrNoRows) {
			return nil, nil, Reach{At: instant.None}, nil
		}
		parts = append(stored, parts...)
	}
	if err == nil && packed != nil {
		state, err = inflate(packed)
	}
	if err != nil || state == nil {
		return nil, nil, Reach{At: instant.None}, j.explain("reading the state of the core", err)
	}
	return state, parts, reach, nil
}

func loadCore(db *sql.DB) (packed []byte, parts [][]byte, reach Reach, err error) {
	var ms int64
	if err = db.QueryRow("SELECT state, at, segment FROM core").Scan(&packed, &ms, &reach.Segment); err != nil {
		return nil, nil, reach, err
	}
	reach.At = fromMillis(ms)
	parts, err = collected(scanned(context.Background(), db, func(rows *sql.Rows) (part []byte, err error) {
		err = rows.Scan(&part)
		return part, err
	}, "SELECT state FROM core_part ORDER BY id"))
	return packed, parts, reach, err
}

// packers are kept for the next state, since making one costs more than a megabyte.
var packers = sync.Pool{New: func() any {
	w, err := flate.NewWriter(nil, flate.BestSpeed)
	if err != nil {
		panic(err) // only an unknown level is an error
	}
	return w
}}

// deflate packs a state. The loop waits for it: the fastest level takes a third to a half of the time of the usual one, and a tenth to a
// quarter more bytes.
func deflate(data []byte) ([]byte, error) {
	var b bytes.Buffer
	w, _ := packers.Get().(*flate.Writer) // the pool holds nothing else
	defer packers.Put(w)
	w.Reset(&b)
	if _, err := w.Write(data); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// maxState bounds what a state may grow to when it is unpacked.
const maxState = 64 << 20

func inflate(packed []byte) ([]byte, error) {
	data, err := io.ReadAll(io.LimitReader(flate.NewReader(bytes.NewReader(packed)), maxState+1))
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errDamaged, err)
	}
	if len(data) > maxState {
		return nil, fmt.Errorf("%w: it unpacks to more than %d bytes", errDamaged, maxState)
	}
	return data, nil
}

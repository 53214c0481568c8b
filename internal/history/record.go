package history

import (
	"bytes"
	"compress/flate"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"

	"dewline/internal/instant"
	"dewline/internal/journal"
	"dewline/internal/outlet"
)

// held is what one call of Record writes, apart from the outbox.
type held struct {
	number  uint64 // rises
	entries []journal.Entry
	state   []byte // compressed; nil for none
	reach   Reach
}

// Reach tells what had gone into a state of the core.
type Reach struct {
	At      instant.Instant // the time of the newest reading or entry
	Segment int64           // the one in use; earlier ones had all been seen
}

// maxMissed bounds the entries kept in memory while the disk fails.
const maxMissed = 20_000

// Record makes journal entries, the outbox items that belong to them, and the state of the core ([watch.Core.Snapshot];
// nil for none) durable: all of them together, or on error none. Then they are kept in memory, the items can be
// seen by their outlets all the same, and the next call that writes tries again: do not hand them over a second time
// (it would change nothing, since entries are known by run and number and items by their event). A disk that does not answer
// within [Options.Patience] is such an error ([ErrSlow]): nobody is told of an alarm later than that because of it.
//
// Call it with a state alone every half an hour, so that little has to be replayed after a power cut.
func (s *Store) Record(ctx context.Context, entries []*journal.Entry, items []OutboxItem, state []byte) error {
	h := held{reach: Reach{At: instant.None}}
	for _, e := range entries {
		h.entries = append(h.entries, *e)
		h.reach.At = max(h.reach.At, e.At)
	}
	if state != nil {
		packed, err := deflate(state)
		if err != nil {
			return fmt.Errorf("history: packing the state of the core: %w", err)
		}
		h.state = packed
	}
	touched, err := s.hold(h, items)
	if err != nil {
		return err
	}
	err = s.writeSoon(ctx, "writing the journal", false)
	for _, q := range touched {
		q.show()
	}
	if err != nil {
		s.trimMissed()
	}
	return err
}

// hold puts entries and items in memory, all at one blow, for the next transaction.
func (s *Store) hold(h held, items []OutboxItem) (touched []*Queue, err error) {
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
		q := s.queue(i.Outlet)
		if _, err := q.put(i.Item); err != nil && !errors.Is(err, outlet.ErrFull) {
			return nil, err
		}
		touched = append(touched, q)
	}
	s.lastHeld++
	h.number = s.lastHeld
	s.missed = append(s.missed, h)
	return touched, nil
}

// trimMissed keeps what could not be recorded within bounds: the newest state only, and the newest entries.
func (s *Store) trimMissed() {
	s.mu.Lock()
	defer s.mu.Unlock()
	count, dropped := 0, 0
	for i := range slices.Backward(s.missed) {
		h := &s.missed[i]
		if i < len(s.missed)-1 {
			// An older state is of no use once there is a newer one.
			if slices.ContainsFunc(s.missed[i+1:], func(later held) bool { return later.state != nil }) {
				h.state = nil
			}
		}
		if room := max(0, maxMissed-count); len(h.entries) > room {
			dropped += len(h.entries) - room
			h.entries = h.entries[len(h.entries)-room:] // somebody may be writing the others just now
		}
		count += len(h.entries)
	}
	s.missed = slices.DeleteFunc(s.missed, func(h held) bool { return len(h.entries) == 0 && h.state == nil })
	s.countMissed()
	s.health.DroppedEntries += uint64(dropped)
}

// countMissed counts the entries that are in memory only. Store.mu is held.
func (s *Store) countMissed() {
	s.health.PendingEntries = 0
	for i := range s.missed {
		s.health.PendingEntries += len(s.missed[i].entries)
	}
}

func (h held) write(ctx context.Context, tx *sql.Tx) error {
	for i := range h.entries {
		e := &h.entries[i]
		body, err := json.Marshal(e)
		if err != nil {
			return fmt.Errorf("entry %s: %w", e.ID(), err)
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO journal (run, seq, at, kind, alarm, place, body) VALUES (?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT (run, seq) DO NOTHING`,
			e.Run, int64(e.Seq), millis(e.At), string(e.Kind), text(e.Alarm), text(e.Place), string(body)); err != nil {
			return err
		}
	}
	if h.state == nil {
		return nil
	}
	_, err := tx.ExecContext(ctx, "INSERT OR REPLACE INTO core (id, at, state, segment) VALUES (1, ?, ?, ?)", millis(h.reach.At), h.state, h.reach.Segment)
	return err
}

// text is how an empty field is kept.
func text(s string) any {
	if s == "" {
		return nil
	}
	return s
}

// LoadCore returns the last state of the core that was recorded, and what had gone into it; nil where there is none.
// [Store.ReadingsSince] from a little earlier brings the core up to date: it knows by itself what it has seen already.
func (s *Store) LoadCore() (state []byte, reach Reach, err error) {
	s.mu.RLock()
	db := s.db
	var newest held
	for _, h := range s.missed {
		if h.state != nil {
			newest = h
		}
	}
	s.mu.RUnlock()
	if newest.state != nil {
		state, err = inflate(newest.state)
		return state, newest.reach, s.explain("reading the state of the core", err)
	}
	if db == nil {
		return nil, Reach{At: instant.None}, nil
	}
	var packed []byte
	var ms int64
	err = db.reader.QueryRow("SELECT state, at, segment FROM core").Scan(&packed, &ms, &reach.Segment)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, Reach{At: instant.None}, nil
	}
	if err == nil {
		state, err = inflate(packed)
	}
	if err != nil {
		return nil, Reach{At: instant.None}, s.explain("reading the state of the core", err)
	}
	reach.At = fromMillis(ms)
	return state, reach, nil
}

func deflate(data []byte) ([]byte, error) {
	var b bytes.Buffer
	w, err := flate.NewWriter(&b, flate.DefaultCompression)
	if err != nil {
		return nil, err
	}
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

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
	"time"

	"dewline/internal/instant"
	"dewline/internal/journal"
	"dewline/internal/outlet"
)

// held is what one call of Record writes, apart from the outbox.
type held struct {
	entries []journal.Entry
	state   []byte // compressed; nil for none
	at      instant.Instant
}

// maxMissed bounds the entries kept in memory while the disk fails.
const maxMissed = 20_000

// Record makes journal entries, the outbox items that belong to them, and the state of the core ([watch.Core.Snapshot];
// nil for none) durable: all of them together, or on error none. Then they are kept in memory, the items can be
// seen by their outlets all the same, and the next call that writes tries again: do not hand them over a second time
// (it would change nothing, since entries are known by run and number and items by their event).
//
// Call it with a state alone every half an hour, so that little has to be replayed after a power cut.
func (s *Store) Record(ctx context.Context, entries []*journal.Entry, items []OutboxItem, state []byte) error {
	h := held{at: instant.None}
	for _, e := range entries {
		h.entries = append(h.entries, *e)
		h.at = max(h.at, e.At)
	}
	if state != nil {
		packed, err := deflate(state)
		if err != nil {
			return fmt.Errorf("history: packing the state of the core: %w", err)
		}
		h.state = packed
	}
	s.write.Lock()
	defer s.write.Unlock()
	s.mu.RLock()
	h.at = max(h.at, s.newest)
	s.mu.RUnlock()
	if h.at.IsNone() {
		h.at = instant.Of(s.options.Now())
	}
	var touched []*Queue
	for _, i := range items {
		q := s.Queue(i.Outlet)
		if _, err := q.put(i.Item); err != nil && !errors.Is(err, outlet.ErrFull) {
			return err
		}
		touched = append(touched, q)
	}
	s.mu.Lock()
	s.missed = append(s.missed, h)
	s.mu.Unlock()
	err := s.transact(ctx, "writing the journal", false)
	for _, q := range touched {
		q.show()
	}
	if err != nil {
		s.trimMissed()
	}
	return err
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
			h.entries = slices.Delete(h.entries, 0, len(h.entries)-room)
		}
		count += len(h.entries)
	}
	s.missed = slices.DeleteFunc(s.missed, func(h held) bool { return len(h.entries) == 0 && h.state == nil })
	s.health.PendingEntries = count
	s.health.DroppedEntries += uint64(dropped)
}

// shift moves the times of the entries of a run.
func (h *held) shift(run string, by time.Duration) {
	for i := range h.entries {
		if h.entries[i].Run == run {
			h.entries[i] = shifted(h.entries[i], by)
		}
	}
}

// shifted returns the entry with all its times moved.
func shifted(e journal.Entry, by time.Duration) journal.Entry {
	e.At = e.At.Add(by)
	for _, t := range []**instant.Instant{&e.Since, &e.Until} {
		if *t != nil && !(*t).IsNone() {
			*t = new((*t).Add(by))
		}
	}
	return e
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
	_, err := tx.ExecContext(ctx, "INSERT OR REPLACE INTO core (id, at, state) VALUES (1, ?, ?)", millis(h.at), h.state)
	return err
}

// text is how an empty field is kept.
func text(s string) any {
	if s == "" {
		return nil
	}
	return s
}

// writeJournal moves the entries of the run that stand in the file.
func (m shift) writeJournal(ctx context.Context, tx *sql.Tx) error {
	rows, err := tx.QueryContext(ctx, "SELECT id, body FROM journal WHERE run = ?", m.run)
	if err != nil {
		return err
	}
	moved := map[int64]journal.Entry{}
	for rows.Next() {
		var id int64
		var body []byte
		var e journal.Entry
		if err := rows.Scan(&id, &body); err != nil {
			return errors.Join(err, rows.Close())
		}
		if err := json.Unmarshal(body, &e); err != nil {
			return errors.Join(fmt.Errorf("journal entry %d: %w: %w", id, errDamaged, err), rows.Close())
		}
		moved[id] = shifted(e, m.by)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return err
	}
	for id, e := range moved {
		body, err := json.Marshal(&e)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, "UPDATE journal SET at = ?, body = ? WHERE id = ?", millis(e.At), string(body), id); err != nil {
			return err
		}
	}
	return nil
}

// LoadCore returns the last state of the core that was recorded, and the time of the newest reading or entry that had
// gone into it; nil where there is none. [Store.ReadingsSince] a little before that time brings the core up to date: it knows
// by itself what it has seen already.
func (s *Store) LoadCore() (state []byte, at instant.Instant, err error) {
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
		return state, newest.at, s.explain("reading the state of the core", err)
	}
	if db == nil {
		return nil, instant.None, nil
	}
	var packed []byte
	var ms int64
	err = db.reader.QueryRow("SELECT state, at FROM core").Scan(&packed, &ms)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, instant.None, nil
	}
	if err == nil {
		state, err = inflate(packed)
	}
	if err != nil {
		return nil, instant.None, s.explain("reading the state of the core", err)
	}
	return state, fromMillis(ms), nil
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

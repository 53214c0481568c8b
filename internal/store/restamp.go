package store

import (
	"context"
	"database/sql"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/format/plainjson"
)

// Shift says how the record of some runs is to be corrected for a step of the clock.
type Shift struct {
	Runs []string
	By   time.Duration
	Mark int64  // the readings up to the mark that [Store.Stepped] returned at the step
	Seq  uint64 // the journal entries up to this number
}

// Restamp moves readings and journal entries by steps of the clock: for runs whose clock was not confirmed until now. It is done in
// memory at once, and in the file by the next call that writes, in the same transaction: so that a call of [Store.Record]
// makes it durable together with the state of the core that knows of it, and no power cut leaves one without the other.
//
// Rows of the outbox keep the time they were made with: they may be on their way already, and a repeat must be the same.
func (s *Store) Restamp(shifts ...Shift) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, shift := range shifts {
		shift.By = shift.By.Round(time.Millisecond)
		for _, sr := range s.order {
			s.restamp(sr, shift)
		}
		for i := range s.amendments {
			if a := &s.amendments[i]; shift.moves(s.runs[a.segment], a.segment) {
				a.at += shift.By.Milliseconds()
			}
		}
		for i := range s.unwritten {
			s.unwritten[i].shift(shift)
		}
		s.recent.shift(shift, s.runs)
		s.shifts = append(s.shifts, shift)
	}
}

// moves reports whether readings of a segment are meant.
func (m Shift) moves(run string, segment int64) bool {
	return segment <= m.Mark && slices.Contains(m.Runs, run)
}

// moved returns a chunk with its times corrected.
func (m Shift) moved(c *chunk, runs map[int64]string) *chunk {
	if !m.moves(runs[c.segment], c.segment) {
		return c
	}
	moved := *c
	moved.start += m.By.Milliseconds()
	return &moved
}

// restamp moves what is in memory of a point. Store.mu is held.
func (m *chunkMemory) restamp(sr *series, shift Shift) {
	ms := shift.By.Milliseconds()
	for i, c := range sr.closed {
		sr.closed[i] = shift.moved(c, m.runs)
	}
	if len(sr.open.at) > 0 && shift.moves(m.runs[sr.segment], sr.segment) {
		for i := range sr.open.at {
			sr.open.at[i] += ms
		}
		sr.low, sr.high = sr.low+ms, sr.high+ms
		m.close(sr)
	}
}

// shift moves the times of entries.
func (h *pendingRecord) shift(m Shift) {
	h.entries = slices.Clone(h.entries) // a write that is under way may be using the others
	for i := range h.entries {
		if e := &h.entries[i]; e.Seq <= m.Seq && slices.Contains(m.Runs, e.Run) {
			*e = shifted(*e, m.By)
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

// write moves what is in the file.
func (m Shift) write(ctx context.Context, tx *sql.Tx) error {
	runs, among := m.among()
	for _, table := range []string{"chunk", "growing"} {
		if _, err := tx.ExecContext(ctx, "UPDATE "+table+" SET start = start + ? WHERE segment IN (SELECT id FROM segment WHERE id <= ? AND run IN "+
			among+")", append([]any{m.By.Milliseconds(), m.Mark}, runs...)...); err != nil {
			return err
		}
	}
	return m.writeJournal(ctx, tx)
}

// among returns the runs as arguments of a query, and the placeholders for them.
func (m Shift) among() (runs []any, placeholders string) {
	for _, run := range m.Runs {
		runs = append(runs, run)
	}
	return runs, "(" + strings.TrimSuffix(strings.Repeat("?, ", len(runs)), ", ") + ")"
}

// writeJournal moves the entries that are in the file.
func (m Shift) writeJournal(ctx context.Context, tx *sql.Tx) error {
	runs, among := m.among()
	entries, err := collected(scanned(ctx, tx, scanEntry, "SELECT id, body FROM journal WHERE seq <= ? AND run IN "+among,
		append([]any{int64(m.Seq)}, runs...)...))
	if err != nil {
		return err
	}
	for _, stored := range entries {
		e := shifted(*stored.Entry, m.By)
		body, err := plainjson.Of(&e)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, "UPDATE journal SET at = ?, body = ? WHERE id = ?", millis(e.At), string(body), stored.row); err != nil {
			return err
		}
	}
	return nil
}

package store

import (
	"context"
	"database/sql"
	"errors"
	"iter"
	"maps"
	"math"
	"net/url"
	"slices"
	"time"

	"dewline/internal/core/instant"
)

// errQueriesOnly is given by everything that would write to a file opened for queries alone.
var errQueriesOnly = errors.New("it was opened for queries alone")

// batch is what one Commit writes of the readings.
type batch struct {
	points     []*series // without a row yet
	rows       map[*series]int64
	changes    map[*series]uint64
	segments   map[int64]string
	closed     []pointChunk
	growing    []pointChunk
	amendments []amendment
	pending    int
}

type pointChunk struct {
	point *series
	*chunk
}

// Commit writes the readings that are in memory, and everything else that waits. On error they stay in memory, and the next
// call tries again. Call it once a minute: a rarer write wears the card less.
func (s *Store) Commit(ctx context.Context) error {
	s.write.Lock()
	defer s.write.Unlock()
	err := s.transact(ctx, "writing readings", true)
	s.catchUp(ctx, err, logPages)
	return err
}

// transact writes what waits. Store.write is held.
func (s *Store) transact(ctx context.Context, doing string, readings bool) error {
	if s.options.ReadOnly {
		return &Error{Doing: doing, Path: s.path, Err: errQueriesOnly}
	}
	s.begins()
	err := s.attempt(ctx, doing, readings)
	// A damaged file is set aside and another one begun, at once: what is in memory must not wait for a restart.
	for range maxDoubt {
		if !errors.Is(err, ErrCorrupt) {
			break
		}
		err = s.attempt(ctx, doing, readings)
	}
	s.note(err)
	return err
}

// maxDoubt is after how many findings of damage in a row the file is set aside even though the check of the whole file finds
// nothing.
const maxDoubt = 2

// attempt is one attempt to write.
func (s *Store) attempt(ctx context.Context, doing string, readings bool) error {
	s.probe.wait()
	err := s.attach(ctx)
	if err == nil {
		err = s.examine(ctx, readings)
	}
	sure := errors.Is(err, ErrCorrupt)
	if err == nil {
		err = s.explain(doing, asDamage(s.writeOut(ctx, readings)))
	}
	switch {
	case errors.Is(err, ErrCorrupt):
		s.doubt++
		if s.database() != nil && (sure || s.doubt >= maxDoubt || errors.Is(s.checkPages(ctx, "quick_check"), ErrCorrupt)) {
			err = s.recoverOpen(ctx, err)
		}
	case errors.Is(err, ErrDisk):
		s.detach()
	case errors.Is(err, ErrReadOnly):
		s.reopen = true
	case err == nil:
		s.doubt = 0
	}
	return err
}

// examineEvery is how often the log is verified between two commits of readings.
const examineEvery = 10 * time.Second

// examine looks for damage that the writer does not meet, since it has the pages that it uses in its cache.
func (f *file) examine(ctx context.Context, now bool) error {
	if inspectHeader(f.database().file) != nil {
		return f.explain("looking at it", errFirstPage)
	}
	if now || time.Since(f.examined) > examineEvery {
		f.examined = time.Now()
		if err := f.checkLog(ctx); err != nil {
			return f.explain("looking at its log", err)
		}
	}
	if f.suspect.Swap(false) { // a query has met damage
		return f.checkPages(ctx, "integrity_check")
	}
	return nil
}

// checkPages looks at all pages through a connection that has nothing in its cache.
func (f *file) checkPages(ctx context.Context, how string) error {
	db, err := connect(f.path, url.Values{}, readerPragmas, 1)
	if err != nil {
		return f.explain("checking it", err)
	}
	defer db.Close()
	return f.explain("checking it", asDamage(check(ctx, db, how)))
}

// recoverPause is how long the store waits after a recovery that failed: it copies much.
const recoverPause = 5 * time.Minute

// recoverOpen replaces the open file, which is damaged. What was written last is in memory too and is written again. It returns why,
// or why and what kept it from doing so: the caller tries again to write what it has.
func (s *Store) recoverOpen(ctx context.Context, why error) error {
	if time.Since(s.recoveryFailed) < recoverPause {
		return why
	}
	if err := s.recover(ctx, s.database(), why); err != nil {
		s.recoveryFailed = time.Now()
		return err
	}
	s.suspect.Store(false)
	s.mu.Lock()
	s.writeRecentAgain()
	s.mu.Unlock()
	return why
}

func (s *Store) writeOut(ctx context.Context, readings bool) error {
	var b batch
	if readings {
		b = s.gather()
	}
	s.mu.RLock()
	db, shifts, unwritten, lists := s.db, slices.Clone(s.shifts), slices.Clone(s.unwritten), s.queuesWaiting()
	var followed map[string][]byte
	if readings {
		followed = s.changedProgress()
	}
	s.mu.RUnlock()
	if !readings && len(unwritten) == 0 && len(shifts) == 0 && lists.empty() {
		return nil
	}
	err := transact(ctx, db.writer, func(plain *sql.Tx) error {
		tx := transaction{plain, db.often}
		for _, shift := range shifts {
			if err := shift.write(ctx, plain); err != nil {
				return err
			}
		}
		for _, h := range unwritten {
			if err := h.write(ctx, tx); err != nil {
				return err
			}
		}
		if err := lists.write(ctx, tx); err != nil {
			return err
		}
		if err := writeProgress(ctx, plain, followed); err != nil {
			return err
		}
		return s.writeReadings(ctx, tx, &b)
	})
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(unwritten) > 0 {
		last := unwritten[len(unwritten)-1].number
		s.unwritten = slices.DeleteFunc(s.unwritten, func(h pendingRecord) bool { return h.number <= last })
	}
	s.shifts = slices.Delete(s.shifts, 0, len(shifts))
	s.recent.add(unwritten, b.closed)
	s.countUnwritten()
	lists.written()
	s.progressWritten(followed)
	if readings {
		s.forget(&b)
		s.health.LastCommit = instant.Of(s.options.Now())
	}
	return nil
}

// gather packs what is to be written.
func (m *chunkMemory) gather() batch {
	m.mu.Lock()
	defer m.mu.Unlock()
	b := batch{
		segments: maps.Clone(m.segments), rows: map[*series]int64{}, changes: map[*series]uint64{},
		amendments: slices.Clone(m.amendments), pending: m.pending,
	}
	for _, sr := range m.order {
		b.rows[sr] = sr.row
		if sr.row == 0 {
			b.points = append(b.points, sr)
		}
		if len(sr.open.at) > 0 && sr.segment != m.segment {
			m.close(sr) // nothing joins it any more
		}
		for _, c := range sr.closed {
			b.closed = append(b.closed, pointChunk{sr, c})
		}
		if sr.unsaved() {
			b.growing = append(b.growing, pointChunk{sr, m.encoder.pack(&sr.open, sr.resolution, sr.id, sr.segment)})
		}
		b.changes[sr] = sr.changes
	}
	return b
}

// forget drops what has been written. Store.mu is held.
func (m *chunkMemory) forget(b *batch) {
	written := map[*chunk]bool{}
	for _, c := range b.closed {
		written[c.chunk] = true
	}
	for _, sr := range m.order {
		sr.closed = slices.DeleteFunc(sr.closed, func(c *chunk) bool { return written[c] })
		if row, ok := b.rows[sr]; ok {
			sr.row, sr.saved = row, max(sr.saved, b.changes[sr])
		}
	}
	for id := range b.segments {
		delete(m.segments, id)
	}
	m.amendments = slices.Delete(m.amendments, 0, len(b.amendments))
	m.pending = max(0, m.pending-b.pending)
}

const (
	chunkColumns = "id, segment, start, span, count, unusable, low, high, total, flags, period, origin, scale, fix, samples"
	chunkValues  = " (point, " + chunkColumns + ") VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"

	insertGrowing = "INSERT OR REPLACE INTO growing" + chunkValues
)

func (c *chunk) values(point int64) []any {
	return []any{
		point, c.id, c.segment, c.start, c.span, c.count, c.unusable, orNull(c.low), orNull(c.high), c.total, c.flags,
		c.period, c.origin, c.scale, c.fix, c.samples,
	}
}

// orNull is how SQLite keeps what is no number.
func orNull(v float64) sql.Null[float64] { return sql.Null[float64]{V: v, Valid: !math.IsNaN(v)} }

// storedChunk is a chunk of the file with the row of its point.
type storedChunk struct {
	row int64
	*chunk
}

// chunks yields the chunks that a query finds; the query goes on from the name of a table.
func chunks(ctx context.Context, from querier, where string, args ...any) iter.Seq2[storedChunk, error] {
	return scanned(ctx, from, scanChunk, "SELECT point, "+chunkColumns+" FROM "+where, args...)
}

func scanChunk(rows *sql.Rows) (storedChunk, error) {
	c := storedChunk{chunk: &chunk{}}
	var low, high sql.Null[float64]
	err := rows.Scan(&c.row, &c.id, &c.segment, &c.start, &c.span, &c.count, &c.unusable, &low, &high, &c.total, &c.flags,
		&c.period, &c.origin, &c.scale, &c.fix, &c.samples)
	c.low, c.high = orNaN(low), orNaN(high)
	return c, err
}

func orNaN(v sql.Null[float64]) float64 {
	if !v.Valid {
		return math.NaN()
	}
	return v.V
}

func (m *chunkMemory) writeReadings(ctx context.Context, tx transaction, b *batch) error {
	for _, sr := range b.points {
		row := tx.QueryRowContext(ctx, "INSERT INTO point (name) VALUES (?) ON CONFLICT DO UPDATE SET name = excluded.name RETURNING id", sr.name)
		var id int64
		if err := row.Scan(&id); err != nil {
			return err
		}
		b.rows[sr] = id
	}
	for id, run := range b.segments {
		if err := tx.exec(ctx, "INSERT OR IGNORE INTO segment (id, run) VALUES (?, ?)", id, run); err != nil {
			return err
		}
	}
	for _, c := range b.closed {
		if err := tx.exec(ctx, "INSERT OR REPLACE INTO chunk"+chunkValues, c.values(b.rows[c.point])...); err != nil {
			return err
		}
		if err := tx.exec(ctx, "DELETE FROM growing WHERE id = ?", c.id); err != nil {
			return err
		}
	}
	for _, c := range b.growing {
		if err := tx.exec(ctx, insertGrowing, c.values(b.rows[c.point])...); err != nil {
			return err
		}
	}
	for _, a := range b.amendments {
		if err := m.writeAmendment(ctx, tx.Tx, b.rows[a.point], a); err != nil {
			return err
		}
	}
	return nil
}

// writeAmendment changes a flag in a chunk that is in the file: the latest that holds the reading.
func (m *chunkMemory) writeAmendment(ctx context.Context, tx *sql.Tx, point int64, a amendment) error {
	candidates, err := collected(chunks(ctx, tx, "chunk WHERE point = ? AND start BETWEEN ? AND ? ORDER BY id DESC", point, a.at-chunkSpan, a.at))
	if err != nil {
		return err
	}
	for _, c := range candidates {
		m.mu.Lock()
		changed := m.amended(c.chunk, a.at, a.flag, 0)
		m.mu.Unlock()
		if changed != nil {
			_, err := tx.ExecContext(ctx, "INSERT OR REPLACE INTO chunk"+chunkValues, changed.values(point)...)
			return err
		}
	}
	return nil
}

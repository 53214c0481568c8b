package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strings"
	"time"
)

// recoveredTable is a table that is copied out of a damaged file as far as it can be read.
type recoveredTable struct {
	name, columns string
	what          string // in the message to the keeper; "" for what is of no interest to a person
	newestFirst   bool
	patience      time.Duration // 0 means as long as it takes

	rows  int
	whole bool // all of it was read
}

// recoveredTables returns the tables in the order in which they are copied: what happened, what still has to be delivered, the
// state of the alarms; then the readings, the newest first, as far as there is time. The rest of them stays in the file that is set
// aside.
func recoveredTables() []*recoveredTable {
	return []*recoveredTable{
		{name: "journal", columns: "id, run, seq, at, kind, alarm, place, body", what: "journal entries"},
		{name: "outbox", columns: "id, outlet, event, class, topic, at, body", what: "messages that had not been delivered"},
		{name: "core", columns: "id, at, state, segment", what: "state of the alarms"},
		{name: "core_part", columns: "id, state"},
		{name: "calibration", columns: "id, at, sensor, channel, reference, uncertainty, against, readings", what: "calibrations"},
		{name: "progress", columns: "id, name, body"},
		{name: "point", columns: "id, name"},
		{name: "segment", columns: "id, run"},
		{name: "growing", columns: "point, " + chunkColumns},
		{name: "chunk", columns: "point, " + chunkColumns, what: "blocks of readings", newestFirst: true, patience: 20 * time.Second},
	}
}

// recover replaces a damaged file: what can be read is copied into a new one, and the damaged one is set aside. Where the file is
// open (old is not nil) it is read through its connections first, which know pages that a program that opens it now would not find.
// After that it is closed; on error it stays as it was.
func (f *file) recover(ctx context.Context, old *database, why error) error {
	fresh := f.path + rescueSuffix
	if err := removeIfThere(withLog(fresh)...); err != nil {
		return errors.Join(why, err)
	}
	into, err := create(ctx, fresh)
	if err != nil {
		return errors.Join(why, err)
	}
	tables := recoveredTables()
	if old != nil {
		for _, t := range tables {
			t.copyFrom(ctx, old.writer, into.writer)
		}
		f.mu.Lock()
		f.db = nil
		f.mu.Unlock()
		old.closeAsItIs() // before it is renamed: the last close removes the log by its name
	}
	aside, err := f.setAside("", "-shm", logSuffix, "-journal")
	if err != nil {
		return errors.Join(why, err, into.close())
	}
	f.recoverAside(ctx, aside, into, tables)
	if err := into.close(); err != nil {
		return errors.Join(why, err)
	}
	if err := os.Rename(fresh, f.path); err != nil {
		return errors.Join(why, err)
	}
	f.doubt = 0
	if known, ok := errors.AsType[*Error](why); ok && known.Err != nil {
		why = known.Err // without what is done about it
	}
	f.addNotice(fmt.Sprintf("%s, the history, was found %v. Watching and alarms go on with a new one; %s. The old one was set aside as %s: keep it, "+
		"and look at the card, which may be failing", f.path, asDamage(why), recovered(tables), aside))
	return syncFolder(f.path)
}

// recovered says what was copied.
func recovered(tables []*recoveredTable) string {
	var counts []string
	any := false
	for _, t := range tables {
		any = any || t.rows > 0
		if t.what != "" {
			counts = append(counts, fmt.Sprintf("%d %s", t.rows, t.what))
		}
	}
	if !any {
		return "nothing could be taken over from the old one"
	}
	return "taken over from the old one: " + strings.Join(counts, ", ")
}

// recoverAside copies from a file that was set aside what is not copied yet. The damaged file is not changed.
func (f *file) recoverAside(ctx context.Context, aside string, into *database, tables []*recoveredTable) {
	from, err := openForQueries(ctx, aside)
	if err != nil {
		graft := f.path + ".graft"
		defer func() { _ = removeIfThere(withLog(graft)...) }()
		if graftFirstPage(ctx, aside, graft, into) != nil {
			return
		}
		if from, err = openForQueries(ctx, graft); err != nil {
			return
		}
	}
	defer from.close()
	for _, t := range tables {
		if !t.whole {
			t.copyFrom(ctx, from.reader, into.writer)
		}
	}
}

// graftFirstPage gives a file whose first page is overwritten the first page of a new file, in a log under another name: the file
// itself stays as it is. The first page holds where the tables begin, which is the same in all histories that were never
// compacted, since the tables are made before anything is in them.
func graftFirstPage(ctx context.Context, aside, graft string, fresh *database) error {
	var busy, frames, moved int
	if err := fresh.writer.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &frames, &moved); err != nil {
		return err
	}
	page := make([]byte, ourPageSize)
	if _, err := fresh.file.ReadAt(page, 0); err != nil {
		return err
	}
	info, err := os.Stat(aside)
	if err != nil {
		return err
	}
	pages := uint32(info.Size() / ourPageSize)
	binary.BigEndian.PutUint32(page[28:], pages)
	if err := os.Link(aside, graft); err != nil {
		return err
	}
	header := make([]byte, logHeaderSize)
	for at, v := range map[int]uint32{0: 0x377f0682, 4: 3007000, 8: ourPageSize, 16: 1, 20: 1} {
		binary.BigEndian.PutUint32(header[at:], v)
	}
	sum := checksum{}.add(false, header[:24])
	binary.BigEndian.PutUint32(header[24:], sum[0])
	binary.BigEndian.PutUint32(header[28:], sum[1])
	h, ok := parseLogHeader(header)
	if !ok {
		return errDamaged
	}
	first8 := binary.BigEndian.AppendUint32([]byte{0, 0, 0, 1}, pages)
	log, _ := h.appendFrame(header, sum, first8, page)
	return os.WriteFile(graft+logSuffix, log, 0o600)
}

// copyFrom copies the rows of a table that can be read. Where a page is damaged it goes on behind it: it skips one id, then two
// more, then four, until it finds something again.
func (t *recoveredTable) copyFrom(ctx context.Context, from, into *sql.DB) {
	if t.patience > 0 {
		limited, cancel := context.WithTimeout(ctx, t.patience)
		defer cancel()
		ctx = limited
	}
	t.whole = true
	at := int64(math.MinInt64)
	condition, order, direction := "id > ?", "id", int64(1)
	if t.newestFirst {
		at, condition, order, direction = math.MaxInt64, "id < ?", "id DESC", -1
	}
	query := "SELECT " + t.columns + " FROM " + t.name + " WHERE " + condition + " ORDER BY " + order + " LIMIT ?"
	const batch, maxID = 2000, int64(1) << 40
	for skip := int64(1); skip < maxID && ctx.Err() == nil; {
		last, n, err := t.copyBatch(ctx, from, into, query, at, batch)
		if n > 0 {
			at, skip = last, 1
		}
		if err == nil {
			if n < batch {
				return
			}
			continue
		}
		t.whole = false
		switch { // ids are positive
		case n > 0:
		case direction > 0:
			at = max(at, 0) + skip
			skip *= 2
		default:
			if at = min(at, maxID); at <= 0 {
				return
			}
			at -= skip
			skip *= 2
		}
	}
	t.whole = false
}

// copyBatch copies a number of rows. It returns the id of the last that was read, and how many were read before an error.
func (t *recoveredTable) copyBatch(ctx context.Context, from, into *sql.DB, query string, after int64, limit int) (last int64, n int, failure error) {
	names := strings.Split(t.columns, ", ")
	values, pointers := make([]any, len(names)), make([]any, len(names))
	id := 0
	for i, name := range names {
		pointers[i] = &values[i]
		if name == "id" {
			id = i
		}
	}
	insert := "INSERT OR IGNORE INTO " + t.name + " (" + t.columns + ") VALUES (?" + strings.Repeat(", ?", len(names)-1) + ")"
	err := transact(ctx, into, func(tx *sql.Tx) error {
		rows, err := from.QueryContext(ctx, query, after, limit)
		if err != nil {
			failure = err
			return nil
		}
		defer rows.Close()
		for rows.Next() {
			if failure = rows.Scan(pointers...); failure != nil {
				return nil
			}
			n++
			last, _ = values[id].(int64)
			result, err := tx.ExecContext(ctx, insert, values...)
			if err != nil {
				continue // a row that breaks the rules of its table is damage too
			}
			if added, err := result.RowsAffected(); err == nil {
				t.rows += int(added)
			}
		}
		failure = rows.Err()
		return nil
	})
	return last, n, errors.Join(failure, err)
}

// recentWrites keeps in memory what was written last, so that a log that is overwritten before its content is in the main file loses
// nothing of it.
type recentWrites struct {
	records []pendingRecord
	chunks  []pointChunk
}

// Bounds of recentWrites: well above what fits into a log (logPagesAlarms), of which an entry takes at least four pages.
const (
	maxRecentEntries = 2000
	maxRecentChunks  = 500
)

// add remembers what has just been written.
func (r *recentWrites) add(records []pendingRecord, chunks []pointChunk) {
	for _, h := range records {
		if h.state != nil { // the newest is enough
			for i := range r.records {
				r.records[i].state, r.records[i].part = nil, nil
			}
		}
		r.records = append(r.records, h)
	}
	entries := 0
	for i, h := range slices.Backward(r.records) {
		if entries += len(h.entries); entries > maxRecentEntries {
			r.records = slices.Delete(r.records, 0, i+1)
			break
		}
	}
	r.records = slices.DeleteFunc(r.records, pendingRecord.empty)
	r.chunks = append(r.chunks, chunks...)
	r.chunks = slices.Delete(r.chunks, 0, max(0, len(r.chunks)-maxRecentChunks))
}

// shift corrects times for a step of the clock.
func (r *recentWrites) shift(m Shift, runs map[int64]string) {
	for i := range r.records {
		r.records[i].shift(m)
	}
	for i, c := range r.chunks {
		r.chunks[i].chunk = m.moved(c.chunk, runs)
	}
}

// writeRecentAgain hands what was written last to the next write. What is in the file already is not changed by it. Store.mu is
// held.
func (s *Store) writeRecentAgain() {
	s.unwritten = append(s.recent.records, s.unwritten...)
	for _, c := range s.recent.chunks {
		again := *c.chunk
		again.kept = true // it does not count as waiting
		c.point.closed = append(c.point.closed, &again)
	}
	maps.Copy(s.segments, s.runs)
	s.writeProgressAgain()
	s.recent = recentWrites{}
	s.countUnwritten()
}

package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"
	"modernc.org/sqlite"

	"dewline/internal/core/quantity"
)

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

var errClosed = errors.New("the store is closed")

// attach opens the file where that is not done yet, and loads what must be in memory. Store.write is held.
func (s *Store) attach(ctx context.Context) error {
	if s.reopen && s.database() != nil {
		if err := s.writable(); err != nil {
			return s.explain("writing", err)
		}
		s.detach()
	}
	s.reopen = false
	if s.database() != nil {
		return s.stillThere(ctx)
	}
	if s.closed {
		return &Error{Doing: "opening it", Path: s.path, Err: errClosed}
	}
	db, err := s.openFile(ctx)
	if err == nil {
		if !s.options.ReadOnly {
			db.probe = &s.probe
		}
		if s.seen == nil {
			err = s.takeOver(ctx, db)
		} else {
			err = s.resume(ctx, db)
		}
		if err != nil {
			_ = db.close()
		}
	}
	if err != nil {
		return s.explain("opening it", asDamage(err))
	}
	s.seenLog, s.logMark = nil, logMark{}
	if !s.options.ReadOnly {
		s.markLog(ctx, logPages)
	}
	return nil
}

func (f *file) openFile(ctx context.Context) (*database, error) {
	if f.options.ReadOnly {
		if _, err := os.Stat(f.path); err != nil {
			return nil, err
		}
		if err := inspect(f.path); err != nil && !unfinished(f.path) {
			return nil, err
		}
		return openForQueries(ctx, f.path)
	}
	if err := os.MkdirAll(filepath.Dir(f.path), 0o750); err != nil {
		return nil, err
	}
	if err := f.lock.acquire(); err != nil {
		return nil, err
	}
	if !exists(f.path) && exists(f.path+rescueSuffix) && !exists(f.path+rescueSuffix+logSuffix) {
		// A rescue was cut short between its last two steps.
		if err := os.Rename(f.path+rescueSuffix, f.path); err != nil {
			return nil, err
		}
	}
	wrong := inspect(f.path)
	err := wrong
	var db *database
	if wrong == nil || unfinished(f.path) {
		var repaired bool
		if repaired, err = f.inspectLog(); err == nil {
			db, err = create(ctx, f.path)
		}
		if err == nil && repaired {
			if err = check(ctx, db.writer, "integrity_check"); err != nil {
				err = errors.Join(err, db.close())
			}
		}
		if wrong != nil && damaged(err) {
			err = wrong
		}
	}
	f.suspect.Store(false)
	if err == nil && f.doubt >= maxDoubt {
		err = errors.Join(fmt.Errorf("%w: reading it fails again and again", errDamaged), db.close())
	}
	if !damaged(err) {
		return db, err
	}
	if err := f.recover(ctx, nil, err); err != nil {
		return nil, err
	}
	return create(ctx, f.path)
}

// writable asks the kernel whether the file, what SQLite keeps beside it and their folder may be written. SQLite asks only when it
// opens a file, and opens one that it may not write for reading alone. Its files beside it have the permissions that the file had
// when they were made, and get those that it has now.
func (f *file) writable() error {
	info, err := os.Stat(f.path)
	if err != nil {
		return err
	}
	for _, path := range []string{filepath.Dir(f.path), f.path, f.path + logSuffix, f.path + "-shm"} {
		err := unix.Faccessat(unix.AT_FDCWD, path, unix.W_OK, unix.AT_EACCESS)
		if errors.Is(err, os.ErrPermission) && strings.HasPrefix(path, f.path+"-") {
			err = os.Chmod(path, info.Mode().Perm())
		}
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			return &os.PathError{Op: "writing", Path: path, Err: err}
		}
	}
	return nil
}

// create opens a file. A new one is not for everybody to read, and neither is its log, which takes after it.
func create(ctx context.Context, path string) (*database, error) {
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o640)
	switch {
	case err == nil:
		if err := file.Close(); err != nil {
			return nil, err
		}
	case !errors.Is(err, os.ErrExist):
		return nil, err
	}
	return openDatabase(ctx, path)
}

// asDamage marks SQLite's own word for damage as ours.
func asDamage(err error) error {
	if known, ok := errors.AsType[*sqlite.Error](err); ok && !errors.Is(err, errDamaged) && kinds[known.Code()&0xff] == ErrCorrupt {
		return fmt.Errorf("%w: %w", errDamaged, err)
	}
	return err
}

// damaged reports whether the file itself is at fault.
func damaged(err error) bool {
	if err == nil || refused(err) {
		return false
	}
	return errors.Is(asDamage(err), errDamaged)
}

// inspect looks at a file before SQLite does: SQLite cannot distinguish a damaged history from a file that never was one.
func inspect(path string) error {
	file, err := os.Open(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer file.Close()
	err = inspectHeader(file)
	if errors.Is(err, ErrForeign) && looksLikeSQLite(file) {
		return errFirstPage
	}
	return err
}

var errFirstPage = fmt.Errorf("%w: its first page is overwritten", errDamaged)

// inspectHeader looks at the database header: https://sqlite.org/fileformat.html#the_database_header
func inspectHeader(file io.ReaderAt) error {
	header := make([]byte, 100)
	n, err := file.ReadAt(header, 0)
	switch header = header[:n]; {
	case n == 0 && errors.Is(err, io.EOF):
		return nil
	case err != nil && !errors.Is(err, io.EOF):
		return err
	case bytes.HasPrefix(header, []byte("SQLite format 3\x00")):
		return nil
	// Cells that were erased read as ones, and some file systems fill what was lost with zeros.
	case n == 100 && binary.BigEndian.Uint32(header[68:]) == applicationID, len(bytes.Trim(header, "\x00")) == 0, len(bytes.Trim(header, "\xff")) == 0:
		return errFirstPage
	}
	return ErrForeign
}

// looksLikeSQLite reports whether the pages behind the first are those of a database of SQLite with our page size, in which case a
// first page that is none was overwritten. It looks at a sample of the pages.
func looksLikeSQLite(file *os.File) bool {
	info, err := file.Stat()
	if err != nil {
		return false
	}
	pages := info.Size() / ourPageSize
	step := max(1, pages/100)
	looked, fit := 0, 0
	head := make([]byte, 8)
	for i := int64(1); i < pages; i += step {
		if _, err := file.ReadAt(head, i*ourPageSize); err != nil {
			return false
		}
		looked++
		if isTreePage(head) {
			fit++
		}
	}
	return fit >= 3 && fit >= looked/4 // pages that carry on a long row have no header of their own
}

// ourPageSize is the page size of every history, in bytes. It is the default of SQLite.
const ourPageSize = 4096

// isTreePage reports whether the first 8 bytes of a page can be the header of a B-tree page:
// https://sqlite.org/fileformat.html#b_tree_pages
func isTreePage(head []byte) bool {
	begin := 8
	switch head[0] {
	case 2, 5:
		begin = 12
	case 10, 13:
	default:
		return false
	}
	cells, content := int(binary.BigEndian.Uint16(head[3:])), int(binary.BigEndian.Uint16(head[5:]))
	return content <= ourPageSize && content >= begin+2*cells && head[7] <= 60
}

// unfinished reports whether a log or a rollback journal of SQLite lies beside a file. Then a first page that is torn says
// nothing: SQLite was about to write it at a power cut, and takes it from there
// (https://sqlite.org/fileformat.html, sections 3 and 4.1).
func unfinished(path string) bool {
	for suffix, magics := range map[string][]string{
		"-journal": {"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7"}, "-wal": {"\x37\x7f\x06\x82", "\x37\x7f\x06\x83"},
	} {
		file, err := os.Open(path + suffix)
		if err != nil {
			continue
		}
		begin := make([]byte, len(magics[0]))
		_, err = io.ReadFull(file, begin)
		_ = file.Close()
		if err == nil && slices.Contains(magics, string(begin)) {
			return true
		}
	}
	return false
}

// setAside moves files, named by what follows the history's name, out of the way, and returns the new name of the first.
func (f *file) setAside(suffixes ...string) (string, error) {
	aside := f.path + ".corrupt-" + f.options.Now().UTC().Format("20060102T150405Z")
	for base, i := aside, 2; exists(aside + suffixes[0]); i++ {
		aside = fmt.Sprintf("%s-%d", base, i)
	}
	for _, suffix := range slices.Backward(suffixes) { // the file itself last
		if err := os.Rename(f.path+suffix, aside+suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			return "", err
		}
	}
	return aside + suffixes[0], syncFolder(f.path)
}

func syncFolder(path string) error {
	folder, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	defer folder.Close()
	return folder.Sync()
}

// takeOver loads what must be in memory. What was in memory before, since the file could not be opened, gets numbers above
// those in the file.
func (s *Store) takeOver(ctx context.Context, db *database) error {
	for query, into := range map[string]*int64{
		"SELECT max((SELECT ifnull(max(id), 0) FROM chunk), (SELECT ifnull(max(id), 0) FROM growing))": &db.last.chunk,
		"SELECT ifnull(max(id), 0) FROM segment":                                                       &db.last.segment,
		"SELECT ifnull(max(id), 0) FROM outbox":                                                        &db.last.item,
	} {
		n, err := number(ctx, db.reader, query)
		if err != nil {
			return err
		}
		*into = n
	}
	var err error
	if db.runs, err = loadMap[int64, string](ctx, db.reader, "SELECT id, run FROM segment"); err != nil {
		return err
	}
	growing, err := loadGrowing(ctx, db.reader)
	if err != nil {
		return err
	}
	rows, items, err := s.loadIndex(ctx, db)
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.renumber(db)
	for name, row := range rows {
		if p, err := quantity.ParsePoint(name); err == nil {
			s.series(p).row = row
		}
	}
	for _, sr := range s.order {
		sr.closed = append(growing[sr.row], sr.closed...)
	}
	s.adoptItems(items, uint64(db.last.item))
	s.db = db
	return nil
}

// loadIndex reads the rows of the points, by name, and the messages that wait, and remembers which file they are from.
func (s *Store) loadIndex(ctx context.Context, db *database) (rows map[string]int64, items []storedItem, err error) {
	if rows, err = loadMap[string, int64](ctx, db.reader, "SELECT name, id FROM point"); err != nil {
		return nil, nil, err
	}
	if items, err = loadItems(ctx, db.reader); err != nil {
		return nil, nil, err
	}
	info, err := os.Stat(s.path)
	if err != nil {
		return nil, nil, err
	}
	s.seen = info
	return rows, items, nil
}

// renumber moves the numbers of what is in memory above those in the file.
func (s *Store) renumber(db *database) {
	for _, sr := range s.order {
		sr.row, sr.saved = 0, sr.changes-1
		for i, c := range sr.closed {
			moved := *c
			moved.id += db.last.chunk
			moved.segment += db.last.segment
			sr.closed[i] = &moved
		}
		sr.id += db.last.chunk
		sr.segment += db.last.segment
	}
	segments, runs := map[int64]string{}, db.runs
	for id, run := range s.segments {
		segments[id+db.last.segment], runs[id+db.last.segment] = run, run
	}
	s.segments, s.runs = segments, runs
	if s.segment != 0 {
		s.segment += db.last.segment
	}
	for i := range s.shifts {
		s.shifts[i].Mark += db.last.segment
	}
	for i := range s.unwritten {
		s.unwritten[i].reach.Segment += db.last.segment
	}
	for i := range s.amendments {
		s.amendments[i].segment += db.last.segment
	}
	s.lastChunk += db.last.chunk
	s.lastSegment += db.last.segment
}

// loadMap returns the rows of a query of two columns, key and value.
func loadMap[K comparable, V any](ctx context.Context, db *sql.DB, query string) (map[K]V, error) {
	all := map[K]V{}
	for _, err := range scanned(ctx, db, func(rows *sql.Rows) (key K, err error) {
		var value V
		err = rows.Scan(&key, &value)
		all[key] = value
		return key, err
	}, query) {
		if err != nil {
			return nil, err
		}
	}
	return all, nil
}

// loadGrowing returns the chunks that an earlier run left growing, by the row of their point. The next Commit closes them.
func loadGrowing(ctx context.Context, db *sql.DB) (map[int64][]*chunk, error) {
	growing := map[int64][]*chunk{}
	for c, err := range chunks(ctx, db, "growing WHERE id NOT IN (SELECT id FROM chunk) ORDER BY id") {
		if err != nil {
			return nil, err
		}
		c.kept = true
		growing[c.row] = append(growing[c.row], c.chunk)
	}
	return growing, nil
}

// rescueSuffix is that of a copy made of a file that was removed while it was open.
const rescueSuffix = ".rescue"

// stillThere finds out whether the open file was removed or replaced. A removed one is put back from the connection that still
// holds it.
func (s *Store) stillThere(ctx context.Context) error {
	if s.options.ReadOnly {
		return nil
	}
	info, err := os.Stat(s.path)
	switch {
	case err == nil && os.SameFile(info, s.seen):
		return s.logStillThere(ctx)
	case err == nil:
		return &Error{Doing: "writing", Path: s.path, Kind: ErrGone, Err: errors.New("another file has taken its place; restart dewline to use that one")}
	case !errors.Is(err, os.ErrNotExist):
		return s.explain("looking for it", err)
	}
	if err := s.rescue(ctx); err != nil {
		return &Error{Doing: "putting it back", Path: s.path, Kind: ErrGone, Err: err}
	}
	s.addNotice(fmt.Sprintf("%s was removed while it was in use, and was put back with everything that was in it", s.path))
	return nil
}

func (s *Store) rescue(ctx context.Context) error {
	copied := s.path + rescueSuffix
	if err := removeIfThere(copied); err != nil {
		return err
	}
	old := s.database()
	if _, err := old.writer.ExecContext(ctx, "VACUUM INTO ?", copied); err != nil {
		return err
	}
	// The last close removes the log by its name, which the new file will have: so the old one is closed first.
	s.mu.Lock()
	s.db = nil
	s.mu.Unlock()
	_ = old.close()
	if err := removeIfThere(withLog(s.path)[1:]...); err != nil {
		return err
	}
	if err := os.Rename(copied, s.path); err != nil {
		return err
	}
	if err := syncFolder(s.path); err != nil {
		return err
	}
	return s.attach(ctx)
}

// detach closes the file after a failure of the disk: the next call that writes opens it again, since an open file of a card that
// was taken out and put back stays broken for ever.
func (f *file) detach() {
	f.mu.Lock()
	db := f.db
	f.db = nil
	f.mu.Unlock()
	_ = db.close() // it is broken
}

// resume goes on with a file whose growing chunks and outbox are in memory already.
func (s *Store) resume(ctx context.Context, db *database) error {
	rows, items, err := s.loadIndex(ctx, db)
	if err != nil {
		return err
	}
	s.mu.Lock()
	for _, sr := range s.order {
		sr.row, sr.saved = rows[sr.name], sr.changes-1
	}
	if s.segment != 0 {
		s.segments[s.segment] = s.run
	}
	lost := s.dropLostItems(items)
	s.db = db
	s.mu.Unlock()
	if lost > 0 {
		s.addNotice(fmt.Sprintf("%d messages that had not been delivered were only in the old file and are lost", lost))
	}
	return nil
}

// database returns the open file; nil where there is none.
func (f *file) database() *database {
	f.mu.RLock()
	defer f.mu.RUnlock()
	return f.db
}

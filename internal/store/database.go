package store

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
	_ "modernc.org/sqlite" // the driver
)

// applicationID marks the file as ours (PRAGMA application_id): "dwln".
const applicationID = 0x64776c6e

//go:embed migrations/*.sql
var migrations embed.FS

// database is an open file: one connection that writes, and two that read at the same time.
type database struct {
	writer *sql.DB // nil where the file is opened for queries alone
	reader *sql.DB
	file   *os.File                             // to look at the header; open as long as SQLite has it open, whose locks a close would drop
	probe  *diskProbe                           // asked before a query; nil where the file is opened for queries alone
	often  map[string]*sql.Stmt                 // by their text
	last   struct{ segment, chunk, item int64 } // numbers in use when it was opened
	runs   map[int64]string                     // segment → run, likewise
}

// Memory is kept small: caches of 0.5 MiB for the writer and 2 MiB for each reader.
var (
	common        = []string{"busy_timeout(5000)", "trusted_schema(off)", "cell_size_check(on)", "temp_store(memory)"}
	writerPragmas = append([]string{"cache_size(-512)", "synchronous(full)", "wal_autocheckpoint(4000)"}, common...)
	readerPragmas = append([]string{"cache_size(-2048)", "query_only(on)"}, common...)
)

func source(path string, parameters url.Values, pragmas []string) (string, error) {
	absolute, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	for _, p := range pragmas {
		parameters.Add("_pragma", p)
	}
	return (&url.URL{Scheme: "file", Path: absolute, RawQuery: parameters.Encode()}).String(), nil
}

func connect(path string, parameters url.Values, pragmas []string, most int) (*sql.DB, error) {
	name, err := source(path, parameters, pragmas)
	if err != nil {
		return nil, err
	}
	db, err := sql.Open("sqlite", name)
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(most)
	db.SetMaxIdleConns(most)
	return db, nil
}

// openDatabase opens a file, checks it, and brings it up to date.
func openDatabase(ctx context.Context, path string) (_ *database, err error) {
	d := &database{}
	defer func() {
		if err != nil {
			_ = d.close()
		}
	}()
	if d.file, err = os.Open(path); err != nil {
		return nil, err
	}
	if d.writer, err = connect(path, url.Values{"_txlock": {"immediate"}}, writerPragmas, 1); err != nil {
		return nil, err
	}
	if err := d.identify(ctx, d.writer); err != nil {
		return nil, err
	}
	if err := check(ctx, d.writer, "quick_check"); err != nil {
		return nil, err
	}
	var mode string
	if err := d.writer.QueryRowContext(ctx, "PRAGMA journal_mode = wal").Scan(&mode); err != nil {
		return nil, err
	}
	if mode != "wal" {
		return nil, fmt.Errorf("the file system allows no write-ahead log (journal mode %s)", mode)
	}
	if err := migrate(ctx, d.writer); err != nil {
		return nil, err
	}
	d.often = map[string]*sql.Stmt{}
	for _, text := range []string{insertEntry, insertPart, insertItem, deleteItem, insertGrowing, askLog} {
		if d.often[text], err = d.writer.PrepareContext(ctx, text); err != nil {
			return nil, err
		}
	}
	if d.reader, err = connect(path, url.Values{}, readerPragmas, 2); err != nil {
		return nil, err
	}
	return d, nil
}

// openForQueries opens a file without ever writing to it.
func openForQueries(ctx context.Context, path string) (_ *database, err error) {
	d := &database{}
	defer func() {
		if err != nil {
			_ = d.close()
		}
	}()
	for _, parameters := range []url.Values{{"mode": {"ro"}}, {"mode": {"ro"}, "immutable": {"1"}}} {
		if parameters.Has("immutable") && exists(path+"-wal") {
			break // the log holds something that would be unwritten
		}
		_ = d.close()
		if d.reader, err = connect(path, parameters, readerPragmas, 2); err != nil {
			return nil, err
		}
		if err = d.reader.PingContext(ctx); err == nil {
			err = d.identify(ctx, d.reader)
		}
		// A folder that cannot be written holds no shared memory for a log that does not exist either.
		if err == nil || refused(err) {
			break
		}
	}
	if err != nil {
		return nil, err
	}
	version, err := number(ctx, d.reader, "PRAGMA user_version")
	if err == nil && version < int64(len(steps())) {
		err = fmt.Errorf("the file is of an older form (%d): start dewline once to bring it up to date", version)
	}
	return d, err
}

func (d *database) close() error {
	if d == nil {
		return nil
	}
	var errs []error
	for _, db := range []*sql.DB{d.reader, d.writer} { // the writer last: it takes the log into the file
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	if d.file != nil {
		errs = append(errs, d.file.Close())
	}
	return errors.Join(errs...)
}

// closeAsItIs closes a damaged file without a last checkpoint, which would copy damaged frames of the log into the main file, and
// leaves the log in place. A lock on the bytes that SQLite has to lock for the checkpoint keeps it from that
// (https://sqlite.org/fileformat.html and os.h: SHARED_FIRST and SHARED_SIZE).
func (d *database) closeAsItIs() {
	lock := unix.Flock_t{Type: unix.F_RDLCK, Start: 0x40000002, Len: 510}
	_ = unix.FcntlFlock(d.file.Fd(), unix.F_OFD_SETLK, &lock) // without it the checkpoint is made
	_ = d.close()                                             // it is broken
}

func number(ctx context.Context, db *sql.DB, query string) (n int64, err error) {
	err = db.QueryRowContext(ctx, query).Scan(&n)
	return n, err
}

// identify refuses files of others and of a later form.
func (d *database) identify(ctx context.Context, db *sql.DB) error {
	id, err := number(ctx, db, "PRAGMA application_id")
	if err != nil {
		return err
	}
	version, err := number(ctx, db, "PRAGMA user_version")
	if err != nil {
		return err
	}
	tables, err := number(ctx, db, "SELECT count(*) FROM sqlite_master")
	if err != nil {
		return err
	}
	switch {
	case id == applicationID && version > int64(len(steps())):
		return ErrNewer
	case id == applicationID, id == 0 && version == 0 && tables == 0:
		return nil
	}
	return fmt.Errorf("%w (its application id is %#x)", ErrForeign, id)
}

// refused reports whether the file is not for this program to write.
func refused(err error) bool {
	return errors.Is(err, ErrForeign) || errors.Is(err, ErrNewer) || errors.Is(err, ErrBusy)
}

// check looks for damage with one of SQLite's own checks. quick_check does not compare every index with its table.
func check(ctx context.Context, db *sql.DB, how string) error {
	var finding string
	err := db.QueryRowContext(ctx, "PRAGMA "+how+"(1)").Scan(&finding)
	if err == nil && finding != "ok" {
		err = fmt.Errorf("%w: %s", errDamaged, strings.ReplaceAll(finding, "\n", " "))
	}
	return err
}

// steps returns the names of the migrations: the n-th brings a file from form n-1 to form n.
func steps() []string {
	names, err := fs.Glob(migrations, "migrations/*.sql") // sorted
	if err != nil {
		panic(err) // the pattern is wrong
	}
	return names
}

// migrate takes the steps that the file has not taken yet, each in its own transaction.
func migrate(ctx context.Context, db *sql.DB) error {
	version, err := number(ctx, db, "PRAGMA user_version")
	if err != nil {
		return err
	}
	for i, name := range steps() {
		if int64(i) < version {
			continue
		}
		text, err := migrations.ReadFile(name)
		if err != nil {
			return err
		}
		script := string(text) + ";\nPRAGMA application_id = " + strconv.Itoa(applicationID) + ";\nPRAGMA user_version = " + strconv.Itoa(i+1) + ";"
		if err := transact(ctx, db, func(tx *sql.Tx) error {
			_, err := tx.ExecContext(ctx, script)
			return err
		}); err != nil {
			return fmt.Errorf("migration %s: %w", filepath.Base(name), err)
		}
	}
	return nil
}

// transaction is one of a file whose statements of every alarm and every minute are prepared: SQLite takes longer to prepare one of them
// than to carry it out.
type transaction struct {
	*sql.Tx
	often map[string]*sql.Stmt
}

func (t transaction) exec(ctx context.Context, text string, args ...any) error {
	if prepared := t.often[text]; prepared != nil {
		_, err := t.StmtContext(ctx, prepared).ExecContext(ctx, args...)
		return err
	}
	_, err := t.ExecContext(ctx, text, args...)
	return err
}

// transact runs work in a transaction: committed when it returns nil, rolled back otherwise.
func transact(ctx context.Context, db *sql.DB, work func(tx *sql.Tx) error) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	if err := work(tx); err != nil {
		if undo := tx.Rollback(); undo != nil && !errors.Is(undo, sql.ErrTxDone) {
			return errors.Join(err, undo)
		}
		return err
	}
	return tx.Commit()
}

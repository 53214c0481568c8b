package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"syscall"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// What can be wrong with the file. Errors of this package wrap one of them where it is known which.
var (
	// ErrFull says that the disk has no room.
	ErrFull = errors.New("the disk is full: make room; the newest readings are kept in memory until then")
	// ErrReadOnly says that the file or its file system may not be written.
	ErrReadOnly = errors.New("the file cannot be written: check its permissions, and whether the card has failed and is mounted read-only")
	// ErrGone says that the file was removed, or another was put in its place, while it was in use.
	ErrGone = errors.New("the file is no longer where it was opened")
	// ErrCorrupt says that the file is damaged.
	ErrCorrupt = errors.New("the file is damaged: it is set aside before the next write, and a new one is begun")
	// ErrForeign says that the file belongs to something else. It is not touched.
	ErrForeign = errors.New("the file is not a history of dewline: name another one in history.path")
	// ErrNewer says that a newer program has written the file. It is not touched.
	ErrNewer = errors.New("the file was written by a newer dewline: use that one, or name another file in history.path")
	// ErrBusy says that another program holds the file.
	ErrBusy = errors.New("another program holds the file: is a second dewline running?")
	// ErrSlow says that the disk has not answered in time.
	ErrSlow = errors.New("the disk does not answer: entries and readings are kept in memory until it does; look at the card, and at what else writes to it")
	// ErrDisk says that reading or writing failed for another reason.
	ErrDisk = errors.New("the disk failed")
)

// errDamaged says that a file, a part of it or its log is not as it was written. The text around it says what, and how.
var errDamaged = errors.New("damaged")

// Error is a failure of the store.
type Error struct {
	Doing string
	Path  string
	Kind  error // one of the above; nil where none fits
	Err   error // what the layer below said
}

// Error says what happened, where, and what to do.
func (e *Error) Error() string {
	switch {
	case e.Kind == nil:
		return fmt.Sprintf("history %s: %s: %v", e.Path, e.Doing, e.Err)
	case e.Err == nil:
		return fmt.Sprintf("history %s: %s: %v", e.Path, e.Doing, e.Kind)
	}
	return fmt.Sprintf("history %s: %s: %v (%v)", e.Path, e.Doing, e.Kind, e.Err)
}

// Unwrap gives the kind and the cause.
func (e *Error) Unwrap() []error {
	var all []error
	for _, err := range []error{e.Kind, e.Err} {
		if err != nil {
			all = append(all, err)
		}
	}
	return all
}

// kinds are what primary result codes of SQLite mean (https://sqlite.org/rescode.html).
var kinds = map[int]error{
	sqlite3.SQLITE_BUSY:     ErrBusy,
	sqlite3.SQLITE_READONLY: ErrReadOnly,
	sqlite3.SQLITE_IOERR:    ErrDisk,
	sqlite3.SQLITE_CANTOPEN: ErrDisk,
	sqlite3.SQLITE_CORRUPT:  ErrCorrupt,
	sqlite3.SQLITE_NOTADB:   ErrCorrupt,
	sqlite3.SQLITE_FULL:     ErrFull,
}

// explain makes an error of the layer below an [Error]; nil stays nil.
func (f *file) explain(doing string, err error) error {
	if err == nil {
		return nil
	}
	if _, ok := errors.AsType[*Error](err); ok {
		return err
	}
	e := &Error{Doing: doing, Path: f.path, Err: err}
	switch known, ok := errors.AsType[*sqlite.Error](err); {
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
	case ok:
		e.Kind = kinds[known.Code()&0xff]
		if e.Kind == ErrCorrupt {
			f.suspect.Store(true)
		}
	case errors.Is(err, ErrSlow):
		e.Kind, e.Err = ErrSlow, nil
	case errors.Is(err, errDamaged):
		e.Kind = ErrCorrupt
	case errors.Is(err, syscall.EROFS), errors.Is(err, fs.ErrPermission):
		e.Kind = ErrReadOnly
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		e.Kind = ErrFull
	}
	return e
}

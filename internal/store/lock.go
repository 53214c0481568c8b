package store

import (
	"errors"
	"fmt"
	"os"
	"syscall"
)

// lockSuffix is that of the file whose lock says that a program writes the history. SQLite's own locks let two programs take
// turns, but each of them would give out the same numbers.
const lockSuffix = ".lock"

// LockFile is the file that is locked while a program writes the history of a path.
func LockFile(path string) string { return path + lockSuffix }

// writeLock is the lock on a file of that name.
type writeLock struct {
	path string
	held *os.File // nil while it is not held
}

// acquire takes the lock, unless it is held already.
func (l *writeLock) acquire() error {
	for range 10 {
		if l.held != nil && sameFile(l.held, l.path) {
			return nil
		}
		l.release()
		file, err := os.OpenFile(l.path, os.O_RDWR|os.O_CREATE, 0o640)
		if err != nil {
			return err
		}
		if err := syscall.Flock(int(file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
			_ = file.Close()
			if errors.Is(err, syscall.EWOULDBLOCK) {
				return ErrBusy
			}
			return fmt.Errorf("locking %s: %w", l.path, err)
		}
		// The program that held it may have removed the file in between: then look again.
		l.held = file
	}
	return fmt.Errorf("%s keeps being removed", l.path)
}

// release gives the lock back.
func (l *writeLock) release() {
	if l.held == nil {
		return
	}
	if sameFile(l.held, l.path) {
		_ = os.Remove(l.path) // a lock file that stays does no harm
	}
	_ = l.held.Close()
	l.held = nil
}

func sameFile(open *os.File, path string) bool {
	a, err := open.Stat()
	if err != nil {
		return false
	}
	b, err := os.Stat(path)
	return err == nil && os.SameFile(a, b)
}

package history

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

// acquire takes the lock, unless it is held already.
func (s *Store) acquire() error {
	path := LockFile(s.path)
	for range 10 {
		if s.lock != nil && sameFile(s.lock, path) {
			return nil
		}
		s.release()
		file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o640)
		if err != nil {
			return err
		}
		if err := syscall.Flock(int(file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
			_ = file.Close()
			if errors.Is(err, syscall.EWOULDBLOCK) {
				return ErrBusy
			}
			return fmt.Errorf("locking %s: %w", path, err)
		}
		// Whoever held it may have removed the file in between: then look again.
		s.lock = file
	}
	return fmt.Errorf("%s keeps being removed", path)
}

// release gives the lock back.
func (s *Store) release() {
	if s.lock == nil {
		return
	}
	if path := s.path + lockSuffix; sameFile(s.lock, path) {
		_ = os.Remove(path) // a lock file that stays does no harm
	}
	_ = s.lock.Close()
	s.lock = nil
}

func sameFile(open *os.File, path string) bool {
	a, err := open.Stat()
	if err != nil {
		return false
	}
	b, err := os.Stat(path)
	return err == nil && os.SameFile(a, b)
}

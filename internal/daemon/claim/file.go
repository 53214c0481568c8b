package claim

import (
	"encoding/json"
	"errors"
	"io"
	"net"
	"os"
	"path/filepath"
	"syscall"
	"time"
)

// Suffix is the suffix of the lock file of a file or socket.
const Suffix = ".run"

// maxNote bounds what is read of a lock file.
const maxNote = 4 << 10

// note is the content of a lock file: its holder, for messages to people.
type note struct {
	PID    int       `json:"pid"`
	Since  time.Time `json:"since"`
	Config string    `json:"config"`
}

// File claims a file. others are lock files of it that other programs take for as long as they use it; where one of them is
// locked for longer than a moment, the file is held.
func File(what, path string, others ...string) Claim {
	return Claim{what + " " + path, func(me Holder) (io.Closer, *Holder) {
		locked, holder := lock(path+Suffix, me)
		if holder != nil {
			return nil, holder
		}
		for _, other := range others {
			if holder := patiently(func() *Holder { return lockedBy(other) }); holder != nil {
				_ = locked.Close()
				return nil, holder
			}
		}
		return locked, nil
	}}
}

// Socket claims the path of a Unix socket: nothing may answer there.
func Socket(what, path string) Claim {
	return Claim{what + " " + path, func(me Holder) (io.Closer, *Holder) {
		locked, holder := lock(path+Suffix, me)
		if holder != nil {
			return nil, holder
		}
		conn, err := net.DialTimeout("unix", path, time.Second)
		if err != nil {
			return locked, nil
		}
		defer conn.Close()
		_ = locked.Close()
		return nil, peer(conn.(*net.UnixConn))
	}}
}

// patiently looks a few times: a process that holds a thing for a moment is no conflict.
func patiently(look func() *Holder) *Holder {
	for range 10 {
		if look() == nil {
			return nil
		}
		time.Sleep(200 * time.Millisecond)
	}
	return look()
}

// lockedFile is a lock file whose lock is held; the zero value is none, where no lock file could be made.
type lockedFile struct {
	*os.File
	path string
}

// Close removes the file while its lock is still held, and releases the lock.
func (f lockedFile) Close() error {
	if f.File == nil {
		return nil
	}
	if same(f.File, f.path) {
		_ = os.Remove(f.path) // one that stays does no harm: its lock is gone
	}
	return f.File.Close()
}

// lock takes the lock of a file, which it creates if there is none.
func lock(path string, me Holder) (lockedFile, *Holder) {
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return lockedFile{}, nil
	}
	for range 10 {
		file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|syscall.O_NOFOLLOW, 0o640)
		if err != nil {
			return lockedFile{}, nil
		}
		switch err := syscall.Flock(int(file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); {
		case errors.Is(err, syscall.EWOULDBLOCK):
			holder := read(file)
			_ = file.Close()
			return lockedFile{}, holder
		case err != nil: // a file system without locks
			_ = file.Close()
			return lockedFile{}, nil
		case !same(file, path): // its holder removed it just before the lock was given
			_ = file.Close()
			continue
		}
		text, _ := json.Marshal(note{me.PID, me.Since, me.Config}) // cannot fail
		if file.Truncate(0) == nil {
			_, _ = file.WriteAt(append(text, '\n'), 0) // on a full disk the lock alone must do
		}
		return lockedFile{file, path}, nil
	}
	return lockedFile{}, nil
}

// lockedBy returns the process that has locked an existing file; nil if none has.
func lockedBy(path string) *Holder {
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return nil
	}
	defer file.Close()
	if err := syscall.Flock(int(file.Fd()), syscall.LOCK_SH|syscall.LOCK_NB); errors.Is(err, syscall.EWOULDBLOCK) {
		return holderOf(lockOwner(file))
	}
	return nil
}

// read returns who holds the lock of a file: as the file says, or as the kernel does.
func read(file *os.File) *Holder {
	text := make([]byte, maxNote)
	n, _ := file.ReadAt(text, 0)
	var n1 note
	if json.Unmarshal(text[:n], &n1) == nil && n1.PID > 0 {
		return &Holder{PID: n1.PID, Since: n1.Since, Config: n1.Config}
	}
	return holderOf(lockOwner(file))
}

func same(open *os.File, path string) bool {
	a, err := open.Stat()
	if err != nil {
		return false
	}
	b, err := os.Lstat(path)
	return err == nil && os.SameFile(a, b)
}

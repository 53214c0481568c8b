package store

import (
	"context"
	"database/sql"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// probe asks the disk that a history lies on whether it takes calls. SQLite shares its index of the log by memory that is mapped
// from a file, and where a disk does not answer, a touch of that memory would hold a thread that Go cannot take away from it: the
// collector would wait for it, and everything else for the collector. A call holds up its caller alone, so it goes first. A
// disk that dies between the question and the touch can still hold the program.
type diskProbe struct {
	path string

	mu     sync.Mutex
	answer chan struct{} // closed when the question that is under way is answered; nil where none is
	asked  time.Time
}

// readPatience is how long a query waits for the disk. It is what the daemon's loop waits for a write.
const readPatience = 2 * time.Second

// wait comes back when the disk takes writes. It removes an attribute that the file does not have: that goes all the way through
// the file system, as a write does, and changes nothing that would have to be written to the probe. Its failure says nothing that
// the call of SQLite after it would not.
func (c *diskProbe) wait() { _ = unix.Removexattr(c.path, "user.dewline.none") }

// answers asks on behalf of a query, and returns [ErrSlow] where no answer comes. While a question is under way others wait for
// its answer, so that a dead disk holds one thread and not one for each page that is opened.
func (c *diskProbe) answers(ctx context.Context) error {
	c.mu.Lock()
	if c.answer == nil {
		answer := make(chan struct{})
		c.answer, c.asked = answer, time.Now()
		go func() {
			c.wait()
			c.mu.Lock()
			c.answer = nil
			c.mu.Unlock()
			close(answer)
		}()
	}
	answer, patience := c.answer, readPatience-time.Since(c.asked)
	c.mu.Unlock()
	late := time.NewTimer(patience)
	defer late.Stop()
	select {
	case <-answer:
		return nil
	case <-late.C:
		return ErrSlow
	case <-ctx.Done():
		return ctx.Err()
	}
}

// writer returns the connection that writes, once the disk answers. Store.write is held.
func (f *file) writer() *sql.DB {
	f.probe.wait()
	return f.database().writer
}

// reader is the database for a query; an error where the file is not open or the disk does not answer.
func (f *file) reader(ctx context.Context) (*sql.DB, error) {
	if db := f.database(); db != nil {
		return db.reading(ctx)
	}
	return nil, errNotOpen
}

// reading returns the connections that read, once the disk answers.
func (d *database) reading(ctx context.Context) (*sql.DB, error) {
	if d.probe == nil {
		return d.reader, nil
	}
	return d.reader, d.probe.answers(ctx)
}

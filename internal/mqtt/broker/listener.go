package broker

import (
	"fmt"
	"log/slog"
	"net"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
)

// listener is the library's listener with what the library's own lack: a limit of connections before login, a deadline
// for the login and for every write, patience when the system has no free file handle for the moment, and an end that
// waits for every connection.
type listener struct {
	inner        net.Listener
	login, write time.Duration
	log          *slog.Logger
	goodbye      func() // disconnects the clients that have logged in; set before Serve

	mu      sync.Mutex
	open    []*conn // in the order in which they were accepted
	closing bool

	work   sync.WaitGroup // one per connection
	served chan struct{}  // closed when Serve has returned
	panics atomic.Int32
}

var _ listeners.Listener = (*listener)(nil)

func newListener(inner net.Listener, t tuning, log *slog.Logger) *listener {
	return &listener{inner: inner, login: t.login, write: t.write, log: log, goodbye: func() {}, served: make(chan struct{})}
}

// ID names the listener.
func (l *listener) ID() string { return "loopback" }

// Address returns where it listens.
func (l *listener) Address() string { return l.inner.Addr().String() }

// Protocol names the transport.
func (l *listener) Protocol() string { return "tcp" }

// Init does nothing: the address is open already.
func (l *listener) Init(*slog.Logger) error { return nil }

// Serve accepts connections until the listener is closed.
func (l *listener) Serve(establish listeners.EstablishFn) {
	defer close(l.served)
	const minPause, maxPause = 5 * time.Millisecond, time.Second
	pause := minPause
	for {
		accepted, err := l.inner.Accept()
		if l.ends() {
			if err == nil {
				_ = accepted.Close() // the listener is closing
			}
			return
		}
		if err != nil {
			l.log.Warn("the embedded broker cannot accept a connection, trying again", "err", err)
			time.Sleep(pause)
			pause = min(2*pause, maxPause)
			continue
		}
		pause = minPause
		if c := l.admit(accepted); c != nil {
			l.work.Go(func() { l.serve(c, establish) })
		} else {
			_ = accepted.Close() // full: before its CONNECT a client cannot be answered
		}
	}
}

func (l *listener) ends() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.closing
}

// admit registers a connection. At the limit it closes the oldest connection without a login; it returns nil if there is none.
func (l *listener) admit(accepted net.Conn) *conn {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.waiting() >= maxConnections {
		oldest := l.oldestStranger()
		if oldest == nil {
			return nil
		}
		oldest.end()
	}
	c := &conn{Conn: accepted, limit: l.write, done: make(chan struct{})}
	_ = accepted.SetReadDeadline(time.Now().Add(l.login)) // fails only where the connection is gone already
	l.open = append(l.open, c)
	return c
}

// waiting counts the connections that are not being closed.
func (l *listener) waiting() (count int) {
	for _, c := range l.open {
		if !c.ended.Load() {
			count++
		}
	}
	return count
}

func (l *listener) oldestStranger() *conn {
	for _, c := range l.open {
		if !c.known.Load() && !c.ended.Load() {
			return c
		}
	}
	return nil
}

// serve runs one connection. A panic of the library on a packet ends the connection of its sender, not the program.
func (l *listener) serve(c *conn, establish listeners.EstablishFn) {
	defer l.forget(c)
	defer func() {
		if fault := recover(); fault != nil {
			l.panics.Add(1)
			l.log.Error("the embedded broker cannot handle what a client sent", "panic", fmt.Sprint(fault), "stack", string(debug.Stack()))
		}
	}()
	_ = establish(l.ID(), c) // the library has logged its reason
}

func (l *listener) forget(c *conn) {
	c.end()
	l.mu.Lock()
	for i, other := range l.open {
		if other == c {
			l.open = append(l.open[:i], l.open[i+1:]...)
			break
		}
	}
	l.mu.Unlock()
	close(c.done)
}

// Close stops accepting, disconnects the clients and ends what is left, such as connections that never logged in. The way of the library to
// disconnect them takes a lock for reading twice, and hangs where a client leaves in between.
func (l *listener) Close(listeners.CloseFn) {
	l.mu.Lock()
	if l.closing {
		l.mu.Unlock()
		return
	}
	l.closing = true
	open := append([]*conn(nil), l.open...)
	l.mu.Unlock()
	_ = l.inner.Close() // whatever it says, Accept returns
	<-l.served
	for _, c := range open {
		c.hurry()
	}
	l.goodbye()
	l.mu.Lock()
	for _, c := range l.open {
		c.end()
	}
	l.mu.Unlock()
	l.work.Wait()
}

// conn is a connection with a limit on every write. The library goes on writing after a failed write, in the middle of a
// packet; here a failed write ends the connection.
type conn struct {
	net.Conn
	limit   time.Duration
	known   atomic.Bool // has logged in
	ended   atomic.Bool
	hurried atomic.Bool
	refusal atomic.Pointer[string] // why the last request was denied, until it is answered
	modest  bool                   // has a receive maximum below what may wait for it; written before it is known
	done    chan struct{}          // closed when serve has ended
}

// farewell is how long a goodbye may take.
const farewell = 250 * time.Millisecond

// Write writes within the limit, or ends the connection.
func (c *conn) Write(p []byte) (int, error) {
	limit := c.limit
	if c.hurried.Load() {
		limit = farewell
	}
	if err := c.SetWriteDeadline(time.Now().Add(limit)); err != nil {
		return 0, err
	}
	n, err := c.Conn.Write(p)
	if err != nil {
		c.end()
	}
	return n, err
}

// SetDeadline is the library's keep-alive, which is about reading.
func (c *conn) SetDeadline(t time.Time) error { return c.SetReadDeadline(t) }

// Close ends the connection.
func (c *conn) Close() error {
	c.ended.Store(true)
	return c.Conn.Close()
}

// end closes the connection under the library, which then treats it as lost and sends the will. Its own way to stop a
// client loses the will if the client is just sending something.
func (c *conn) end() { _ = c.Close() }

// hurry shortens the deadline of writes, also of those in progress.
func (c *conn) hurry() {
	c.hurried.Store(true)
	_ = c.SetWriteDeadline(time.Now().Add(farewell)) // of a closed connection: no matter
}

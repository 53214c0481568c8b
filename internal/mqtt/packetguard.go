package mqtt

import (
	"errors"
	"fmt"
	"net"
	"sync"
	"time"
)

// packetGuard wraps the connection that the library uses, and does four things that the library does not:
//
//   - it reads along the packet headers and ends the connection before the library allocates what a header announces
//     (up to 256 MiB otherwise);
//   - it refuses the answer to a subscription that has more results than were asked for, which would make the library
//     panic;
//   - it puts a deadline on every write, not only on those of PUBLISH packets;
//   - it reports at once when the connection has ended.
type packetGuard struct {
	net.Conn
	limit int
	done  chan struct{}

	mu   sync.Mutex
	why  error // first reason for the end; nil if the library closed it
	once sync.Once

	// Where in a packet the reader is. Only one goroutine reads.
	kind   byte // of the packet whose length is being read; 0 before
	length int  // read so far
	shift  int
	body   int // bytes still to come
}

func newPacketGuard(conn net.Conn, limit int) *packetGuard {
	return &packetGuard{Conn: conn, limit: limit, done: make(chan struct{})}
}

// errSuback is a broker's mistake or an attack.
var errSuback = errors.New("the broker answers a subscription with more results than were asked for")

// fail ends the connection for a reason found here.
func (g *packetGuard) fail(why error) {
	g.endAfter(why, func() { _ = g.Conn.Close() }) // before anyone can notice the end and say goodbye, which would cancel the will
	_ = g.Conn.Close()                             // where it had ended already; the reason is known
}

func (g *packetGuard) end(why error) { g.endAfter(why, func() {}) }

func (g *packetGuard) endAfter(why error, last func()) {
	g.once.Do(func() {
		g.mu.Lock()
		g.why = why
		g.mu.Unlock()
		last()
		close(g.done)
	})
}

func (g *packetGuard) reason() error {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.why
}

// Close is the library's way to end the connection.
func (g *packetGuard) Close() error {
	g.end(nil)
	return g.Conn.Close()
}

// Read gives out the header of a packet byte by byte, so that its length is known before the body is read.
func (g *packetGuard) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	want := 1
	if g.body > 0 {
		want = min(len(p), g.body)
	}
	n, err := g.Conn.Read(p[:want])
	if n > 0 {
		if bad := g.follow(p[:n]); bad != nil {
			g.fail(bad)
			return 0, bad
		}
	}
	if err != nil {
		g.end(err)
		// The library reports nothing about a connection that was closed under it, and would go on as if it were open. It needs
		// another error when packetGuard has closed it.
		if why := g.reason(); why != nil {
			return n, fmt.Errorf("connection ended: %v", why)
		}
	}
	return n, err
}

// follow tracks the position in header and body (MQTT 3.1.1 section 2.2).
func (g *packetGuard) follow(p []byte) error {
	if g.body > 0 {
		g.body -= len(p)
		return nil
	}
	b := p[0]
	if g.kind == 0 {
		if g.kind = b >> 4; g.kind == 0 {
			return errors.New("the broker sends what is not MQTT")
		}
		return nil
	}
	g.length |= int(b&0x7f) << g.shift
	g.shift += 7
	if b&0x80 != 0 {
		if g.shift == 28 {
			return errors.New("the broker sends a length that is not MQTT")
		}
		return nil
	}
	const suback = 9
	switch {
	case g.length > g.limit:
		return fmt.Errorf("the broker announces a packet of %d bytes, the limit is %d", g.length, g.limit)
	case g.kind == suback && g.length > 3: // packet id and one result: there is one filter in each of our requests
		return errSuback
	}
	g.body, g.kind, g.length, g.shift = g.length, 0, 0, 0
	return nil
}

// Write bounds the time of every write.
func (g *packetGuard) Write(p []byte) (int, error) {
	if err := g.Conn.SetWriteDeadline(time.Now().Add(writeTimeout)); err != nil {
		return 0, err
	}
	n, err := g.Conn.Write(p)
	if err != nil {
		g.fail(err) // half a packet may be written, so nothing can follow it
	}
	return n, err
}

// SetWriteDeadline does nothing: Write sets its own.
func (g *packetGuard) SetWriteDeadline(time.Time) error { return nil }

// SetDeadline bounds the library's wait for the CONNACK.
func (g *packetGuard) SetDeadline(t time.Time) error { return g.Conn.SetReadDeadline(t) }

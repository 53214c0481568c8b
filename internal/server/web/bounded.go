package web

import (
	"net"
	"net/netip"
	"slices"
	"sync"

	"dewline/internal/server/auth"
)

// How many connections may be open: in all, which bounds the memory that other machines can take up, and from one network, so
// that none takes up the room of all others. A page needs one to a browser that speaks HTTP/2, and six otherwise.
const (
	maxConnections        = 256
	maxNetworkConnections = 48
)

// bounded is a listener with a bounded number of open connections. One more from a network that has its share is closed at once.
// Where all is full, the oldest one of the network with most of them gives way, unless the newcomer's network has as many.
// Trusted addresses, such as this machine's and a proxy's, speak for many and have no share of their own.
type bounded struct {
	net.Listener
	trusted func(netip.Addr) bool

	mu   sync.Mutex
	all  int
	from map[string][]*counted // by network, the oldest first
}

func newBounded(l net.Listener, trusted func(netip.Addr) bool) *bounded {
	return &bounded{Listener: l, trusted: trusted, from: map[string][]*counted{}}
}

// Accept waits for a connection for which there is room.
func (b *bounded) Accept() (net.Conn, error) {
	for {
		c, err := b.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if in := b.admit(c); in != nil {
			return in, nil
		}
		_ = c.Close() // nothing was said over it
	}
}

func (b *bounded) admit(c net.Conn) *counted {
	address := addressOf(c.RemoteAddr().String())
	in := &counted{Conn: c, list: b, network: auth.Network(address)}
	b.mu.Lock()
	own := len(b.from[in.network])
	if own >= maxNetworkConnections && !b.trusted(address) {
		b.mu.Unlock()
		return nil
	}
	var out *counted
	if b.all >= maxConnections {
		greedy := in.network
		for network, list := range b.from {
			if len(list) > len(b.from[greedy]) {
				greedy = network
			}
		}
		if greedy == in.network {
			b.mu.Unlock()
			return nil
		}
		out = b.from[greedy][0]
	}
	b.from[in.network] = append(b.from[in.network], in)
	b.all++
	b.mu.Unlock()
	if out != nil {
		_ = out.Close() // its server notices
	}
	return in
}

func (b *bounded) remove(c *counted) {
	b.mu.Lock()
	defer b.mu.Unlock()
	list := b.from[c.network]
	i := slices.Index(list, c)
	if i < 0 {
		return
	}
	b.all--
	if list = slices.Delete(list, i, i+1); len(list) > 0 {
		b.from[c.network] = list
	} else {
		delete(b.from, c.network)
	}
}

// counted is a connection that has a place in the list until it is closed.
type counted struct {
	net.Conn
	list    *bounded
	network string
}

// Close closes the connection and makes room.
func (c *counted) Close() error {
	defer c.list.remove(c)
	return c.Conn.Close()
}

// addressOf returns the address in host:port; the zero one where there is none.
func addressOf(text string) netip.Addr {
	if both, err := netip.ParseAddrPort(text); err == nil {
		return both.Addr().Unmap().WithZone("")
	}
	return netip.Addr{}
}

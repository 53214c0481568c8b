package web

import (
	"net"
	"net/netip"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// arriving is a listener whose connections come from addresses of the test's choice.
type arriving chan net.Conn

func (a arriving) Accept() (net.Conn, error) { return <-a, nil }
func (a arriving) Close() error              { return nil }
func (a arriving) Addr() net.Addr            { return &net.TCPAddr{} }

// wire is a connection that says where it comes from and whether it was closed.
type wire struct {
	net.Conn
	from   string
	closed bool
}

func (w *wire) RemoteAddr() net.Addr {
	return net.TCPAddrFromAddrPort(netip.AddrPortFrom(netip.MustParseAddr(w.from), 4711))
}

func (w *wire) Close() error { w.closed = true; return nil }

// crowd opens connections one after the other and returns who got in.
func crowd(t *testing.T, b *bounded, addresses ...string) (in []net.Conn, wires []*wire) {
	t.Helper()
	for _, from := range addresses {
		w := &wire{from: from}
		wires = append(wires, w)
		if c := b.admit(w); c != nil {
			in = append(in, c)
		}
	}
	return in, wires
}

func times(n int, address func(i int) string) []string {
	addresses := make([]string, n)
	for i := range addresses {
		addresses[i] = address(i)
	}
	return addresses
}

func loopbackOnly(a netip.Addr) bool { return a.IsLoopback() }

// One address, or one subscriber's network, leaves room for all others.
func TestOneNetworkTakesItsShareOnly(t *testing.T) {
	for name, from := range map[string]func(i int) string{
		"one address": func(int) string { return "192.0.2.66" },
		"one network": func(i int) string {
			return netip.AddrFrom16([16]byte{0x20, 1, 13: byte(i >> 8), 14: byte(i), 15: 1}).String()
		},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBounded(nil, loopbackOnly)
			in, _ := crowd(t, b, times(260, from)...)
			assert.Len(t, in, maxNetworkConnections)
			keeper, _ := crowd(t, b, times(20, func(int) string { return "192.0.2.20" })...)
			assert.Len(t, keeper, 20)
			require.NoError(t, in[0].Close())
			again, _ := crowd(t, b, from(0), from(1))
			assert.Len(t, again, 1, "there is room for one again")
		})
	}
}

// Where many addresses have filled everything, those with most connections give way to a newcomer.
func TestNewcomerFindsRoom(t *testing.T) {
	b := newBounded(nil, loopbackOnly)
	in, wires := crowd(t, b, times(maxConnections, func(i int) string { return netip.AddrFrom4([4]byte{198, 51, 100, byte(i % 20)}).String() })...)
	require.Len(t, in, maxConnections)
	keeper, _ := crowd(t, b, times(6, func(int) string { return "192.0.2.20" })...)
	assert.Len(t, keeper, 6)
	closed := 0
	for _, w := range wires {
		if w.closed {
			closed++
		}
	}
	assert.Equal(t, 6, closed)
	assert.Equal(t, maxConnections, b.all)
	for _, c := range append(in, keeper...) {
		require.NoError(t, c.Close())
		require.NoError(t, c.Close())
	}
	assert.Zero(t, b.all)
	assert.Empty(t, b.from)
}

// A proxy and this machine speak for many.
func TestTrustedAddressesHaveNoShare(t *testing.T) {
	b := newBounded(nil, loopbackOnly)
	in, _ := crowd(t, b, times(maxConnections+1, func(int) string { return "127.0.0.1" })...)
	assert.Len(t, in, maxConnections)
	keeper, _ := crowd(t, b, "192.0.2.20")
	assert.Len(t, keeper, 1)
}

// What finds no room is closed, and the next one is waited for.
func TestAcceptClosesWhatFindsNoRoom(t *testing.T) {
	arrive := make(arriving, maxNetworkConnections+3)
	var last *wire
	for range maxNetworkConnections + 2 {
		last = &wire{from: "192.0.2.66"}
		arrive <- last
	}
	arrive <- &wire{from: "192.0.2.20"}
	b := newBounded(arrive, loopbackOnly)
	for range maxNetworkConnections {
		_, err := b.Accept()
		require.NoError(t, err)
	}
	c, err := b.Accept()
	require.NoError(t, err)
	assert.Equal(t, "192.0.2.20:4711", c.RemoteAddr().String())
	assert.True(t, last.closed)
}

package broker

import (
	"bytes"
	"io"
	"net"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
)

// FuzzBeforeLogin sends any bytes as the first, and all, that a client says. The library must not panic, nor allocate more
// than a small multiple of what was sent. Inputs that log in go on into the handling of all other packets.
func FuzzBeforeLogin(f *testing.F) {
	five, four := connectPacket(5, "phone", "", ""), connectPacket(4, "phone", "chief", "pw-chief")
	five.Properties.User = []packets.UserProperty{{Key: "a", Val: "b"}}
	five.Connect.WillFlag, five.Connect.WillTopic, five.Connect.WillPayload = true, root+"/command/note", []byte("x")
	subscribe := packets.Packet{
		FixedHeader: packets.FixedHeader{Type: packets.Subscribe, Qos: 1}, PacketID: 1,
		Filters: packets.Subscriptions{{Filter: root + "/#", Qos: 1}},
	}
	publish := packets.Packet{
		FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: 2, Retain: true}, PacketID: 2,
		TopicName: root + "/command/note", Payload: []byte("x"),
	}
	bye := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Disconnect}}
	for _, version := range []byte{4, 5} {
		login := connectPacket(version, "phone", "", "")
		all := encoded(f, login)
		for _, pk := range []packets.Packet{subscribe, publish, bye} {
			pk.ProtocolVersion = version
			all = append(all, encoded(f, pk)...)
		}
		f.Add(all)
		f.Add(encoded(f, login))
	}
	f.Add(encoded(f, five))
	f.Add(encoded(f, four))
	f.Add([]byte{0x10, 0xff, 0xff, 0xff, 0x7f}) // 256 MiB announced
	f.Add([]byte{0x10, 0x80, 0x80, 0x80, 0x80, 0x80, 0x01})
	f.Add([]byte("GET / HTTP/1.1\r\n\r\n"))
	f.Add([]byte{})
	b := startBroker(f, Options{AllowCommands: true}, quick())
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 2*maxPacket {
			return
		}
		for id, session := range b.server.Clients.GetAll() { // what an earlier input has left
			b.access.OnClientExpired(session)
			b.server.Clients.Delete(id)
		}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		panics := b.listener.panics.Load()
		said := &script{Reader: bytes.NewReader(data)}
		c := b.listener.admit(said)
		if c == nil {
			t.Fatal("no place")
		}
		b.listener.serve(c, b.server.EstablishConnection)
		runtime.ReadMemStats(&after)
		if b.listener.panics.Load() != panics {
			// The library panics on some packets, such as a subscription that ends before its options (found by this target). That
			// may cost the sender its connection, and must not affect other clients: the next one is answered.
			next := &script{Reader: bytes.NewReader(encoded(t, connectPacket(4, "next", "", "")))}
			b.listener.serve(b.listener.admit(next), b.server.EstablishConnection)
			if answer := next.answers(); len(answer) < 4 || answer[0] != 0x20 || answer[3] != 0 {
				t.Fatalf("after a panic of the library the next client was answered % x", answer)
			}
		}
		// A connection costs its queue of maxPending messages; a packet of two bytes has some kilobytes of structures.
		if grown, limit := after.TotalAlloc-before.TotalAlloc, uint64(1<<20+4096*len(data)); grown > limit {
			t.Fatalf("%d bytes were allocated for %d bytes sent", grown, len(data))
		}
		if !said.closed.Load() {
			t.Fatal("the connection was left open")
		}
	})
}

// script is a connection whose whole input is given in advance.
type script struct {
	io.Reader
	closed atomic.Bool
	mu     sync.Mutex
	heard  []byte
}

// answers returns what the broker has written.
func (s *script) answers() []byte {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.heard)
}

func (s *script) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.heard = append(s.heard, p...)
	return len(p), nil
}

func (s *script) Close() error                     { s.closed.Store(true); return nil }
func (s *script) LocalAddr() net.Addr              { return &net.TCPAddr{} }
func (s *script) RemoteAddr() net.Addr             { return &net.TCPAddr{} }
func (s *script) SetDeadline(time.Time) error      { return nil }
func (s *script) SetReadDeadline(time.Time) error  { return nil }
func (s *script) SetWriteDeadline(time.Time) error { return nil }

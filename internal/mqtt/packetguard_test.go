package mqtt

import (
	"bytes"
	"errors"
	"net"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// wire is a connection that has only an incoming side.
type wire struct {
	*bytes.Reader
	closed bool
	ended  func() // called when it is closed; may be nil
}

func (w *wire) Write(p []byte) (int, error) { return len(p), nil }
func (w *wire) Close() error {
	w.closed = true
	if w.ended != nil {
		w.ended()
	}
	return nil
}
func (w *wire) LocalAddr() net.Addr              { return &net.TCPAddr{} }
func (w *wire) RemoteAddr() net.Addr             { return &net.TCPAddr{} }
func (w *wire) SetDeadline(time.Time) error      { return nil }
func (w *wire) SetReadDeadline(time.Time) error  { return nil }
func (w *wire) SetWriteDeadline(time.Time) error { return nil }

func TestGuardReasons(t *testing.T) {
	for _, c := range []struct {
		name string
		sent []byte
		want string
	}{
		{"a packet larger than the limit", []byte{0x30, 0x81, 0x01, 'x'}, "announces a packet of 129 bytes, the limit is 128"},
		{"a length of more than four bytes (MQTT 3.1.1 section 2.2.3)", []byte{0x30, 0xff, 0xff, 0xff, 0xff}, "not MQTT"},
		{"packet type 0 (section 2.2.1)", []byte{0x00, 0x00}, "not MQTT"},
		{"two results for one filter", []byte{0x90, 4, 0, 1, 0, 0}, "more results"},
		{"the end", nil, "EOF"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := &wire{Reader: bytes.NewReader(c.sent)}
			g := newPacketGuard(w, 128)
			_, err := packets.ReadPacket(g)
			require.ErrorContains(t, err, c.want)
			require.ErrorContains(t, g.reason(), c.want)
			<-g.done
		})
	}
}

func TestGuardKeepsTheFirstReason(t *testing.T) {
	g := newPacketGuard(&wire{Reader: bytes.NewReader(nil)}, 128)
	first := errors.New("first")
	g.fail(first)
	g.fail(errors.New("second"))
	require.NoError(t, g.Close())
	assert.Equal(t, first, g.reason())
}

// Whoever notices that a connection was dropped can write no goodbye any more, with which the broker would forget the will.
func TestGuardCutsBeforeItsEndIsNoticed(t *testing.T) {
	w := &wire{Reader: bytes.NewReader(nil)}
	g := newPacketGuard(w, 128)
	noticed := true
	w.ended = func() {
		select {
		case <-g.done:
		default:
			noticed = false
		}
		w.ended = nil // the first time counts
	}
	g.fail(errors.New("dropped"))
	assert.False(t, noticed)
	<-g.done
}

// FuzzGuard: whatever a broker sends, the library reads it through the guard without a panic, nothing larger than the limit is
// allocated, and the packets are the same as without a guard.
func FuzzGuard(f *testing.F) {
	f.Add([]byte{0x20, 2, 0, 0, 0x30, 5, 0, 1, 'a', 'h', 'i', 0x90, 3, 0, 1, 1, 0xd0, 0})
	f.Add([]byte{0x30, 0xff, 0xff, 0xff, 0x7f})
	f.Add([]byte{0x32, 4, 0, 1, 'a', 0})
	f.Add([]byte{0x90, 2, 0, 1})
	const limit = 512
	f.Fuzz(func(t *testing.T, sent []byte) {
		g := newPacketGuard(&wire{Reader: bytes.NewReader(sent)}, limit)
		bare := bytes.NewReader(sent)
		for {
			packet, err := packets.ReadPacket(g)
			if err != nil {
				return
			}
			want, err := packets.ReadPacket(bare)
			require.NoError(t, err)
			require.Equal(t, want.String(), packet.String())
			if publish, ok := packet.(*packets.PublishPacket); ok {
				require.LessOrEqual(t, len(publish.TopicName)+len(publish.Payload), limit)
			}
		}
	})
}

package mail

import (
	"context"
	"net"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/deliver/text"
	"dewline/internal/test/memoryqueue"
)

// TestTheEndClosesAConnectionThatIsSilent: a server that does not answer is left at once, not after its time.
func TestTheEndClosesAConnectionThatIsSilent(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer func() { assert.NoError(t, listener.Close()) }()
	for _, security := range []Security{StartTLS, TLS, None} {
		m, err := New(Options{
			Server: listener.Addr().String(), Security: security, From: "dewline@example.org", To: []string{"keeper@example.org"},
			Text: &text.Formatter{Site: "north-loft"}, Queue: memoryqueue.New(0, 0, 0),
		})
		require.NoError(t, err)
		ctx, cancel := context.WithCancel(t.Context())
		problem := make(chan error, 1)
		go func() {
			_, err := m.connect(ctx)
			problem <- err
		}()
		conn, err := listener.Accept()
		require.NoError(t, err)
		if security != TLS {
			_, err = conn.Write([]byte("220 mail.example.org\r\n"))
			require.NoError(t, err)
		}
		_, err = conn.Read(make([]byte, 1)) // the client has begun, and waits for an answer from now on
		require.NoError(t, err)
		cancel()
		err = <-problem
		require.Error(t, err)
		assert.NotContains(t, err.Error(), "i/o timeout", security)
		assert.NoError(t, conn.Close())
	}
}

package network

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// mode is what a gate does with connections.
type mode int

const (
	open    mode = iota
	shut         // no listener
	stalled      // half-open: connections stay up, nothing passes, and no FIN or RST arrives
	flap         // each connection is cut after a second
	deaf         // connections are taken, and nothing is ever said
	// instead lets another server answer.
	instead
)

// gate is a way to a server that can be broken. It always has the same address.
type gate struct {
	t      *testing.T
	addr   string
	target string

	mu       sync.Mutex
	mode     mode
	listener net.Listener // nil while shut
	conns    map[net.Conn]bool
	serve    func(net.Conn)
	tls      *tls.Config // ends TLS before the server; nil for none
	attempts atomic.Int64
}

func newGate(t *testing.T, target string) *gate {
	t.Helper()
	g := &gate{t: t, target: target, conns: map[net.Conn]bool{}}
	g.listen("127.0.0.1:0")
	g.addr = g.listener.Addr().String()
	t.Cleanup(func() { g.set(shut) })
	return g
}

// listen must be called with mu held, or before anybody else knows the gate.
func (g *gate) listen(addr string) {
	var listener net.Listener
	var err error
	for range 50 { // what was cut a moment ago may hold the port for a little
		if listener, err = net.Listen("tcp", addr); err == nil {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	require.NoError(g.t, err)
	g.listener = listener
	go func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			g.attempts.Add(1)
			go g.pass(conn)
		}
	}()
}

// set changes the mode. Going to stalled or open leaves the connections there are, all else cuts them.
func (g *gate) set(m mode) {
	g.mu.Lock()
	defer g.mu.Unlock()
	was := g.mode
	g.mode = m
	if m != stalled && !(m == open && was == open) {
		for c := range g.conns {
			_ = c.Close()
		}
	}
	switch {
	case m == shut && g.listener != nil:
		_ = g.listener.Close()
		g.listener = nil
	case m != shut && g.listener == nil:
		g.listen(g.addr)
	}
}

func (g *gate) now() mode {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.mode
}

func (g *gate) keep(c net.Conn) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.conns[c] = true
}

func (g *gate) drop(c net.Conn) {
	_ = c.Close()
	g.mu.Lock()
	defer g.mu.Unlock()
	delete(g.conns, c)
}

func (g *gate) pass(client net.Conn) {
	g.keep(client)
	defer g.drop(client)
	g.mu.Lock()
	config, serve, m := g.tls, g.serve, g.mode
	g.mu.Unlock()
	if config != nil {
		client = tls.Server(client, config)
	}
	switch m {
	case deaf, stalled:
		_, _ = io.Copy(io.Discard, client)
		return
	case instead:
		serve(client)
		return
	case flap:
		defer time.AfterFunc(time.Second, func() { _ = client.Close() }).Stop()
	}
	server, err := net.Dial("tcp", g.target)
	if err != nil {
		return
	}
	g.keep(server)
	defer g.drop(server)
	var both sync.WaitGroup
	both.Go(func() { g.forward(server, client) })
	both.Go(func() { g.forward(client, server) })
	both.Wait()
}

// forward carries bytes one way. While the gate is stalled it swallows them, as a network does that has lost the way.
func (g *gate) forward(to, from net.Conn) {
	defer to.Close()
	defer from.Close()
	buffer := make([]byte, 32<<10)
	for {
		n, err := from.Read(buffer)
		if err != nil {
			return
		}
		if g.now() == stalled {
			continue
		}
		if _, err := to.Write(buffer[:n]); err != nil {
			return
		}
	}
}

// authority signs invented certificates for brokers.
type authority struct {
	certificate *x509.Certificate
	key         *ecdsa.PrivateKey
	file        string
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "invented authority"}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageCertSign, NotBefore: time.Now().Add(-48 * time.Hour), NotAfter: time.Now().Add(48 * time.Hour),
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	certificate, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	a := &authority{certificate, key, filepath.Join(t.TempDir(), "ca.pem")}
	require.NoError(t, os.WriteFile(a.file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	return a
}

// server returns the TLS side of a server with a certificate for a host, valid until a time.
func (a *authority) server(t *testing.T, host string, until time.Time) *tls.Config {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "invented broker"}, DNSNames: []string{host},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, NotBefore: time.Now().Add(-47 * time.Hour), NotAfter: until,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, a.certificate, &key.PublicKey, a.key)
	require.NoError(t, err)
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}, MinVersion: tls.VersionTLS12}
}

// present makes the gate speak TLS.
func (g *gate) present(config *tls.Config) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.tls = config
	for c := range g.conns {
		_ = c.Close()
	}
}

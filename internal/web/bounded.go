package web

import (
	"net"
	"sync"
)

// mostConnections bounds the memory that other machines can take up with open connections.
const mostConnections = 256

// bounded is a listener with a bounded number of open connections. Further ones wait in the kernel.
type bounded struct {
	net.Listener
	slots chan struct{}
	done  chan struct{}
	once  sync.Once
}

func newBounded(l net.Listener, most int) *bounded {
	return &bounded{Listener: l, slots: make(chan struct{}, most), done: make(chan struct{})}
}

// Accept waits for a free slot, then for a connection.
func (b *bounded) Accept() (net.Conn, error) {
	select {
	case b.slots <- struct{}{}:
	case <-b.done:
		return nil, net.ErrClosed
	}
	c, err := b.Listener.Accept()
	if err != nil {
		<-b.slots
		return nil, err
	}
	return &slotted{Conn: c, free: sync.OnceFunc(func() { <-b.slots })}, nil
}

// Close closes the listener.
func (b *bounded) Close() error {
	b.once.Do(func() { close(b.done) })
	return b.Listener.Close()
}

type slotted struct {
	net.Conn
	free func()
}

// Close closes the connection and frees its slot.
func (s *slotted) Close() error {
	defer s.free()
	return s.Conn.Close()
}

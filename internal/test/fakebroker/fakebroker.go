// Package fakebroker is an MQTT 3.1.1 broker for tests that misbehaves on purpose: it takes messages and acknowledges
// none, falls silent, answers nonsense. It serves any net.Conn, so that a test may run it over net.Pipe on a fake clock.
package fakebroker

import (
	"errors"
	"net"
	"sync"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// Broker serves connections. Set the fields before the first one.
type Broker struct {
	// Refuse is the return code of every CONNACK; 0 accepts.
	Refuse byte
	// NoConnack never answers a CONNECT.
	NoConnack bool
	// Acknowledge decides over each PUBLISH of QoS 1; nil acknowledges all.
	Acknowledge func(Publish) bool
	// NoPong never answers a PINGREQ.
	NoPong bool
	// Suback returns the results for a SUBSCRIBE; nil grants QoS 1 to all.
	Suback func(filters []string) []byte
	// OnConnack is called when a connection is up; write sends raw bytes.
	OnConnack func(write func([]byte))
	// Stall stops reading after the CONNACK until it is closed, so that the peer's writes block; nil reads on.
	Stall <-chan struct{}

	mu         sync.Mutex
	connects   []Connect
	publishes  []Publish
	subscribes []string
	pubacks    int
	goodbyes   int
	conns      []net.Conn
}

// Connect is a CONNECT that arrived.
type Connect struct {
	ClientID, Username, Password string
	CleanSession                 bool
	KeepAliveSeconds             uint16
	ProtocolVersion              byte
	WillTopic, Will              string
	WillQoS                      byte
	WillRetained                 bool
}

// Publish is a PUBLISH that arrived. Connection counts from 1.
type Publish struct {
	Connection int
	Topic      string
	Payload    string
	QoS        byte
	Retained   bool
	Duplicate  bool
}

// Dial returns the client's end of a new connection over net.Pipe, whose other end is served in a goroutine that ends
// with the connection.
func (b *Broker) Dial() net.Conn {
	client, server := net.Pipe()
	go b.Serve(server)
	return client
}

// Listen accepts connections until the listener is closed.
func (b *Broker) Listen(listener net.Listener) {
	for {
		conn, err := listener.Accept()
		if err != nil {
			return
		}
		go b.Serve(conn)
	}
}

// Serve serves one connection to its end.
func (b *Broker) Serve(conn net.Conn) {
	defer func() { _ = conn.Close() }()
	b.mu.Lock()
	b.conns = append(b.conns, conn)
	number := len(b.conns)
	b.mu.Unlock()
	for {
		packet, err := packets.ReadPacket(conn)
		if err != nil || b.answer(conn, number, packet) != nil {
			return
		}
	}
}

var errEnd = errors.New("end of connection")

func (b *Broker) answer(conn net.Conn, number int, packet packets.ControlPacket) error {
	switch p := packet.(type) {
	case *packets.ConnectPacket:
		return b.connect(conn, p)
	case *packets.PublishPacket:
		m := Publish{number, p.TopicName, string(p.Payload), p.Qos, p.Retain, p.Dup}
		b.mu.Lock()
		b.publishes = append(b.publishes, m)
		b.mu.Unlock()
		if p.Qos == 1 && (b.Acknowledge == nil || b.Acknowledge(m)) {
			ack := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
			ack.MessageID = p.MessageID
			return ack.Write(conn)
		}
	case *packets.SubscribePacket:
		b.mu.Lock()
		b.subscribes = append(b.subscribes, p.Topics...)
		b.mu.Unlock()
		ack := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
		ack.MessageID, ack.ReturnCodes = p.MessageID, make([]byte, len(p.Topics))
		for i := range ack.ReturnCodes {
			ack.ReturnCodes[i] = 1
		}
		if b.Suback != nil {
			ack.ReturnCodes = b.Suback(p.Topics)
		}
		return ack.Write(conn)
	case *packets.UnsubscribePacket:
		ack := packets.NewControlPacket(packets.Unsuback).(*packets.UnsubackPacket)
		ack.MessageID = p.MessageID
		return ack.Write(conn)
	case *packets.PubackPacket:
		b.mu.Lock()
		b.pubacks++
		b.mu.Unlock()
	case *packets.PingreqPacket:
		if !b.NoPong {
			return packets.NewControlPacket(packets.Pingresp).Write(conn)
		}
	case *packets.DisconnectPacket:
		b.mu.Lock()
		b.goodbyes++
		b.mu.Unlock()
		return errEnd
	}
	return nil
}

func (b *Broker) connect(conn net.Conn, p *packets.ConnectPacket) error {
	b.mu.Lock()
	b.connects = append(b.connects, Connect{
		ClientID: p.ClientIdentifier, Username: p.Username, Password: string(p.Password), CleanSession: p.CleanSession,
		KeepAliveSeconds: p.Keepalive, ProtocolVersion: p.ProtocolVersion,
		WillTopic: p.WillTopic, Will: string(p.WillMessage), WillQoS: p.WillQos, WillRetained: p.WillRetain,
	})
	b.mu.Unlock()
	if b.NoConnack {
		return nil
	}
	ack := packets.NewControlPacket(packets.Connack).(*packets.ConnackPacket)
	ack.ReturnCode = b.Refuse
	if err := ack.Write(conn); err != nil || b.Refuse != 0 {
		return errEnd
	}
	if b.OnConnack != nil {
		b.OnConnack(func(raw []byte) { _, _ = conn.Write(raw) })
	}
	if b.Stall != nil {
		<-b.Stall
		return errEnd
	}
	return nil
}

// Deliver writes a PUBLISH to the newest connection.
func (b *Broker) Deliver(m Publish) error {
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Payload, p.Qos, p.Retain, p.Dup = m.Topic, []byte(m.Payload), m.QoS, m.Retained, m.Duplicate
	if p.Qos > 0 {
		p.MessageID = 7
	}
	return p.Write(b.newest())
}

// Cut ends the newest connection without a word.
func (b *Broker) Cut() { _ = b.newest().Close() }

func (b *Broker) newest() net.Conn {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.conns[len(b.conns)-1]
}

// Connects returns the CONNECT packets so far.
func (b *Broker) Connects() []Connect {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]Connect(nil), b.connects...)
}

// Publishes returns the PUBLISH packets so far.
func (b *Broker) Publishes() []Publish {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]Publish(nil), b.publishes...)
}

// Subscribes returns the filters asked for so far, in order.
func (b *Broker) Subscribes() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string(nil), b.subscribes...)
}

// Pubacks returns the number of deliveries the client has acknowledged so far.
func (b *Broker) Pubacks() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.pubacks
}

// Goodbyes returns the number of DISCONNECT packets so far.
func (b *Broker) Goodbyes() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.goodbyes
}

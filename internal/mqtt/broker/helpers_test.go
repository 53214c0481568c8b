package broker

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
	"golang.org/x/crypto/bcrypt"
)

const (
	root    = "dewline/north-loft"
	patient = 20 * time.Second // for what must happen
)

// quick is the usual tuning but for the cost of hashing.
func quick() tuning {
	t := usual()
	t.hashCost = bcrypt.MinCost
	return t
}

func startBroker(t testing.TB, o Options, tune tuning) *Broker {
	t.Helper()
	if o.Listen == "" {
		o.Listen = "127.0.0.1:0"
	}
	if o.Root == "" {
		o.Root = root
	}
	b, err := start(o, tune)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	return b
}

// user makes a user whose password is "pw-" and the name.
func user(t testing.TB, name string, read, write []string) User {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, []byte("pw-"+name+"\n"), 0o600))
	return User{Name: name, PasswordFile: path, Read: read, Write: write}
}

// client is a paho client, as a phone or a microcontroller would have it: MQTT 3.1.1.
type client struct {
	paho.Client
	t        testing.TB
	messages chan paho.Message
	lost     chan error
}

type setting func(*paho.ClientOptions)

func as(name string) setting {
	return func(o *paho.ClientOptions) { o.SetUsername(name); o.SetPassword("pw-" + name) }
}

func asDaemon(b *Broker) setting {
	return func(o *paho.ClientOptions) {
		name, password, _ := b.Credentials()
		o.SetUsername(name)
		o.SetPassword(password)
	}
}

func keepsSession(o *paho.ClientOptions) { o.SetCleanSession(false) }

func tryConnect(t testing.TB, b *Broker, id string, settings ...setting) (*client, error) {
	t.Helper()
	c := &client{t: t, messages: make(chan paho.Message, 8192), lost: make(chan error, 1)}
	o := paho.NewClientOptions().AddBroker("tcp://" + b.Addr()).SetClientID(id).SetProtocolVersion(4).SetAutoReconnect(false)
	o.SetConnectTimeout(patient)
	o.SetConnectionLostHandler(func(_ paho.Client, err error) { c.lost <- err })
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { c.messages <- m })
	for _, s := range settings {
		s(o)
	}
	c.Client = paho.NewClient(o)
	token := c.Connect()
	require.True(t, token.WaitTimeout(patient), "no answer to the connect of %s", id)
	if token.Error() != nil {
		return nil, token.Error()
	}
	t.Cleanup(func() { c.Disconnect(0) })
	return c, nil
}

func connect(t testing.TB, b *Broker, id string, settings ...setting) *client {
	t.Helper()
	c, err := tryConnect(t, b, id, settings...)
	require.NoError(t, err)
	return c
}

// subscribe returns whether the broker grants a filter.
func (c *client) subscribe(filter string, qos byte) bool {
	c.t.Helper()
	token := c.Subscribe(filter, qos, nil)
	require.True(c.t, token.WaitTimeout(patient))
	for _, granted := range token.(*paho.SubscribeToken).Result() { // the library names shared filters otherwise
		return token.Error() == nil && granted <= 2
	}
	return false
}

func (c *client) publish(topic string, qos byte, retained bool, payload string) {
	c.t.Helper()
	token := c.Publish(topic, qos, retained, payload)
	require.True(c.t, token.WaitTimeout(patient))
	require.NoError(c.t, token.Error())
}

func (c *client) next() paho.Message {
	c.t.Helper()
	select {
	case m := <-c.messages:
		return m
	case err := <-c.lost:
		c.t.Fatalf("the connection was lost: %v", err)
	case <-time.After(patient):
		c.t.Fatal("nothing came")
	}
	return nil
}

func (c *client) isLost() {
	c.t.Helper()
	select {
	case <-c.lost:
	case <-time.After(patient):
		c.t.Fatal("the connection is still open")
	}
}

// raw is a client that sends what it likes.
type raw struct {
	net.Conn
	t       testing.TB
	r       *bufio.Reader
	version byte
}

func dial(t testing.TB, b *Broker) *raw {
	t.Helper()
	conn, err := net.Dial("tcp", b.Addr())
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	return &raw{Conn: conn, t: t, r: bufio.NewReader(conn)}
}

func (r *raw) send(b ...byte) {
	_, _ = r.Write(b) // the broker may have closed already
}

// ends reads until the broker closes the connection.
func (r *raw) ends() {
	r.t.Helper()
	require.NoError(r.t, r.SetReadDeadline(time.Now().Add(patient)))
	_, err := io.Copy(io.Discard, r.r)
	if timeout, ok := err.(net.Error); ok {
		require.False(r.t, timeout.Timeout(), "the broker keeps the connection")
	}
}

func connectPacket(version byte, id, name, password string) packets.Packet {
	pk := packets.Packet{
		FixedHeader: packets.FixedHeader{Type: packets.Connect}, ProtocolVersion: version,
		Connect: packets.ConnectParams{ProtocolName: []byte("MQTT"), Clean: true, Keepalive: 60, ClientIdentifier: id},
	}
	if name != "" {
		pk.Connect.UsernameFlag, pk.Connect.Username = true, []byte(name)
		pk.Connect.PasswordFlag, pk.Connect.Password = true, []byte(password)
	}
	return pk
}

func encoded(t testing.TB, pk packets.Packet) []byte {
	t.Helper()
	var out bytes.Buffer
	encode := map[byte]func(*bytes.Buffer) error{
		packets.Connect: pk.ConnectEncode, packets.Publish: pk.PublishEncode, packets.Subscribe: pk.SubscribeEncode,
		packets.Disconnect: pk.DisconnectEncode, packets.Unsubscribe: pk.UnsubscribeEncode, packets.Pingreq: pk.PingreqEncode,
	}[pk.FixedHeader.Type]
	require.NoError(t, encode(&out))
	return out.Bytes()
}

// connected logs in and returns the CONNACK.
func (r *raw) connected(pk packets.Packet) packets.Packet {
	r.t.Helper()
	r.version = pk.ProtocolVersion
	r.send(encoded(r.t, pk)...)
	ack, err := r.read()
	require.NoError(r.t, err)
	require.Equal(r.t, packets.Connack, ack.FixedHeader.Type)
	return ack
}

// read reads one packet.
func (r *raw) read() (packets.Packet, error) {
	if err := r.SetReadDeadline(time.Now().Add(patient)); err != nil {
		return packets.Packet{}, err
	}
	first, err := r.r.ReadByte()
	if err != nil {
		return packets.Packet{}, err
	}
	pk := packets.Packet{ProtocolVersion: r.version}
	if err := pk.FixedHeader.Decode(first); err != nil {
		return pk, err
	}
	if pk.FixedHeader.Remaining, _, err = packets.DecodeLength(r.r); err != nil {
		return pk, err
	}
	body := make([]byte, pk.FixedHeader.Remaining)
	if _, err := io.ReadFull(r.r, body); err != nil {
		return pk, err
	}
	switch pk.FixedHeader.Type {
	case packets.Connack:
		err = pk.ConnackDecode(body)
	case packets.Puback:
		err = pk.PubackDecode(body)
	case packets.Suback:
		err = pk.SubackDecode(body)
	case packets.Publish:
		err = pk.PublishDecode(body)
	case packets.Pingresp:
	case packets.Disconnect:
		err = pk.DisconnectDecode(body)
	default:
		err = fmt.Errorf("packet type %d", pk.FixedHeader.Type)
	}
	return pk, err
}

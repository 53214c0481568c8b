package broker

import (
	"cmp"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"sync"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
	"golang.org/x/crypto/bcrypt"

	"dewline/internal/mqtt"
)

// The limits; the package documentation explains them.
const (
	maxPacket        = 64 << 10
	maxConnections   = 32
	maxSessions      = 16 // of one user
	maxSubscriptions = 256
	maxClientID      = 128 // bytes
	maxTopic         = 1024
	maxLevels        = 32
	maxRetained      = 2048
	maxRetainedBytes = 16 << 20
	maxInflight      = 1024
	// maxPending must be above maxRetained: a subscription puts all retained messages at once into the queue of its client.
	maxPending = 2 * maxRetained
	// messageExpiry is also the age at which the library deletes retained messages (mochi#444), so it must outlast them. It
	// outlasts as well the step of a clock that starts in 1970 and is set to the present when the network comes.
	messageExpiry = 100 * 365 * 24 * 60 * 60 // seconds; fits the 32 bits of MQTT 5
	// statistics is the interval of the $SYS topics. Each time the library stops the world to measure memory.
	statistics = 600 // seconds
)

// Options configure the broker: where it listens and who may do what. Listen and Root are required.
type Options struct {
	// Listen is host and port; the host is a loopback address or localhost. Port 0 takes a free one, see [Broker.Addr].
	Listen string
	// Root is the root of the site's topics, such as "dewline/north-loft", without a final slash.
	Root string
	// AllowCommands opens ROOT/command to those who may write there.
	AllowCommands bool
	// Users may use the broker. Without any, all programs on this machine may read the site's topics.
	Users []User
	// Log gets what happens, without payloads and secrets; nil means silence.
	Log *slog.Logger
}

// User is a user of the broker.
type User struct {
	Name         string
	PasswordFile string // one line
	Read, Write  []string
}

// tuning is what tests change.
type tuning struct {
	hashCost      int
	login, write  time.Duration
	sessionExpiry uint32 // seconds
	messageExpiry int64  // seconds
}

func usual() tuning {
	return tuning{
		hashCost: bcrypt.DefaultCost, login: 10 * time.Second, write: 5 * time.Second, sessionExpiry: 3600,
		messageExpiry: messageExpiry,
	}
}

// Broker is a running broker.
type Broker struct {
	server   *mochi.Server
	listener *listener
	access   *accessHook
	secret   string
	close    func() error
}

// Start checks the options, reads the password files and begins to listen.
func Start(o Options) (*Broker, error) { return start(o, usual()) }

func start(o Options, t tuning) (*Broker, error) {
	o.Log = cmp.Or(o.Log, slog.New(slog.DiscardHandler))
	if err := mqtt.CheckTopic(o.Root); err != nil {
		return nil, fmt.Errorf("embedded broker: root: %w", err)
	}
	secret := rand.Text()
	accounts, err := newAccounts(o, secret, t.hashCost)
	if err != nil {
		return nil, fmt.Errorf("embedded broker: %w", err)
	}
	inner, err := listen(o.Listen)
	if err != nil {
		return nil, fmt.Errorf("embedded broker: %w", err)
	}
	server := mochi.New(&mochi.Options{
		Capabilities:           capabilities(t),
		Logger:                 slog.New(logFilter{o.Log.Handler()}),
		SysTopicResendInterval: statistics,
	})
	b := &Broker{
		server: server, listener: newListener(inner, t, o.Log),
		access: newAccessHook(server, accounts, o, t), secret: secret,
	}
	b.listener.goodbye = b.disconnectAll
	b.close = sync.OnceValue(server.Close)
	// One hook only: of several, one yes is enough.
	if err := errors.Join(server.AddHook(b.access, nil), server.AddListener(b.listener), server.Serve()); err != nil {
		return nil, errors.Join(fmt.Errorf("embedded broker: %w", err), inner.Close())
	}
	o.Log.Info("the embedded broker listens", "address", b.Addr(), "users", len(o.Users))
	return b, nil
}

// capabilities sets every limit of the library that has one.
func capabilities(t tuning) *mochi.Capabilities {
	c := mochi.NewDefaultServerCapabilities()
	c.MaximumClients = maxConnections
	c.MaximumPacketSize = maxPacket
	c.MaximumMessageExpiryInterval = t.messageExpiry
	c.MaximumSessionExpiryInterval = t.sessionExpiry
	c.MaximumClientWritesPending = maxPending
	c.MaximumInflight = maxInflight
	c.ReceiveMaximum = 64
	c.TopicAliasMaximum = 0 // the access rules see a topic before its alias is resolved
	c.MinimumProtocolVersion = 4
	c.Compatibilities.NoInheritedPropertiesOnAck = true
	return c
}

// listen opens a loopback address and nothing else.
func listen(address string) (net.Listener, error) {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, fmt.Errorf("listen: %q is not host:port: %w", address, err)
	}
	ip, err := netip.ParseAddr(host)
	if host != "localhost" && (err != nil || !ip.IsLoopback()) {
		return nil, notLoopback(address)
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("listen: %w", err)
	}
	// localhost is resolved through a file that may have been edited.
	if tcp, ok := l.Addr().(*net.TCPAddr); !ok || !tcp.IP.IsLoopback() {
		return nil, errors.Join(notLoopback(address), l.Close())
	}
	return l, nil
}

func notLoopback(address string) error {
	return fmt.Errorf("listen: %s can be reached from other machines: listen on 127.0.0.1, and run a broker of the distribution for other machines", address)
}

// Addr returns the host and port on which the broker listens.
func (b *Broker) Addr() string { return b.listener.Address() }

// URL returns the address for mqtt.Options.
func (b *Broker) URL() string { return "mqtt://" + b.Addr() }

// Credentials returns the login of the program itself, for mqtt.Options. The error is always nil.
func (b *Broker) Credentials() (username, password string, err error) {
	return internalUser, b.secret, nil
}

// disconnectAll sends the clients that are connected away.
func (b *Broker) disconnectAll() {
	for _, client := range b.server.Clients.GetAll() {
		if client.Net.Listener == b.listener.ID() && !client.Closed() {
			_ = b.server.DisconnectClient(client, packets.ErrServerShuttingDown) // it says nothing else
		}
	}
}

// Close disconnects all clients and returns when every goroutine of the broker has ended. Further calls do nothing.
func (b *Broker) Close() error { return b.close() }

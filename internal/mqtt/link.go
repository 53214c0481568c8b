// Package mqtt maintains a connection to an MQTT broker, for the notifier that publishes and for the sensors that are fed over
// MQTT. It wraps paho.mqtt.golang, which speaks MQTT 3.1.1.
//
//	link, err := mqtt.New(mqtt.Options{Broker: "mqtt://127.0.0.1:1883", ClientID: mqtt.ClientID("north-loft", "outlet")})
//	commands, err := link.Subscribe("dewline/north-loft/command/+", 1, 16)
//	go link.Run(ctx) // connects, reconnects, and says goodbye when ctx ends
//	...
//	session, err := link.Session(ctx) // waits for a connection
//	err = session.Publish(ctx, mqtt.Message{Topic: "dewline/north-loft/events", QoS: 1, Payload: event})
//
// A [Session] is one connection, and ends with it. That is the purpose of the package: a message counts as delivered only if
// the broker acknowledged it on the same connection that carried it. Each connection therefore gets a client of its
// own, and the library's own reconnecting and its store of unacknowledged messages stay unused: they complete tokens
// of a dead connection and would send an old retained state after a newer one. The package repeats no message: the outbox
// sends what was not acknowledged again, with the same event id.
//
// Nothing here waits without a bound, and no caller's code runs inside the library's handlers: what arrives goes into
// the bounded channel of a [Subscription], or is counted as dropped.
package mqtt

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/url"
	"slices"
	"sync"
	"time"
)

// The times of a connection. KeepAlive and ping timeout together notice a silent peer after at most 25 s.
const (
	keepAlive      = 15 * time.Second
	pingTimeout    = 5 * time.Second
	writeTimeout   = 5 * time.Second
	connectTimeout = 10 * time.Second
	firstRetry     = time.Second
	maxRetry       = time.Minute
	// steady is how long a connection must have lasted before the next loss restarts the waiting times. A broker that
	// closes the connection on a forbidden topic is then not dialled every second for ever.
	steady      = time.Minute
	goodbyeTime = 2 * time.Second
	// inFlight is how many messages of QoS 1 may wait for their acknowledgement on one connection.
	inFlight = 32
)

// The default limits on the size of a packet.
const (
	MaxIncoming = 256 << 10
	MaxOutgoing = 60 << 10 // below the 64 KiB at which the embedded broker hangs up
)

// Options says where and as whom to connect.
type Options struct {
	// Broker is mqtt://, tcp://, mqtts://, ws:// or wss:// with host and optional port; see [ParseBroker].
	Broker string
	// ClientID is fixed per site and role (see [ClientID]): two clients with one id throw each other out for ever.
	ClientID string
	// Username and PasswordFile log in; the file is read at each connect, so a new password needs no restart.
	Username     string
	PasswordFile string
	// Credentials replaces Username and PasswordFile, for a broker inside the same process.
	Credentials func() (username, password string, err error)
	// CAFile holds the authorities to trust with mqtts and wss; empty means those of the system. CertFile and KeyFile are
	// the client's certificate. They too are read at each connect.
	CAFile, CertFile, KeyFile string
	// Will is published by the broker when the connection dies; it is retained, with QoS 1. Nil means none.
	Will *Will
	// MaxIncoming closes the connection on a larger packet, before anything is allocated for it; 0 means [MaxIncoming].
	MaxIncoming int
	// MaxOutgoing refuses a larger payload; 0 means [MaxOutgoing].
	MaxOutgoing int
	// Dial replaces the dialling of the broker; used by tests.
	Dial func(ctx context.Context) (net.Conn, error)
	// Random returns a number in [0, 1) to spread the waiting times; nil means chance.
	Random func() float64
	// Log gets what happens; nil means silence.
	Log *slog.Logger
}

// Will is the last will, and the goodbye of a clean stop in its place.
type Will struct {
	Topic   string
	Payload []byte
	// Farewell returns what is published on the same topic when the link is stopped in good order, since the broker
	// does not send the will then. Nil means Payload.
	Farewell func() []byte
}

// ClientID returns the fixed client id of a role of a site, such as "dewline-north-loft-outlet".
func ClientID(site, role string) string { return "dewline-" + site + "-" + role }

// ErrNotConnected is returned when there is no connection, or the session's has ended.
var ErrNotConnected = errors.New("not connected to the broker")

// Client is the connection to one broker, over all reconnects. Its methods may be called from any goroutine.
type Client struct {
	options Options
	broker  *url.URL
	log     *slog.Logger

	mu            sync.Mutex
	status        Status
	session       *Session      // nil while there is none
	changed       chan struct{} // closed and replaced when session changes
	subscriptions []*Subscription
	exact         map[string][]*Subscription // those whose filter has no wildcard, by it
	wild          []*Subscription            // the others
	unrouted      uint64
	logged        []string      // reasons logged since the last connection that lasted
	more          chan struct{} // a subscription was added
	workers       sync.WaitGroup
}

// Status is the state of the connection, for health pages and metrics. It holds no secret.
type Status struct {
	Broker    string // address without a user
	Connected bool
	Epoch     uint64 // counts the connections
	Tries     int    // since the last connection
	Err       string // why there is none, or what the broker refused; "" when all is well, and until the first try has ended
	Dropped   uint64 // messages that arrived and found their channel full
}

// New checks the options. Nothing is connected before [Link.Run].
func New(o Options) (*Client, error) {
	broker, err := ParseBroker(o.Broker)
	if err != nil {
		return nil, err
	}
	secure := broker.Scheme == "mqtts" || broker.Scheme == "wss"
	switch {
	case o.ClientID == "":
		return nil, errors.New("mqtt: no client id")
	case (o.CertFile == "") != (o.KeyFile == ""):
		return nil, errors.New("mqtt: a client certificate needs both its certificate file and its key file")
	case !secure && (o.CAFile != "" || o.CertFile != ""):
		return nil, fmt.Errorf("mqtt: certificates are of no use with %s://, write mqtts:// or wss://", broker.Scheme)
	case o.PasswordFile != "" && o.Username == "":
		return nil, errors.New("mqtt: a password file needs a username (MQTT 3.1.1 section 3.1.2.9)")
	}
	if o.Will != nil {
		if err := CheckTopic(o.Will.Topic); err != nil {
			return nil, err
		}
	}
	o.MaxIncoming = cmp.Or(o.MaxIncoming, MaxIncoming)
	o.MaxOutgoing = cmp.Or(o.MaxOutgoing, MaxOutgoing)
	if o.Random == nil {
		o.Random = rand.Float64
	}
	o.Log = cmp.Or(o.Log, slog.New(slog.DiscardHandler))
	l := &Client{
		options: o, broker: broker, log: o.Log.With("broker", broker.String()), changed: make(chan struct{}),
		more: make(chan struct{}, 1), exact: map[string][]*Subscription{},
		status: Status{Broker: broker.String()},
	}
	if o.Username != "" && !secure && !loopback(broker.Hostname()) {
		l.log.Warn("the password goes over the network in clear; mqtts:// would hide it")
	}
	return l, nil
}

// Status returns the state of the connection.
func (l *Client) Status() Status {
	l.mu.Lock()
	defer l.mu.Unlock()
	status := l.status
	for _, s := range l.subscriptions {
		status.Dropped += s.Dropped()
	}
	return status
}

// Run connects and keeps connected until ctx ends; then it publishes the farewell and disconnects in good order. It
// returns nil then, and may be called once.
func (l *Client) Run(ctx context.Context) error {
	defer l.workers.Wait()
	for attempt := 0; ; {
		began := time.Now()
		session, err := l.connect(ctx)
		if err == nil {
			err = l.serve(ctx, session)
		}
		if ctx.Err() != nil {
			l.noteEnd(nil)
			return nil
		}
		l.noteEnd(err)
		if time.Since(began) >= steady {
			attempt = 0
		}
		if !sleep(ctx, Backoff(attempt, l.options.Random())) {
			return nil
		}
		attempt++
	}
}

// Backoff is how long to wait after a number of failed attempts: it doubles from 1 s to 1 min, of which it takes between half and all by a
// random number in [0, 1), so that the clients of a broker that comes back do not all call at the same moment.
func Backoff(attempt int, random float64) time.Duration {
	wait := maxRetry
	if attempt < 6 { // 2⁶ s is above a minute
		wait = firstRetry << attempt
	}
	return time.Duration(float64(wait) * (0.5 + random/2))
}

func sleep(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// serve makes the session known until it or ctx ends.
func (l *Client) serve(ctx context.Context, s *Session) error {
	l.noteStart(s)
	l.workers.Go(s.sendLoop)
	l.workers.Go(func() { l.resubscribe(s) })
	lasts := time.AfterFunc(steady, func() { l.noteSteady(s) })
	defer lasts.Stop()
	select {
	case <-s.Done():
		l.setSession(nil)
		s.disconnect()
		return fmt.Errorf("mqtt: connection lost: %w", s.reason())
	case <-ctx.Done():
		s.goodbye(l.options.Will)
		l.setSession(nil)
		s.disconnect()
		return nil
	}
}

func (l *Client) noteStart(s *Session) {
	l.mu.Lock()
	l.status.Epoch++
	s.epoch = l.status.Epoch
	l.status.Connected, l.status.Tries, l.status.Err = true, 0, ""
	flapping := len(l.logged) > 0 && l.status.Epoch > 1
	l.mu.Unlock()
	if !flapping {
		l.log.Info("connected to the broker", "epoch", s.epoch)
	}
	l.setSession(s)
}

// noteSteady logs a connection that lasts, if connections were lost before. From then on a loss is logged again.
func (l *Client) noteSteady(s *Session) {
	l.mu.Lock()
	lost := len(l.logged) > 0 && !s.ended()
	if lost {
		l.logged = nil
	}
	l.mu.Unlock()
	if lost {
		l.log.Info("the connection to the broker lasts again", "epoch", s.epoch)
	}
}

func (l *Client) noteEnd(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.status.Connected, l.status.Err = false, "stopped"
	if err == nil {
		return
	}
	l.status.Tries++
	l.status.Err = plain(err)
	// A broker that is away for days, or accepts and drops connections, gets a line for each new reason, not one a minute.
	if !slices.Contains(l.logged, l.status.Err) && len(l.logged) < maxReasons {
		l.logged = append(l.logged, l.status.Err)
		l.log.Warn("no connection to the broker, trying again", "err", l.status.Err)
	}
}

// maxReasons is how many different reasons are logged until a connection lasts.
const maxReasons = 8

func (l *Client) noteRefusal(err error) {
	l.mu.Lock()
	l.status.Err = err.Error()
	l.mu.Unlock()
	l.log.Warn("the broker refused a subscription", "err", err)
}

func (l *Client) setSession(s *Session) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.session = s
	close(l.changed)
	l.changed = make(chan struct{})
}

// Session returns the connection there is, or waits for the next one.
func (l *Client) Session(ctx context.Context) (*Session, error) {
	for {
		l.mu.Lock()
		session, changed := l.session, l.changed
		l.mu.Unlock()
		if session != nil && !session.ended() {
			return session, nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return nil, fmt.Errorf("%w: %w", ErrNotConnected, context.Cause(ctx))
		}
	}
}

package mqtt

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"strings"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// connect makes one attempt, of at most connectTimeout.
func (l *Client) connect(ctx context.Context) (*Session, error) {
	username, password, err := l.options.credentials()
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, connectTimeout)
	defer cancel()
	s := &Session{
		limit: l.options.MaxOutgoing, sends: make(chan *Delivery), window: make(chan struct{}, inFlight), ending: make(chan struct{}),
	}
	lost := make(chan error, 1)
	s.lost = lost
	o := l.clientOptions()
	o.SetUsername(username)
	o.SetPassword(password)
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
		select {
		case lost <- err:
		default:
		}
	})
	var dialled error // the library wraps it into texts of its own
	abandon := func() bool { return true }
	o.SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
		conn, err := l.dial(ctx)
		if err != nil {
			dialled = err
			return nil, err
		}
		s.conn = newPacketGuard(conn, l.options.MaxIncoming)
		abandon = context.AfterFunc(ctx, func() { s.conn.fail(context.Cause(ctx)) })
		return s.conn, nil
	})
	s.client = mqtt.NewClient(o)
	token := s.client.Connect()
	<-token.Done() // bounded: by ctx until the connection is up, by the deadline the library sets for the CONNACK then
	stillWanted := abandon()
	switch err := token.Error(); {
	case dialled != nil:
		return nil, fmt.Errorf("mqtt: connecting: %w", explain(dialled))
	case err != nil:
		return nil, fmt.Errorf("mqtt: connecting: %w", l.login(err))
	case !stillWanted:
		return nil, fmt.Errorf("mqtt: connecting: %w", context.Cause(ctx))
	}
	return s, nil
}

// clientOptions returns the options that are the same for every connection.
func (l *Client) clientOptions() *mqtt.ClientOptions {
	o := mqtt.NewClientOptions()
	o.Servers = []*url.URL{l.broker}
	o.SetClientID(l.options.ClientID)
	o.SetProtocolVersion(4) // else a second attempt is made with MQTT 3.1
	o.SetCleanSession(false)
	o.SetStore(mqtt.NewOrderedMemoryStore())
	o.SetAutoReconnect(false) // see the package comment; Run tries the first connect and the later ones alike
	o.SetConnectRetry(false)
	o.SetMaxReconnectInterval(maxRetry)
	o.SetConnectTimeout(connectTimeout)
	o.SetKeepAlive(keepAlive)
	o.SetPingTimeout(pingTimeout)
	o.SetWriteTimeout(writeTimeout)
	o.SetOrderMatters(true) // receive never waits, so order costs nothing
	o.SetDefaultPublishHandler(l.receive)
	if w := l.options.Will; w != nil {
		o.SetBinaryWill(w.Topic, w.Payload, 1, true)
	}
	return o
}

// login reports whether a refusal is about user name or password.
func (l *Client) login(err error) error {
	text := err.Error()
	if strings.Contains(text, "bad user name or password") || strings.Contains(text, "not Authorized") {
		file := "username and password-file"
		if l.options.PasswordFile != "" {
			file = "username, and at the password in " + l.options.PasswordFile
		}
		return fmt.Errorf("%w (the broker does not accept user %q: look at %s)", err, l.options.Username, file)
	}
	return err
}

// dial connects to the broker. It uses no proxy of the environment: the library would, and a broker on the same board must be
// reached directly.
func (l *Client) dial(ctx context.Context) (net.Conn, error) {
	if l.options.Dial != nil {
		return l.options.Dial(ctx)
	}
	var config *tls.Config
	if l.broker.Scheme == "mqtts" || l.broker.Scheme == "wss" {
		var err error
		if config, err = l.options.tlsConfig(l.broker.Hostname()); err != nil {
			return nil, err
		}
	}
	dialer := &net.Dialer{Timeout: connectTimeout}
	switch l.broker.Scheme {
	case "mqtt":
		return dialer.DialContext(ctx, "tcp", l.broker.Host)
	case "mqtts":
		return (&tls.Dialer{NetDialer: dialer, Config: config}).DialContext(ctx, "tcp", l.broker.Host)
	case "ws", "wss":
		direct := func(*http.Request) (*url.URL, error) { return nil, nil }
		return mqtt.NewWebsocket(l.broker.String(), config, connectTimeout, nil, &mqtt.WebsocketOptions{Proxy: direct})
	}
	return nil, errors.New("unknown kind of address")
}

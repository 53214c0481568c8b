package mail

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"net/mail"
	"net/textproto"
	"strconv"
	"strings"
	"time"

	gomail "github.com/wneessen/go-mail"
	"github.com/wneessen/go-mail/smtp"

	"dewline/internal/deliver"
	"dewline/internal/deliver/serial"
	"dewline/internal/deliver/text"
	"dewline/internal/secretfile"
)

// The times of a delivery.
const (
	// answerTimeout is how long the server may take for connecting and greeting, and then for each receiver.
	answerTimeout = 15 * time.Second
	// deliveryTimeout is how long the whole of it may take.
	deliveryTimeout = time.Minute
)

// The ways to log in, best first. In clear those come first that do not show the password.
var (
	loginsWithTLS = []gomail.SMTPAuthType{gomail.SMTPAuthSCRAMSHA256PLUS, gomail.SMTPAuthSCRAMSHA256, gomail.SMTPAuthPlain, gomail.SMTPAuthLogin}
	loginsInClear = []gomail.SMTPAuthType{gomail.SMTPAuthSCRAMSHA256, gomail.SMTPAuthCramMD5, gomail.SMTPAuthPlainNoEnc, gomail.SMTPAuthLoginNoEnc}
)

// deliver sends one message to all receivers that have not got it yet.
func (m *Mail) deliver(ctx context.Context, item deliver.Item) error {
	content, err := unpack(item.Body)
	if err != nil {
		return err
	}
	if m.event != item.Event || m.settled == nil {
		m.event, m.settled = item.Event, map[string]bool{}
	}
	ctx, cancel := context.WithTimeout(ctx, deliveryTimeout)
	defer cancel()
	c, err := m.connect(ctx)
	if err != nil {
		return err
	}
	defer c.close()
	var later error
	refused := errors.New("in an earlier try")
	for _, to := range m.to {
		if _, settled := m.settled[to.Address]; settled {
			continue
		}
		err := c.send(m.message(content, item, to))
		answer, ok := errors.AsType[*reply](err)
		switch {
		case err == nil:
			m.settled[to.Address] = true
		case ok && answer.final():
			m.settled[to.Address] = false
			refused = fmt.Errorf("to %s: %w", to.Address, err)
			m.o.Log.Error("a receiver is left out", "event", item.Event, "to", to.Address, "err", err)
		case ok:
			later = &serial.RetryAfterError{Err: fmt.Errorf("to %s: %w", to.Address, err)}
		default: // the connection is broken
			return fmt.Errorf("to %s: %w", to.Address, err)
		}
	}
	if later != nil {
		return later
	}
	for _, got := range m.settled {
		if got {
			return nil
		}
	}
	return fmt.Errorf("%w: the mail server refused it for every receiver, last %w", deliver.ErrUnsendable, refused)
}

// message makes the mail to one receiver. The receivers do not see each other.
func (m *Mail) message(content Message, item deliver.Item, to *mail.Address) *gomail.Msg {
	domain := m.from.Address[strings.LastIndexByte(m.from.Address, '@')+1:]
	msg := gomail.NewMsg()
	msg.FromMailAddress(m.from)
	msg.ToMailAddress(to)
	msg.Subject(content.Subject)
	msg.SetDateWithValue(m.o.Now())
	msg.SetMessageIDWithValue(atom(item.Event) + "." + atom(m.o.Text.Site) + "@" + domain)
	thread := sha256.Sum256([]byte(m.o.Text.Site + "\n" + content.Thread))
	msg.SetGenHeader(gomail.HeaderReferences, "<"+hex.EncodeToString(thread[:12])+"."+atom(m.o.Text.Site)+"@"+domain+">")
	msg.SetGenHeader("Auto-Submitted", "auto-generated")
	msg.SetUserAgent("dewline")
	if content.Urgent {
		msg.SetImportance(gomail.ImportanceHigh)
	}
	msg.SetBodyString(gomail.TypeTextPlain, content.Text)
	return msg
}

// atom makes an id fit for the left side of a Message-ID (RFC 5322 dot-atom): what does not belong there is written as
// =XX, so that different ids stay different.
func atom(id string) string {
	var b strings.Builder
	for _, c := range []byte(id) {
		if 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z' || '0' <= c && c <= '9' || c == '-' || c == '_' {
			b.WriteByte(c)
		} else {
			fmt.Fprintf(&b, "=%02X", c)
		}
	}
	return b.String()
}

// reply is what the server answered to a message.
type reply struct {
	code int
	text string
}

// Error implements error.
func (r *reply) Error() string { return fmt.Sprintf("the mail server answered %d %s", r.code, r.text) }

// final reports whether another try would get the same answer. Codes about a missing or wrong login are not final, although they
// are 5xx: the keeper can correct the login.
func (r *reply) final() bool { return r.code >= 500 && !login(r.code) }

// login reports whether a code is about logging in (RFC 4954 section 6).
func login(code int) bool { return code == 530 || code == 534 || code == 535 || code == 538 }

// connection is an open connection to the server, logged in.
type connection struct {
	client *gomail.Client
	smtp   *smtp.Client
	conn   net.Conn
	forget func() bool // of the watch over ctx
}

// connect opens a connection and logs in. When ctx ends the connection does so too, whatever it waits for.
func (m *Mail) connect(ctx context.Context) (*connection, error) {
	c := &connection{forget: func() bool { return false }}
	config := &tls.Config{ServerName: m.host, RootCAs: m.o.Roots, MinVersion: tls.VersionTLS12}
	options := []gomail.Option{
		gomail.WithPort(m.port), gomail.WithTimeout(answerTimeout), gomail.WithTLSConfig(config),
		gomail.WithDialContextFunc(func(dialing context.Context, _, _ string) (net.Conn, error) {
			conn, err := (&net.Dialer{}).DialContext(dialing, "tcp", m.o.Server)
			if err != nil {
				return nil, err
			}
			c.conn, c.forget = conn, context.AfterFunc(ctx, func() { _ = conn.Close() })
			if m.o.Security != TLS {
				return conn, nil
			}
			secure := tls.Client(conn, config)
			return secure, secure.HandshakeContext(dialing)
		}),
	}
	logins := loginsWithTLS
	switch m.o.Security {
	case StartTLS:
		options = append(options, gomail.WithTLSPolicy(gomail.TLSMandatory))
	case TLS:
		options = append(options, gomail.WithTLSPolicy(gomail.NoTLS)) // there is TLS already
	case None:
		options, logins = append(options, gomail.WithTLSPolicy(gomail.NoTLS)), loginsInClear
	}
	if m.o.Username != "" {
		password, err := secretfile.Read(m.o.PasswordFile)
		if err != nil {
			return nil, fmt.Errorf("secret: %w", err)
		}
		options = append(options, gomail.WithUsername(m.o.Username), gomail.WithPassword(password), gomail.WithOpportunisticSMTPAuth(logins...))
	}
	client, err := gomail.NewClient(m.host, options...)
	if err != nil {
		return nil, fmt.Errorf("mail: %w", err)
	}
	c.client = client
	if c.smtp, err = client.DialToSMTPClientWithContext(ctx); err != nil {
		c.hangUp()
		return nil, unreached(err)
	}
	return c, nil
}

// unreached explains why there is no connection, without text of the server, which may repeat the password.
func unreached(err error) error {
	if answer, ok := errors.AsType[*textproto.Error](err); ok {
		if login(answer.Code) {
			return fmt.Errorf("the mail server refused the login (%d): are user name and password right?", answer.Code)
		}
		return fmt.Errorf("the mail server is not ready (%d)", answer.Code)
	}
	return fmt.Errorf("no connection to the mail server: %w", err)
}

// send sends one mail. The error is a [reply] if the server has answered.
func (c *connection) send(msg *gomail.Msg) error {
	err := c.client.SendWithSMTPClient(c.smtp, msg)
	if err == nil || msg.IsDelivered() { // a failure after the server has accepted it does not matter
		return nil
	}
	if failure, ok := errors.AsType[*gomail.SendError](err); ok && failure.ErrorCode() >= 400 {
		return &reply{failure.ErrorCode(), said(failure)}
	}
	return fmt.Errorf("the mail server was lost: %w", err)
}

// said returns what the server said, without what the library adds around it.
func said(failure *gomail.SendError) string {
	_, words, found := strings.Cut(failure.Error(), strconv.Itoa(failure.ErrorCode())+" ")
	if !found {
		return ""
	}
	words, _, _ = strings.Cut(words, ", affected ")
	if plain, err := strconv.Unquote(words); err == nil { // as net/textproto writes it
		words = plain
	}
	return text.OneLine(words)
}

// close ends the session and the connection.
func (c *connection) close() {
	_ = c.client.CloseWithSMTPClient(c.smtp) // all messages have their answers already
	c.hangUp()
}

func (c *connection) hangUp() {
	c.forget()
	if c.conn != nil {
		_ = c.conn.Close() // nothing is left to send
	}
}

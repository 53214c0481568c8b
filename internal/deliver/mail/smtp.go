package mail

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"net/smtp"
	"net/textproto"
	"os"
	"strings"
	"time"

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
		err := c.send(m.from.Address, to.Address, m.message(content, item, to))
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

// message makes the mail to one receiver (RFC 5322). The receivers do not see each other.
func (m *Mail) message(content Message, item deliver.Item, to *mail.Address) []byte {
	right := "." + atom(m.o.Text.Site) + "@" + m.from.Address[strings.LastIndexByte(m.from.Address, '@')+1:] + ">"
	thread := sha256.Sum256([]byte(m.o.Text.Site + "\n" + content.Thread))
	var b bytes.Buffer
	header := func(name, value string) { b.WriteString(name + ": " + value + "\r\n") }
	header("From", m.from.String())
	header("To", to.String())
	header("Subject", mime.QEncoding.Encode("utf-8", content.Subject))
	header("Date", m.o.Now().Format("Mon, 02 Jan 2006 15:04:05 -0700"))
	header("Message-ID", "<"+atom(item.Event)+right)
	header("References", "<"+hex.EncodeToString(thread[:12])+right)
	header("Auto-Submitted", "auto-generated")
	header("User-Agent", "dewline")
	if content.Urgent {
		header("Importance", "high")
		header("X-Priority", "1") // what mail programs look at that do not know Importance (RFC 2156)
	}
	header("MIME-Version", "1.0")
	header("Content-Type", "text/plain; charset=UTF-8")
	header("Content-Transfer-Encoding", "quoted-printable")
	b.WriteString("\r\n")
	body := quotedprintable.NewWriter(&b)
	_, _ = body.Write([]byte(content.Text)) // into memory
	_ = body.Close()
	return b.Bytes()
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
	*smtp.Client
	conn   net.Conn
	forget func() bool // of the watch over ctx
	begun  bool        // a transaction was begun that did not end well
}

// connect opens a connection and logs in. When ctx ends the connection does so too, whatever it waits for.
func (m *Mail) connect(ctx context.Context) (*connection, error) {
	var password string
	if m.o.Username != "" {
		var err error
		if password, err = secretfile.Read(m.o.PasswordFile); err != nil {
			return nil, fmt.Errorf("secret: %w", err)
		}
	}
	conn, err := (&net.Dialer{Timeout: answerTimeout}).DialContext(ctx, "tcp", m.o.Server)
	if err != nil {
		return nil, unreached(err)
	}
	c := &connection{conn: conn, forget: context.AfterFunc(ctx, func() { _ = conn.Close() })}
	if err := m.open(c, password); err != nil {
		c.hangUp()
		return nil, unreached(cmp.Or(ctx.Err(), err))
	}
	return c, nil
}

// open makes a new connection secure and logs in.
func (m *Mail) open(c *connection, password string) error {
	if err := c.conn.SetDeadline(time.Now().Add(answerTimeout)); err != nil {
		return err
	}
	config := &tls.Config{ServerName: m.host, RootCAs: m.o.Roots, MinVersion: tls.VersionTLS12}
	speaking := c.conn
	if m.o.Security == TLS {
		speaking = tls.Client(c.conn, config)
	}
	var err error
	if c.Client, err = smtp.NewClient(speaking, m.host); err != nil {
		return err
	}
	name, err := os.Hostname()
	if err != nil {
		name = "localhost"
	}
	if err := c.Hello(name); err != nil {
		return err
	}
	if m.o.Security == StartTLS {
		if offered, _ := c.Extension("STARTTLS"); !offered {
			return errors.New("it offers no STARTTLS, and without that nothing is sent")
		}
		if err := c.StartTLS(config); err != nil {
			return err
		}
	}
	if m.o.Username == "" {
		return nil
	}
	login, err := m.login(c, password)
	if err != nil {
		return err
	}
	return c.Auth(login)
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
func (c *connection) send(from, to string, message []byte) error {
	err := c.transaction(from, to, message)
	if err == nil {
		return nil
	}
	if answer, ok := errors.AsType[*textproto.Error](err); ok {
		return &reply{answer.Code, text.OneLine(answer.Msg)}
	}
	return fmt.Errorf("the mail server was lost: %w", err)
}

// transaction hands over one mail (RFC 5321 section 3.3). Where the one before was refused, the server forgets it first.
func (c *connection) transaction(from, to string, message []byte) error {
	if err := c.conn.SetDeadline(time.Now().Add(answerTimeout)); err != nil {
		return err
	}
	if c.begun {
		if err := c.Reset(); err != nil {
			return fmt.Errorf("after a refusal: %v", err) // no answer about this mail
		}
	}
	c.begun = true
	if err := c.Mail(from); err != nil {
		return err
	}
	if err := c.Rcpt(to); err != nil {
		return err
	}
	body, err := c.Data()
	if err != nil {
		return err
	}
	if _, err := body.Write(message); err != nil {
		return err
	}
	if err := body.Close(); err != nil {
		return err
	}
	c.begun = false
	return nil
}

// close ends the session and the connection.
func (c *connection) close() {
	_ = c.Quit() // all messages have their answers already
	c.hangUp()
}

func (c *connection) hangUp() {
	c.forget()
	_ = c.conn.Close() // nothing is left to send
}

package mail

import (
	"cmp"
	"context"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/mail"
	"strconv"
	"time"

	"dewline/internal/core/journal"
	"dewline/internal/deliver"
	"dewline/internal/deliver/serial"
	"dewline/internal/deliver/text"
)

// Security is how a connection is protected.
type Security string

// The kinds of protection.
const (
	StartTLS Security = "starttls" // begins in clear and goes on only with TLS; port 587
	TLS      Security = "tls"      // begins with TLS; port 465
	None     Security = "none"     // in clear
)

// Options configure a [Mail].
type Options struct {
	Name string          // of the notifier, for the log and the queue; "" means "mail"
	Text *text.Formatter // writes the messages

	Server       string   // host:port
	Security     Security // "" means StartTLS
	Username     string   // "" means that there is no login
	PasswordFile string
	From         string
	To           []string

	Queue deliver.Queue
	// GivenUp is called with each item that is given up, and the reason; nil means that it is only logged. It must not wait.
	GivenUp func(item deliver.Item, reason error)
	// Roots are the authorities that are trusted; nil means those of the operating system.
	Roots *x509.CertPool
	// Now is the wall clock of the header Date; nil means time.Now.
	Now func() time.Time
	// Random returns a number in [0, 1) to spread waiting times; nil means chance.
	Random func() float64
	Log    *slog.Logger // nil means silence
}

// Mail is the e-mail notifier.
type Mail struct {
	o      Options
	host   string
	port   int
	from   *mail.Address
	to     []*mail.Address
	sender *serial.Sender
	// These belong to the goroutine of Run: the receivers of the present item that have got it or refused it.
	event   string
	settled map[string]bool // receiver → whether it got the message
}

// New checks the options. The password is read when something is sent.
func New(o Options) (*Mail, error) {
	o.Name = cmp.Or(o.Name, "mail")
	m := &Mail{o: o}
	if err := m.check(); err != nil {
		return nil, fmt.Errorf("%s: %w", o.Name, err)
	}
	if o.Now == nil {
		m.o.Now = time.Now
	}
	if o.Log == nil {
		m.o.Log = slog.New(slog.DiscardHandler)
	}
	m.o.Log = m.o.Log.With("notifier", o.Name)
	m.sender = serial.New(serial.Options{
		Name: o.Name, Queue: o.Queue, Deliver: m.deliver, GivenUp: o.GivenUp, Random: o.Random, Log: o.Log,
	})
	return m, nil
}

func (m *Mail) check() error {
	if m.o.Queue == nil || m.o.Text == nil {
		return errors.New("a queue and a formatter are needed")
	}
	host, port, err := net.SplitHostPort(m.o.Server)
	if err != nil || host == "" {
		return fmt.Errorf("the server %q is not of the form smtp.example.org:587", m.o.Server)
	}
	if m.port, err = strconv.Atoi(port); err != nil || m.port < 1 || m.port > 65535 {
		return fmt.Errorf("%q is no port of a server", port)
	}
	m.host = host
	switch m.o.Security {
	case StartTLS, TLS, None:
	case "":
		m.o.Security = StartTLS
	default:
		return fmt.Errorf("unknown security %q: starttls, tls or none", m.o.Security)
	}
	if m.from, err = mail.ParseAddress(m.o.From); err != nil {
		return fmt.Errorf("%q is not the address of a sender", m.o.From)
	}
	for _, to := range m.o.To {
		address, err := mail.ParseAddress(to)
		if err != nil {
			return fmt.Errorf("%q is not the address of a receiver", to)
		}
		m.to = append(m.to, address)
	}
	switch {
	case len(m.to) == 0:
		return errors.New("a receiver is needed")
	case m.o.Username != "" && m.o.PasswordFile == "":
		return errors.New("a login needs a file with the password")
	}
	return nil
}

// OfEntry returns the item of a journal entry, for a store that records it together with the entry; [Mail.Add] sends it.
func (m *Mail) OfEntry(entry *journal.Entry) (deliver.Item, error) {
	if entry.Alarm == "" && !text.IsNotice(entry) {
		return deliver.Item{}, fmt.Errorf("%s: %s is about no alarm", m.o.Name, entry.ID())
	}
	message := m.o.Text.Message(entry)
	body, err := json.Marshal(Message{
		Subject: fmt.Sprintf("[%s] %s", m.o.Text.Site, message.Title), Text: message.Text, Thread: message.Thread, Urgent: message.Urgent,
	})
	if err != nil {
		return deliver.Item{}, fmt.Errorf("%s: %s: %w", m.o.Name, entry.ID(), err)
	}
	return deliver.Item{Event: entry.ID(), Class: deliver.Alarm, Topic: m.o.Name, Body: body, At: entry.At}, nil
}

// Add puts an item of [Mail.OfEntry] into the outbox, where it is not there yet, and wakes the sender. It does not wait for the server.
func (m *Mail) Add(item deliver.Item) error { return m.sender.Add(item) }

// Run delivers until ctx ends, and goes on for at most two seconds with what waits then. It always returns nil.
func (m *Mail) Run(ctx context.Context) error { return m.sender.Run(ctx) }

// Status returns the state of the notifier.
func (m *Mail) Status() serial.Status { return m.sender.Status() }

// Message is a message as it waits in the outbox.
type Message struct {
	Subject string `json:"subject"`
	Text    string `json:"text"`
	// Thread is the same for all messages of one occurrence.
	Thread string `json:"thread"`
	Urgent bool   `json:"urgent,omitempty"`
}

// unpack decodes a message from the outbox.
func unpack(body []byte) (Message, error) {
	var m Message
	if err := json.Unmarshal(body, &m); err != nil {
		return Message{}, fmt.Errorf("%w: the item in the outbox is no message: %w", deliver.ErrUnsendable, err)
	}
	if m.Subject == "" || m.Text == "" {
		return Message{}, fmt.Errorf("%w: the message in the outbox is empty", deliver.ErrUnsendable)
	}
	m.Subject = text.OneLine(m.Subject)
	return m, nil
}

package webhook

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"strings"
	"time"

	"dewline/internal/core/journal"
	"dewline/internal/deliver"
	"dewline/internal/deliver/httpx"
	"dewline/internal/deliver/serial"
	"dewline/internal/deliver/text"
	"dewline/internal/secretfile"
)

// The limits of a request.
const (
	// Timeout is how long a request may take, from looking up the name to the end of the answer.
	Timeout = 15 * time.Second
	// MaxBody is the size of the largest event that is sent.
	MaxBody = 256 << 10
)

// Options configure a [Webhook].
type Options struct {
	Name string // of the notifier, for the log and the queue; "" means "webhook"
	Site string
	// Format is what a request carries; "" means CloudEvent.
	Format Format
	// Text writes the messages; needed but for CloudEvent.
	Text *text.Formatter
	// TitleHeader is the header that carries the title, in the format Text; "" puts it into the first line of the body.
	TitleHeader string
	// Template writes the body in place of Text, in the formats Text and JSON; nil means the usual one.
	Template *text.Template
	// URL is the address, or URLFile the file that holds it.
	URL, URLFile string
	// TokenFile holds what goes into the header Authorization: Bearer …; "" means that there is no such header.
	TokenFile string
	// SecretFile holds the key of the signature; "" means that there is none.
	SecretFile string
	Queue      deliver.Queue
	// GivenUp is called with each item that is given up, and the reason; nil means that it is only logged. It must not wait.
	GivenUp func(item deliver.Item, reason error)
	// Now is the wall clock of signatures; nil means time.Now.
	Now func() time.Time
	// Transport carries the requests; nil means one that trusts the certificates of the operating system.
	Transport http.RoundTripper
	// Random returns a number in [0, 1) to spread waiting times; nil means chance.
	Random func() float64
	Log    *slog.Logger // nil means silence
}

// Webhook is the webhook notifier.
type Webhook struct {
	o       Options
	address httpx.Address
	client  *http.Client
	sender  *serial.Sender
}

// New checks the options. An address in a file is read when something is sent.
func New(o Options) (*Webhook, error) {
	o.Name = cmp.Or(o.Name, "webhook")
	w := &Webhook{o: o, address: httpx.Address{URL: o.URL, File: o.URLFile}, client: httpx.Client(o.Transport, Timeout)}
	switch {
	case o.Queue == nil:
		return nil, fmt.Errorf("%s: a queue is needed", o.Name)
	case o.URL != "" && o.URLFile != "":
		return nil, fmt.Errorf("%s: give either the address or the file that holds it", o.Name)
	case o.URLFile == "":
		if _, err := w.address.Get(); err != nil {
			return nil, fmt.Errorf("%s: %w", o.Name, err)
		}
	}
	w.o.Format = cmp.Or(w.o.Format, CloudEvent)
	if w.o.Format != CloudEvent && w.o.Text == nil {
		return nil, fmt.Errorf("%s: the format %s needs a formatter", o.Name, w.o.Format)
	}
	if w.o.Now == nil {
		w.o.Now = time.Now
	}
	w.o.Log = cmp.Or(w.o.Log, slog.New(slog.DiscardHandler))
	w.sender = serial.New(serial.Options{
		Name: o.Name, Queue: o.Queue, Deliver: w.deliver, GivenUp: o.GivenUp, Random: o.Random, Log: o.Log,
	})
	return w, nil
}

// OfEntry returns the item of a journal entry, for a store that records it together with the entry; [Webhook.Add] sends it.
func (w *Webhook) OfEntry(entry *journal.Entry) (deliver.Item, error) {
	body, err := w.write(entry)
	if err != nil {
		return deliver.Item{}, fmt.Errorf("%s: %s: %w", w.o.Name, entry.ID(), err)
	}
	return deliver.Item{Event: entry.ID(), Class: deliver.Alarm, Topic: w.o.Name, Body: body, At: entry.At}, nil
}

// Add puts an item of [Webhook.OfEntry] into the outbox, where it is not there yet, and wakes the sender. It does not wait for its delivery.
func (w *Webhook) Add(item deliver.Item) error { return w.sender.Add(item) }

// Run delivers until ctx ends, and goes on for at most two seconds with what waits then. It always returns nil.
func (w *Webhook) Run(ctx context.Context) error { return w.sender.Run(ctx) }

// Status returns the state of the notifier.
func (w *Webhook) Status() serial.Status { return w.sender.Status() }

// deliver sends one event.
func (w *Webhook) deliver(ctx context.Context, item deliver.Item) error {
	if len(item.Body) > MaxBody {
		return fmt.Errorf("%w: it has %d bytes, and at most %d are sent", deliver.ErrUnsendable, len(item.Body), MaxBody)
	}
	c, err := unpack(item)
	if err != nil {
		return err
	}
	request, err := w.request(ctx, c)
	if err != nil {
		return err
	}
	response, err := w.client.Do(request)
	if err != nil {
		return w.unreached(err)
	}
	defer httpx.Finish(response)
	return judge(response, w.o.Now(), c.Test)
}

// unreached explains why there was no answer.
func (w *Webhook) unreached(err error) error {
	err = httpx.Explain(err)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return fmt.Errorf("the webhook has not answered within %s", Timeout)
	}
	return fmt.Errorf("the webhook was not reached: %w", err)
}

func (w *Webhook) request(ctx context.Context, c content) (*http.Request, error) {
	request, err := w.address.Request(ctx, http.MethodPost, strings.NewReader(c.Body))
	if err != nil {
		return nil, err
	}
	request.Header.Set("Content-Type", c.Type)
	if w.o.TitleHeader != "" && c.Title != "" {
		request.Header.Set(w.o.TitleHeader, titleHeader(c.Title))
	}
	if w.o.TokenFile != "" {
		token, err := secretfile.Read(w.o.TokenFile)
		if err != nil {
			return nil, fmt.Errorf("secret: %w", err)
		}
		request.Header.Set("Authorization", "Bearer "+token)
	}
	if w.o.SecretFile != "" {
		secret, err := secretfile.Read(w.o.SecretFile)
		if err != nil {
			return nil, fmt.Errorf("secret: %w", err)
		}
		request.Header.Set(SignatureHeader, Sign([]byte(secret), w.o.Now(), []byte(c.Body)))
	}
	return request, nil
}

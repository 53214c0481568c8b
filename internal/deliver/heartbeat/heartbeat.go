// Package heartbeat requests an address on the internet at an interval for as long as all is well. A service there alarms when the
// requests stop: the only signal of a power cut, a dead card or a dead router.
//
//	beat, err := heartbeat.New(heartbeat.Options{URLFile: "/run/credentials/dewline.service/beat", Every: 5 * time.Minute, Healthy: healthy})
//	go beat.Run(ctx)
//
// The service should alarm when two or three beats are missing. A beat is a GET without a body; any answer 2xx is a success.
// A failure is counted and logged once, and the next beat comes at its time. The address is treated as a secret: it appears in no
// log and no error.
package heartbeat

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"sync"
	"time"

	"dewline/internal/deliver/httpx"
)

// The times of a heartbeat.
const (
	DefaultEvery = 5 * time.Minute
	// Timeout is how long a beat may take.
	Timeout = 15 * time.Second
)

// Options configure a [Beat].
type Options struct {
	// URL is the address, or URLFile the file that holds it.
	URL, URLFile string
	Every        time.Duration // 0 means 5 min
	// Healthy returns nil when all is well, otherwise what is wrong; then the beat is withheld. The goroutine of [Beat.Run]
	// calls it.
	Healthy func() error
	// Transport carries the requests; nil means one that trusts the certificates of the operating system.
	Transport http.RoundTripper
	Log       *slog.Logger // nil means silence
}

// Beat is a heartbeat.
type Beat struct {
	o       Options
	address httpx.Address
	client  *http.Client

	mu     sync.Mutex
	status Status
}

// Status is the state of a heartbeat.
type Status struct {
	Sent     uint64    // beats that were answered
	Failed   uint64    // beats that were not
	Withheld uint64    // beats that were left out since not all was well
	Last     time.Time // of the last beat that was answered; zero before the first
	Err      string    // what was wrong with the last; "" after a success
}

// New checks the options. An address in a file is read when it is needed.
func New(o Options) (*Beat, error) {
	b := &Beat{o: o, address: httpx.Address{URL: o.URL, File: o.URLFile}}
	switch {
	case o.Healthy == nil:
		return nil, errors.New("heartbeat: Options.Healthy is required")
	case o.URL != "" && o.URLFile != "":
		return nil, errors.New("heartbeat: give either the address or the file that holds it")
	case o.URLFile == "":
		if _, err := b.address.Get(); err != nil {
			return nil, fmt.Errorf("heartbeat: %w", err)
		}
	}
	if o.Every <= 0 {
		b.o.Every = DefaultEvery
	}
	if o.Log == nil {
		b.o.Log = slog.New(slog.DiscardHandler)
	}
	b.client = httpx.Client(o.Transport, min(Timeout, b.o.Every))
	return b, nil
}

// Run beats at once and then at each interval until ctx ends. It always returns nil.
func (b *Beat) Run(ctx context.Context) error {
	ticker := time.NewTicker(b.o.Every)
	defer ticker.Stop()
	for ctx.Err() == nil {
		b.beat(ctx)
		select {
		case <-ticker.C:
		case <-ctx.Done():
		}
	}
	return nil
}

func (b *Beat) beat(ctx context.Context) {
	if err := b.o.Healthy(); err != nil {
		b.note(func(s *Status) { s.Withheld++ }, fmt.Errorf("the heartbeat is withheld: %w", err))
		return
	}
	err := b.ask(ctx)
	switch {
	case err == nil:
		b.note(func(s *Status) { s.Sent++; s.Last = time.Now() }, nil)
	case ctx.Err() == nil: // a beat that the end of the work has cut off is no failure
		b.note(func(s *Status) { s.Failed++ }, err)
	}
}

// note counts, and logs what is new.
func (b *Beat) note(count func(*Status), err error) {
	text := ""
	if err != nil {
		text = err.Error()
	}
	b.mu.Lock()
	count(&b.status)
	before := b.status.Err
	b.status.Err = text
	b.mu.Unlock()
	switch {
	case text == before:
	case text == "":
		b.o.Log.Info("the heartbeat is answered again")
	default:
		b.o.Log.Warn("the heartbeat does not arrive", "err", text)
	}
}

func (b *Beat) ask(ctx context.Context) error {
	request, err := b.address.Request(ctx, http.MethodGet, nil)
	if err != nil {
		return err
	}
	response, err := b.client.Do(request)
	if err != nil {
		if err = httpx.Explain(err); errors.Is(err, os.ErrDeadlineExceeded) {
			return fmt.Errorf("the heartbeat was not answered within %s", b.client.Timeout)
		}
		return fmt.Errorf("the heartbeat did not arrive: %w", err)
	}
	defer httpx.Finish(response)
	if response.StatusCode < 200 || response.StatusCode > 299 {
		return fmt.Errorf("the heartbeat was answered %s", httpx.Status(response))
	}
	return nil
}

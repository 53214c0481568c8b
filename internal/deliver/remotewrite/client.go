package remotewrite

import (
	"bytes"
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/golang/snappy"

	"dewline/internal/deliver/httpx"
	"dewline/internal/secretfile"
)

// Target is where to send, and how to be let in. Files are read again for each request, so that a password may change.
type Target struct {
	URL, URLFile           string
	TokenFile              string // of a bearer token
	Username, PasswordFile string
	CAFile                 string // PEM; "" means the authorities of the operating system
}

// The times of a client. minWait and maxWait bound the pause before the next attempt, which doubles; what a receiver asks for in
// Retry-After is granted up to maxAsked. These are choices of ours: the specification asks for a backoff and names no times.
const (
	timeout  = 30 * time.Second
	minWait  = time.Second
	maxWait  = time.Minute
	maxAsked = time.Hour
)

// client sends requests, one at a time.
type client struct {
	target  Target
	http    *http.Client
	encoder encoder
	packed  []byte
	version int  // of the protocol: 2, or 1 where the receiver does not know 2
	settled bool // the receiver has shown that it knows the version
	random  func() float64
}

// refusedError is an answer that says no to the content of a request: it is not sent again (remote write 1.0 and 2.0, "Retries").
type refusedError struct{ error }

// closedError is an answer that says no to the sender or its address, whatever the content: data waits until that is mended.
type closedError struct{ error }

// laterError is an answer that asks for another attempt.
type laterError struct {
	error
	after time.Duration // 0 where it does not say when
}

// newClient makes a client. A transport of nil means one of its own.
func newClient(target Target, transport http.RoundTripper) (*client, error) {
	if transport == nil {
		own := httpx.Transport(timeout)
		own.MaxIdleConnsPerHost, own.IdleConnTimeout = 1, 90*time.Second
		if target.CAFile != "" {
			pem, err := os.ReadFile(target.CAFile)
			if err != nil {
				return nil, fmt.Errorf("reading the certificate of the authority: %w", err)
			}
			own.TLSClientConfig.RootCAs = x509.NewCertPool()
			if !own.TLSClientConfig.RootCAs.AppendCertsFromPEM(pem) {
				return nil, fmt.Errorf("%s has no certificate in PEM form", target.CAFile)
			}
		}
		transport = own
	}
	return &client{target: target, http: httpx.Client(transport, timeout), version: 2, random: rand.Float64}, nil
}

// attempt sends series once, and returns how many samples the receiver has taken.
func (c *client) attempt(ctx context.Context, list []Series) (taken int, err error) {
	for {
		taken, err = c.post(ctx, list)
		if !errors.Is(err, errUnknownVersion) {
			return taken, err
		}
		c.version = 1
	}
}

var errUnknownVersion = errors.New("the receiver does not know version 2.0")

// post sends one request in the version in use.
func (c *client) post(ctx context.Context, list []Series) (taken int, err error) {
	request, err := c.request(ctx, list)
	if err != nil {
		return 0, closedError{err}
	}
	response, err := c.http.Do(request)
	if err != nil {
		err = httpx.Explain(err)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			err = fmt.Errorf("no answer within %s", timeout)
		}
		return 0, laterError{err, 0}
	}
	said := answerOf(response)
	status := response.StatusCode
	switch written, counted := writtenOf(response); {
	case status >= 200 && status <= 299:
		// One that knows only 1.0 and does not look at the type of the content finds nothing in it, and says that all is well. One
		// that knows 2.0 says how much it has written (2.0, "Required Written Response Headers").
		if c.version == 2 && !counted && !c.settled {
			return 0, errUnknownVersion
		}
		c.settled = true
		if c.version == 2 && counted {
			return written, nil
		}
		return samplesOf(list), nil
	case status == http.StatusUnsupportedMediaType && c.version == 2, status == http.StatusBadRequest && c.version == 2 && !c.settled:
		return 0, errUnknownVersion
	case status == http.StatusTooManyRequests, status >= 500:
		return 0, laterError{fmt.Errorf("answered %s", said), retryAfter(response.Header.Get("Retry-After"))}
	case status == http.StatusUnauthorized, status == http.StatusForbidden, status == http.StatusNotFound,
		status == http.StatusProxyAuthRequired, status < 400:
		return 0, closedError{fmt.Errorf("answered %s", said)}
	default:
		return written, refusedError{fmt.Errorf("answered %s", said)}
	}
}

// request makes a request with its headers.
func (c *client) request(ctx context.Context, list []Series) (*http.Request, error) {
	body, kind, version := []byte(nil), "application/x-protobuf", "0.1.0"
	if c.version == 2 {
		body, kind, version = c.encoder.version2(list), kind+";proto=io.prometheus.write.v2.Request", "2.0.0"
	} else {
		body = c.encoder.version1(list)
	}
	c.packed = snappy.Encode(c.packed[:cap(c.packed)], body)
	request, err := httpx.Address{URL: c.target.URL, File: c.target.URLFile}.Request(ctx, http.MethodPost, bytes.NewReader(c.packed))
	if err != nil {
		return nil, err
	}
	request.Header.Set("Content-Encoding", "snappy")
	request.Header.Set("Content-Type", kind)
	request.Header.Set("X-Prometheus-Remote-Write-Version", version)
	switch {
	case c.target.TokenFile != "":
		token, err := secretfile.Read(c.target.TokenFile)
		if err != nil {
			return nil, fmt.Errorf("the token: %w", err)
		}
		request.Header.Set("Authorization", "Bearer "+token)
	case c.target.PasswordFile != "":
		password, err := secretfile.Read(c.target.PasswordFile)
		if err != nil {
			return nil, fmt.Errorf("the password: %w", err)
		}
		request.SetBasicAuth(c.target.Username, password)
	}
	return request, nil
}

// maxSaid is how many bytes of an answer are shown to a person.
const maxSaid = 200

// answerOf ends an answer and returns what it says: its status and, of one that is no success, the first line of its text.
func answerOf(response *http.Response) string {
	said := httpx.Status(response)
	if response.StatusCode >= 400 {
		text, err := io.ReadAll(io.LimitReader(response.Body, maxSaid))
		line, _, _ := strings.Cut(strings.TrimSpace(string(text)), "\n")
		if line = strings.ToValidUTF8(line, ""); err == nil && line != "" {
			said += ": " + strings.Map(printable, line)
		}
	}
	httpx.Finish(response)
	return said
}

// printable keeps control characters of a receiver out of logs and terminals.
func printable(r rune) rune {
	if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 {
		return ' '
	}
	return r
}

// writtenOf returns how many samples a receiver of version 2.0 says that it has written.
func writtenOf(response *http.Response) (samples int, counted bool) {
	samples, err := strconv.Atoi(response.Header.Get("X-Prometheus-Remote-Write-Samples-Written"))
	return max(samples, 0), err == nil
}

// retryAfter reads the header of that name: seconds, or a date (RFC 9110 section 10.2.3).
func retryAfter(text string) time.Duration {
	if seconds, err := strconv.Atoi(text); err == nil {
		return min(max(time.Duration(min(seconds, 1<<20))*time.Second, 0), maxAsked)
	}
	if at, err := http.ParseTime(text); err == nil {
		return min(max(time.Until(at), 0), maxAsked)
	}
	return 0
}

// pause returns how long to wait before the next attempt after some that failed, spread by a fifth so that many sites do not come at once.
func (c *client) pause(failures int, err error) time.Duration {
	wait := minWait << min(failures-1, 6)
	wait = min(wait, maxWait)
	if _, closed := errors.AsType[closedError](err); closed {
		wait = closedWait
	}
	wait += time.Duration(c.random() * 0.2 * float64(wait))
	if later, ok := errors.AsType[laterError](err); ok {
		wait = max(wait, later.after)
	}
	return wait
}

// closedWait is how often a receiver that lets nobody in is asked again: a person has to mend that.
const closedWait = 5 * time.Minute

func samplesOf(list []Series) (n int) {
	for i := range list {
		n += len(list[i].Samples)
	}
	return n
}

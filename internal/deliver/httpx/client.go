package httpx

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"syscall"
	"time"
)

// The limits of a client.
const (
	maxRedirects = 3
	// MaxAnswer is how much of an answer is read. Its content is not used, but reading it lets the server end in order.
	MaxAnswer = 64 << 10
	// maxHeader bounds the headers of an answer.
	maxHeader = 64 << 10
)

// Client returns a client whose requests take no longer than timeout, all in all. It trusts the certificates of the
// operating system, follows redirects only within the host and never from https to http or from POST to GET, keeps no
// connection, and uses the proxy of the environment if there is one. A transport that is not nil is used instead of the
// one described.
func Client(transport http.RoundTripper, timeout time.Duration) *http.Client {
	if transport == nil {
		usual := Transport(timeout)
		usual.DisableKeepAlives = true // requests are minutes apart: by then routers often drop an idle connection silently
		transport = usual
	}
	return &http.Client{Transport: transport, Timeout: timeout, CheckRedirect: stay}
}

// Transport returns the transport of [Client], which keeps connections.
func Transport(timeout time.Duration) *http.Transport {
	return &http.Transport{
		Proxy: http.ProxyFromEnvironment, DialContext: (&net.Dialer{Timeout: timeout}).DialContext, TLSClientConfig: &tls.Config{MinVersion: tls.VersionTLS12},
		TLSHandshakeTimeout: timeout, ResponseHeaderTimeout: timeout, MaxResponseHeaderBytes: maxHeader,
	}
}

// stay follows a redirect within the host. Any other is returned to the caller as the answer.
func stay(next *http.Request, via []*http.Request) error {
	first := via[0]
	if len(via) > maxRedirects || next.Method != first.Method || !sameHost(first.URL, next.URL) {
		return http.ErrUseLastResponse
	}
	return nil
}

// sameHost reports whether b is the same server as a, or the same one with TLS.
func sameHost(a, b *url.URL) bool {
	if a.Scheme == b.Scheme {
		return strings.EqualFold(a.Host, b.Host)
	}
	return a.Scheme == "http" && b.Scheme == "https" && strings.EqualFold(a.Hostname(), b.Hostname()) &&
		a.Port() == "" && b.Port() == ""
}

// Finish reads what is left of an answer, up to a limit, and closes it.
func Finish(response *http.Response) {
	_, _ = io.Copy(io.Discard, io.LimitReader(response.Body, MaxAnswer)) // only the status matters
	_ = response.Body.Close()
}

// Status returns the status of an answer, without any text from the server.
func Status(response *http.Response) string {
	if text := http.StatusText(response.StatusCode); text != "" {
		return fmt.Sprintf("%d %s", response.StatusCode, text)
	}
	return fmt.Sprint(response.StatusCode)
}

// Explain returns why a request got no answer. Neither its text nor a wrapped error contains the address.
func Explain(err error) error {
	if _, ok := errors.AsType[*net.DNSError](err); ok {
		return errors.New("the name of the host was not found: is the network up, and its name server?")
	}
	if errors.Is(err, context.Canceled) {
		return context.Canceled
	}
	if timeout, ok := errors.AsType[net.Error](err); ok && timeout.Timeout() {
		return os.ErrDeadlineExceeded
	}
	if reason := certificate(err); reason != "" {
		return errors.New("the certificate of the host " + reason)
	}
	if _, ok := errors.AsType[tls.RecordHeaderError](err); ok || errors.Is(err, http.ErrSchemeMismatch) {
		return errors.New("the host does not speak TLS there: is https:// right?")
	}
	if alert, ok := errors.AsType[tls.AlertError](err); ok {
		return fmt.Errorf("the host refused the TLS connection: %w", alert)
	}
	if number, ok := errors.AsType[syscall.Errno](err); ok {
		return fmt.Errorf("the host was not reached: %w", number)
	}
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return errors.New("the host ended the connection without an answer")
	}
	return errors.New("the request failed; the details would reveal its address")
}

// certificate returns what is wrong with a certificate; "" if the error is of another kind.
func certificate(err error) string {
	if invalid, ok := errors.AsType[x509.CertificateInvalidError](err); ok {
		if invalid.Reason == x509.Expired {
			return "has expired, or is not valid yet: is this machine's clock right?"
		}
		return "is not valid"
	}
	if _, ok := errors.AsType[x509.HostnameError](err); ok {
		return "is made out to another name"
	}
	if _, ok := errors.AsType[x509.UnknownAuthorityError](err); ok {
		return "comes from an authority that this machine does not trust"
	}
	if _, ok := errors.AsType[*tls.CertificateVerificationError](err); ok {
		return "could not be verified"
	}
	return ""
}

package httpx_test

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/deliver/httpx"
)

func file(t *testing.T, content string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "secret")
	require.NoError(t, os.WriteFile(path, []byte(content), 0o600))
	return path
}

func TestAddress(t *testing.T) {
	for name, c := range map[string]struct {
		address func(t *testing.T) httpx.Address
		want    string
		problem string
	}{
		"as it is": {func(*testing.T) httpx.Address { return httpx.Address{URL: "https://hooks.example.org/s3cret"} }, "https://hooks.example.org/s3cret", ""},
		"in a file": {func(t *testing.T) httpx.Address {
			return httpx.Address{File: file(t, "http://127.0.0.1/s3cret\r\n")}
		}, "http://127.0.0.1/s3cret", ""},
		"with spaces around": {func(t *testing.T) httpx.Address {
			return httpx.Address{File: file(t, " https://a.example/s3cret \n")}
		}, "https://a.example/s3cret", ""},
		"another scheme": {func(*testing.T) httpx.Address { return httpx.Address{URL: "ftp://hooks.example.org/s3cret"} }, "", "must begin with https://"},
		"no host":        {func(*testing.T) httpx.Address { return httpx.Address{URL: "https:///s3cret"} }, "", "must begin with https://"},
		"no URL":         {func(*testing.T) httpx.Address { return httpx.Address{URL: "https://s3cret\x00"} }, "", "is no URL"},
		"nothing":        {func(*testing.T) httpx.Address { return httpx.Address{} }, "", "must begin with https://"},
		"two lines":      {func(t *testing.T) httpx.Address { return httpx.Address{File: file(t, "https://s3cret\nmore")} }, "", "more than one line"},
		"an empty file":  {func(t *testing.T) httpx.Address { return httpx.Address{File: file(t, "\n")} }, "", "is empty"},
		"a large file": {func(t *testing.T) httpx.Address {
			return httpx.Address{File: file(t, strings.Repeat("s3cret", 20_000))}
		}, "", "is larger than"},
		"no file": {func(t *testing.T) httpx.Address { return httpx.Address{File: filepath.Join(t.TempDir(), "gone")} }, "", "no such file"},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := c.address(t).Get()
			if c.problem != "" {
				require.ErrorContains(t, err, c.problem)
				assert.NotContains(t, err.Error(), "s3cret")
				return
			}
			require.NoError(t, err)
			assert.Equal(t, c.want, got.String())
		})
	}
}

func TestAnAddressIsNotPrinted(t *testing.T) {
	a := httpx.Address{URL: "https://hooks.example.org/s3cret"}
	var log strings.Builder
	slog.New(slog.NewTextHandler(&log, nil)).Info("test", "address", a)
	for _, text := range []string{fmt.Sprint(a), fmt.Sprintf("%+v %#v", a, a), log.String()} {
		assert.NotContains(t, text, "example")
		assert.NotContains(t, text, "s3cret")
	}
	assert.Equal(t, "no address", httpx.Address{}.String())
	assert.Equal(t, "the address in /etc/hook", httpx.Address{File: "/etc/hook"}.String())
}

// TestRedirects: within the host and with the same method, and nowhere else.
func TestRedirects(t *testing.T) {
	var elsewhere int
	other := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { elsewhere++ }))
	defer other.Close()
	var arrived []string
	mux := http.NewServeMux()
	server := httptest.NewServer(mux)
	defer server.Close()
	mux.HandleFunc("/end", func(_ http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		arrived = append(arrived, r.Method+" "+string(body))
	})
	hops := 0
	mux.HandleFunc("/loop", func(w http.ResponseWriter, r *http.Request) {
		hops++
		http.Redirect(w, r, "/loop", http.StatusMovedPermanently)
	})
	mux.HandleFunc("/go/{status}", func(w http.ResponseWriter, r *http.Request) {
		var status int
		_, _ = fmt.Sscan(r.PathValue("status"), &status)
		w.Header().Set("Location", r.URL.Query().Get("to"))
		w.WriteHeader(status)
	})
	for name, c := range map[string]struct {
		method string
		status int
		to     string
		want   int
		got    []string
	}{
		"moved for good keeps the method": {http.MethodPost, 308, "/end", 200, []string{"POST hello"}},
		"moved for now keeps the method":  {http.MethodPost, 307, server.URL + "/end", 200, []string{"POST hello"}},
		"302 would make it a GET":         {http.MethodPost, 302, "/end", 302, nil},
		"303 would make it a GET":         {http.MethodPost, 303, "/end", 303, nil},
		"a GET stays a GET":               {http.MethodGet, 302, "/end", 200, []string{"GET "}},
		"another host":                    {http.MethodPost, 308, other.URL + "/end", 308, nil},
		"another host by name":            {http.MethodGet, 301, strings.Replace(server.URL, "127.0.0.1", "localhost", 1) + "/end", 301, nil},
		"in circles":                      {http.MethodGet, 301, "/loop", 301, nil},
		"another scheme":                  {http.MethodGet, 301, "ftp://127.0.0.1/", 301, nil},
	} {
		t.Run(name, func(t *testing.T) {
			arrived = nil
			var body io.Reader
			if c.method == http.MethodPost {
				body = strings.NewReader("hello")
			}
			request, err := http.NewRequestWithContext(t.Context(), c.method, fmt.Sprintf("%s/go/%d?to=%s", server.URL, c.status, url.QueryEscape(c.to)), body)
			require.NoError(t, err)
			response, err := httpx.Client(nil, 10*time.Second).Do(request)
			require.NoError(t, err)
			httpx.Finish(response)
			assert.Equal(t, c.want, response.StatusCode)
			assert.Equal(t, c.got, arrived)
			assert.Zero(t, elsewhere)
		})
	}
	assert.Equal(t, 3, hops, "one who is sent in circles stops")
}

func TestStatusHasNoTextOfTheServer(t *testing.T) {
	assert.Equal(t, "503 Service Unavailable", httpx.Status(&http.Response{StatusCode: 503, Status: "503 https://s3cret"}))
	assert.Equal(t, "599", httpx.Status(&http.Response{StatusCode: 599}))
}

func TestExplainRevealsNoAddress(t *testing.T) {
	const secret = "s3cret.example"
	wrapped := func(err error) error { return &url.Error{Op: "Post", URL: "https://" + secret + "/x", Err: err} }
	refused := &net.OpError{Op: "dial", Addr: &net.TCPAddr{IP: net.IPv4(192, 0, 2, 77), Port: 443}, Err: os.NewSyscallError("connect", syscall.ECONNREFUSED)}
	for name, c := range map[string]struct {
		err  error
		want string
	}{
		"no such name":      {wrapped(&net.DNSError{Err: "no such host", Name: secret, IsNotFound: true}), "the name of the host was not found"},
		"refused":           {wrapped(refused), "connection refused"},
		"unknown authority": {wrapped(&tls.CertificateVerificationError{Err: x509.UnknownAuthorityError{}}), "does not trust"},
		"another name":      {wrapped(x509.HostnameError{Certificate: &x509.Certificate{DNSNames: []string{secret}}, Host: secret}), "another name"},
		"expired":           {wrapped(x509.CertificateInvalidError{Reason: x509.Expired, Detail: secret}), "clock"},
		"a bad certificate": {wrapped(x509.CertificateInvalidError{Reason: x509.NotAuthorizedToSign, Detail: secret}), "is not valid"},
		"unverified":        {wrapped(&tls.CertificateVerificationError{Err: errors.New(secret)}), "could not be verified"},
		"no TLS":            {wrapped(http.ErrSchemeMismatch), "does not speak TLS"},
		"an alert":          {wrapped(tls.AlertError(40)), "refused the TLS connection"},
		"hung up":           {wrapped(io.EOF), "without an answer"},
		"anything":          {wrapped(errors.New("proxy " + secret)), "would reveal its address"},
	} {
		t.Run(name, func(t *testing.T) {
			err := httpx.Explain(c.err)
			require.ErrorContains(t, err, c.want)
			for e := err; e != nil; e = errors.Unwrap(e) {
				assert.NotContains(t, e.Error(), secret)
				assert.NotContains(t, e.Error(), "192.0.2.77")
			}
		})
	}
	assert.ErrorIs(t, httpx.Explain(wrapped(context.Canceled)), context.Canceled)
	assert.ErrorIs(t, httpx.Explain(wrapped(context.DeadlineExceeded)), os.ErrDeadlineExceeded)
}

// TestRealFailures: what the standard library really returns is understood.
func TestRealFailures(t *testing.T) {
	secure := httptest.NewUnstartedServer(http.NotFoundHandler())
	secure.Config.ErrorLog = slog.NewLogLogger(slog.DiscardHandler, 0)
	secure.StartTLS()
	defer secure.Close()
	plain := httptest.NewServer(http.NotFoundHandler())
	defer plain.Close()
	gone := httptest.NewServer(http.NotFoundHandler())
	gone.Close()
	mute := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		conn, _, err := http.NewResponseController(w).Hijack()
		if err == nil {
			_ = conn.Close()
		}
	}))
	defer mute.Close()
	for name, c := range map[string]struct{ url, want string }{
		"a certificate of nobody": {secure.URL, "does not trust"},
		"TLS to a plain port":     {strings.Replace(plain.URL, "http:", "https:", 1), "does not speak TLS"},
		"nobody there":            {gone.URL, "connection refused"},
		"no answer":               {mute.URL, "without an answer"},
	} {
		t.Run(name, func(t *testing.T) {
			request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, c.url+"/s3cret", nil)
			require.NoError(t, err)
			response, err := httpx.Client(nil, 10*time.Second).Do(request)
			if err == nil {
				httpx.Finish(response)
			}
			require.Error(t, err)
			err = httpx.Explain(err)
			require.ErrorContains(t, err, c.want)
			assert.NotContains(t, err.Error(), "s3cret")
			assert.NotContains(t, err.Error(), "127.0.0.1")
		})
	}
}

package remotewrite

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"io"
	"log"
	"math/big"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var one = []Series{{Labels: []Label{{"__name__", "dewline_reading_celsius"}, {"site", "north-loft"}}, Samples: []Sample{{1000, 21.5}}}}

func clientTo(t *testing.T, r *receiver, target Target) *client {
	t.Helper()
	if target.URLFile == "" {
		target.URL = "https://metrics.example/s3cret/api/v1/write"
	}
	c, err := newClient(target, r)
	require.NoError(t, err)
	c.random = func() float64 { return 0 }
	return c
}

// Version 2.0 comes first, and 1.0 where the receiver refuses it, or takes it without saying how much it has written.
func TestVersions(t *testing.T) {
	for name, c := range map[string]struct {
		knows2, strict bool
		want           []string
	}{
		"it knows 2.0":                 {true, false, []string{"2.0.0", "2.0.0"}},
		"it answers 415":               {false, true, []string{"2.0.0", "0.1.0", "0.1.0"}},
		"it does not look at the type": {false, false, []string{"2.0.0", "0.1.0", "0.1.0"}},
	} {
		t.Run(name, func(t *testing.T) {
			r := newReceiver(t)
			r.knows2, r.strict = c.knows2, c.strict
			sender := clientTo(t, r, Target{})
			for i := range 2 {
				one[0].Samples[0].At = int64(1000 + i)
				taken, err := sender.attempt(t.Context(), one)
				require.NoError(t, err)
				assert.Equal(t, 1, taken)
			}
			assert.Equal(t, c.want, r.order)
			assert.Len(t, r.of(`dewline_reading_celsius{site="north-loft"}`), 2)
		})
	}
}

// What an answer means: another attempt, and when; no to this content; or no to whoever sends.
func TestAnswers(t *testing.T) {
	soon := time.Now().Add(2 * time.Minute).UTC().Format(http.TimeFormat)
	for name, c := range map[string]struct {
		answer         *http.Response
		refused, close bool
		pauses         []time.Duration // after the first, second … failure in a row
	}{
		"not reached":             {&http.Response{}, false, false, []time.Duration{time.Second, 2 * time.Second, 4 * time.Second}},
		"500":                     {respond(500, "no"), false, false, []time.Duration{time.Second, 2 * time.Second, 4 * time.Second, 8 * time.Second, 16 * time.Second, 32 * time.Second, time.Minute, time.Minute}},
		"503 with Retry-After":    {respond(503, "", "Retry-After", "90"), false, false, []time.Duration{90 * time.Second, 90 * time.Second}},
		"429 with Retry-After":    {respond(429, "", "Retry-After", "7"), false, false, []time.Duration{7 * time.Second}},
		"429 without":             {respond(429, ""), false, false, []time.Duration{time.Second}},
		"Retry-After of a year":   {respond(503, "", "Retry-After", "31536000"), false, false, []time.Duration{time.Hour}},
		"Retry-After of ages":     {respond(503, "", "Retry-After", "99999999999999999999"), false, false, []time.Duration{time.Second}},
		"Retry-After in the past": {respond(503, "", "Retry-After", "-5"), false, false, []time.Duration{time.Second}},
		"400":                     {respond(400, "out of order sample"), true, false, nil},
		"413":                     {respond(413, ""), true, false, nil},
		"422":                     {respond(422, ""), true, false, nil},
		"401":                     {respond(401, ""), false, true, []time.Duration{5 * time.Minute}},
		"403":                     {respond(403, ""), false, true, []time.Duration{5 * time.Minute}},
		"404":                     {respond(404, ""), false, true, []time.Duration{5 * time.Minute}},
		"a redirect elsewhere":    {respond(302, "", "Location", "https://elsewhere.example/"), false, true, nil},
		"a date":                  {respond(503, "", "Retry-After", soon), false, false, nil},
	} {
		t.Run(name, func(t *testing.T) {
			r := newReceiver(t)
			r.answer = func(int, *http.Request) *http.Response { return c.answer }
			sender := clientTo(t, r, Target{})
			sender.settled = true
			_, err := sender.attempt(t.Context(), one)
			require.Error(t, err)
			_, refused := errors.AsType[refusedError](err)
			_, closed := errors.AsType[closedError](err)
			assert.Equal(t, c.refused, refused)
			assert.Equal(t, c.close, closed)
			assert.NotContains(t, err.Error(), "s3cret")
			assert.Len(t, r.requests, 1, "nothing is sent twice at once")
			for i, want := range c.pauses {
				assert.Equal(t, want, sender.pause(i+1, err), "failure %d", i+1)
			}
			if name == "a date" {
				assert.InDelta(t, 120, sender.pause(1, err).Seconds(), 5)
			}
		})
	}
}

// What a receiver says is shown, but not what could disturb a terminal, nor pages of it.
func TestWhatARefusalSays(t *testing.T) {
	r := newReceiver(t)
	r.answer = func(int, *http.Request) *http.Response {
		return respond(400, "\n out of \x1b[31m order\xff sample\nsecond line "+string(make([]byte, 1<<20)))
	}
	sender := clientTo(t, r, Target{})
	sender.version = 1
	_, err := sender.attempt(t.Context(), one)
	assert.EqualError(t, err, "answered 400 Bad Request: out of  [31m order sample")
}

// Secrets come from files, which are read again for each request; without them nothing is sent.
func TestSecrets(t *testing.T) {
	folder := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(folder, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	r := newReceiver(t)
	r.knows2 = true
	token := write("token", "first\n")
	sender := clientTo(t, r, Target{TokenFile: token, URLFile: write("url", "https://metrics.example/write\n")})
	ask := func() string {
		_, err := sender.attempt(t.Context(), one)
		require.NoError(t, err)
		return r.requests[len(r.requests)-1].Header.Get("Authorization")
	}
	assert.Equal(t, "Bearer first", ask())
	write("token", "second\n")
	assert.Equal(t, "Bearer second", ask())
	sender = clientTo(t, r, Target{Username: "loft", PasswordFile: write("password", "pass")})
	assert.Equal(t, "Basic bG9mdDpwYXNz", ask())
	require.NoError(t, os.Remove(filepath.Join(folder, "password")))
	before := len(r.requests)
	_, err := sender.attempt(t.Context(), one)
	require.ErrorContains(t, err, "the password: ")
	assert.Len(t, r.requests, before)
	_, closed := errors.AsType[closedError](err)
	assert.True(t, closed, "it waits for the file")

	_, err = newClient(Target{URL: "https://metrics.example", CAFile: write("ca", "no certificate")}, nil)
	require.ErrorContains(t, err, "has no certificate in PEM form")
	_, err = newClient(Target{URL: "https://metrics.example", CAFile: filepath.Join(folder, "none")}, nil)
	require.ErrorIs(t, err, os.ErrNotExist)
}

// Over TLS it sends to whom the authority of the configuration has certified, and to nobody else.
func TestTLS(t *testing.T) {
	r := newReceiver(t)
	r.knows2 = true
	server := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, request *http.Request) {
		response, err := r.RoundTrip(request)
		if !assert.NoError(t, err) {
			return
		}
		for name, values := range response.Header {
			w.Header()[name] = values
		}
		w.WriteHeader(response.StatusCode)
	}))
	server.Config.ErrorLog = log.New(io.Discard, "", 0) // it says that its certificate was refused
	server.StartTLS()
	defer server.Close()
	authority := func(name string, certificate []byte) string {
		path := filepath.Join(t.TempDir(), name)
		require.NoError(t, os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: certificate}), 0o600))
		return path
	}
	for name, c := range map[string]struct {
		url, ca, problem string
	}{
		"the right authority":                    {server.URL, authority("ca.pem", server.Certificate().Raw), ""},
		"another authority":                      {server.URL, authority("ca.pem", selfSigned(t)), "the certificate of the host comes from an authority that this machine does not trust"},
		"the authorities of the machine":         {server.URL, "", "the certificate of the host comes from an authority that this machine does not trust"},
		"plain text to a host that speaks TLS":   {"http" + server.URL[len("https"):], "", "answered 400 Bad Request: Client sent an HTTP request to an HTTPS server."},
		"a certificate made out to another name": {"https://localhost" + server.URL[len("https://127.0.0.1"):], authority("ca.pem", server.Certificate().Raw), "the certificate of the host is made out to another name"},
	} {
		t.Run(name, func(t *testing.T) {
			before := len(r.requests)
			sender, err := newClient(Target{URL: c.url + "/api/v1/write", CAFile: c.ca}, nil)
			require.NoError(t, err)
			sender.version = 2
			taken, err := sender.attempt(t.Context(), one)
			if c.problem != "" {
				require.EqualError(t, err, c.problem)
				assert.Len(t, r.requests, before, "nothing was sent")
				return
			}
			require.NoError(t, err)
			assert.Equal(t, 1, taken)
			assert.Len(t, r.of(`dewline_reading_celsius{site="north-loft"}`), 1)
		})
	}
}

// selfSigned is the certificate of an authority that has certified nobody.
func selfSigned(t *testing.T) []byte {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true}
	certificate, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	require.NoError(t, err)
	return certificate
}

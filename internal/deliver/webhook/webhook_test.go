package webhook_test

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/deliver"
	"dewline/internal/deliver/text"
	"dewline/internal/deliver/webhook"
	"dewline/internal/test/delivertest"
	"dewline/internal/test/memoryqueue"
)

// These tests talk to a real HTTP server on loopback. All data are invented.

const (
	secretPath = "/hook/s3cret-path"
	token      = "s3cret-token"
	key        = "s3cret-key"
)

func entry(seq uint64) *journal.Entry {
	return &journal.Entry{
		Seq: seq, Run: "run", At: instant.Of(time.Date(2026, 7, 17, 14, 40, 0, 0, time.UTC)), Kind: journal.AlarmRaised,
		Alarm: "tub-1/water-temperature/high", Occurrence: "tub-1/water-temperature/high@2026-07-17T14:40:00.000Z",
		State: "B", Was: "A", Priority: "high", Unit: "Cel", Value: new(25.6), Setpoint: new(24.0), Place: "tub-1",
	}
}

func file(t *testing.T, name, content string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, []byte(content+"\n"), 0o600))
	return path
}

// request is one that has arrived.
type request struct {
	path   string
	method string
	header http.Header
	body   []byte
}

// receiver is a server that writes down what arrives. Its answers come from the test.
type receiver struct {
	*httptest.Server
	arrived chan request
}

func receive(t *testing.T, answer func(n int, w http.ResponseWriter, r *http.Request)) *receiver {
	t.Helper()
	v := &receiver{arrived: make(chan request, 100)}
	var mu sync.Mutex
	n := 0
	v.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		assert.NoError(t, err)
		mu.Lock()
		n++
		k := n
		mu.Unlock()
		if answer != nil {
			answer(k, w, r)
		}
		v.arrived <- request{r.URL.Path, r.Method, r.Header, body}
	}))
	t.Cleanup(v.Close)
	return v
}

func (v *receiver) next(t *testing.T) request {
	t.Helper()
	select {
	case r := <-v.arrived:
		return r
	case <-time.After(20 * time.Second):
		require.Fail(t, "nothing arrived")
		return request{}
	}
}

// log is a buffer that several goroutines write to.
type log struct {
	mu sync.Mutex
	b  strings.Builder
}

func (l *log) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *log) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// hook runs a webhook until the end of the test, on a queue that is returned with it.
func hook(t *testing.T, o webhook.Options) (*webhook.Webhook, *memoryqueue.Memory, *log) {
	t.Helper()
	q, l := memoryqueue.New(0, 0, 0), &log{}
	o.Name, o.Site, o.Queue, o.Log = "webhook", "north-loft", q, slog.New(slog.NewTextHandler(l, nil))
	o.Random = func() float64 { return 0 }
	w, err := webhook.New(o)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	var done sync.WaitGroup
	done.Go(func() { assert.NoError(t, w.Run(ctx)) })
	t.Cleanup(func() {
		cancel()
		done.Wait()
		for _, secret := range []string{"s3cret", "127.0.0.1"} {
			assert.NotContains(t, l.String(), secret, "the log must not tell it")
			assert.NotContains(t, w.Status().Err, secret, "nor the status")
		}
	})
	return w, q, l
}

func empty(t *testing.T, q *memoryqueue.Memory) {
	t.Helper()
	require.Eventually(t, func() bool { return q.Pending() == 0 }, 20*time.Second, time.Millisecond)
}

// verify checks a signature as the package documentation describes it.
func verify(header string, secret, body []byte, now time.Time) bool {
	stamp, rest, ok := strings.Cut(strings.TrimPrefix(header, "time="), "; sha256=")
	seconds, err := strconv.ParseInt(stamp, 10, 64)
	if !ok || err != nil || now.Sub(time.Unix(seconds, 0)).Abs() > 5*time.Minute {
		return false
	}
	mac := hmac.New(sha256.New, secret)
	mac.Write([]byte(stamp + "\n"))
	mac.Write(body)
	got, err := hex.DecodeString(rest)
	return err == nil && hmac.Equal(got, mac.Sum(nil))
}

func TestTheRequest(t *testing.T) {
	v := receive(t, nil)
	now := time.Unix(1782900000, 0)
	w, q, _ := hook(t, webhook.Options{
		URLFile: file(t, "url", v.URL+secretPath), TokenFile: file(t, "token", token), SecretFile: file(t, "key", key),
		Now: func() time.Time { return now },
	})
	delivertest.Send(t, w, entry(17))
	r := v.next(t)
	assert.Equal(t, http.MethodPost, r.method)
	assert.Equal(t, secretPath, r.path)
	assert.Equal(t, "application/cloudevents+json", r.header.Get("Content-Type"), "CloudEvents HTTP binding 1.0.2, structured mode")
	assert.Equal(t, "Bearer "+token, r.header.Get("Authorization"))
	assert.Equal(t, "dewline", r.header.Get("User-Agent"))

	var event map[string]any
	require.NoError(t, json.Unmarshal(r.body, &event))
	assert.Equal(t, "1.0", event["specversion"])
	assert.Equal(t, "run-17", event["id"])
	assert.Equal(t, "/dewline/north-loft", event["source"])
	assert.Equal(t, "dewline.alarm.raised.v1", event["type"])
	assert.Equal(t, "tub-1/water-temperature/high", event["subject"])
	assert.Equal(t, "B", event["data"].(map[string]any)["state"])

	signature := r.header.Get(webhook.SignatureHeader)
	assert.True(t, verify(signature, []byte(key), r.body, now.Add(time.Minute)))
	assert.False(t, verify(signature, []byte(key), append(r.body, ' '), now), "another body")
	assert.False(t, verify(signature, []byte("guess"), r.body, now), "another key")
	assert.False(t, verify(signature, []byte(key), r.body, now.Add(time.Hour)), "an old message sent again")

	empty(t, q)
	status := w.Status()
	assert.Equal(t, uint64(1), status.Sent)
	assert.Empty(t, status.Err)
}

// TestSignature against OpenSSL 3: printf '1782900000\n{"hello":"loft"}' | openssl dgst -sha256 -hmac s3cret-key
func TestSignature(t *testing.T) {
	assert.Equal(t, "time=1782900000; sha256=7b81740af1084b3b90a5eb096c48abf1bf9ec85ec8103397390922e2ec1c83d0",
		webhook.Sign([]byte(key), time.Unix(1782900000, 0), []byte(`{"hello":"loft"}`)))
}

func TestWithoutSecretsThereAreNoHeaders(t *testing.T) {
	v := receive(t, nil)
	w, _, _ := hook(t, webhook.Options{URL: v.URL})
	delivertest.Send(t, w, entry(1))
	r := v.next(t)
	assert.NotContains(t, r.header, "Authorization")
	assert.NotContains(t, r.header, webhook.SignatureHeader)
}

// TestAnswers: what each status means.
func TestAnswers(t *testing.T) {
	for status, c := range map[int]struct {
		again bool
		hint  string
	}{
		200: {}, 201: {}, 202: {}, 204: {}, 299: {},
		301: {again: true}, 302: {again: true}, 304: {again: true},
		400: {true, "400 Bad Request"}, 401: {true, "is the token right?"}, 403: {true, "is the token right?"},
		404: {true, "is the address right?"}, 410: {true, "is the address right?"}, 413: {true, "413"}, 418: {true, "418"}, 451: {true, "451"},
		408: {again: true}, 425: {again: true}, 429: {again: true},
		500: {again: true}, 502: {again: true}, 503: {again: true}, 504: {again: true}, 599: {again: true},
	} {
		t.Run(strconv.Itoa(status), func(t *testing.T) {
			t.Parallel()
			v := receive(t, func(n int, w http.ResponseWriter, _ *http.Request) {
				if n == 1 {
					w.Header().Set("Location", "https://elsewhere.example/")
					w.WriteHeader(status)
					_, _ = io.WriteString(w, map[bool]string{true: "s3cret words of the server"}[status != 204 && status != 304])
				}
			})
			var givenUp []string
			w, q, l := hook(t, webhook.Options{URL: v.URL + secretPath, GivenUp: func(item deliver.Item, why error) {
				givenUp = append(givenUp, item.Event+": "+why.Error())
			}})
			delivertest.Send(t, w, entry(1))
			first := v.next(t)
			if c.again {
				second := v.next(t)
				assert.Equal(t, first.body, second.body, "a repeat is the same, with the same id")
			}
			empty(t, q)
			assert.Empty(t, givenUp, "an alarm is never given up because of one answer")
			assert.Eventually(t, func() bool { return w.Status().Sent == 1 }, 30*time.Second, time.Millisecond)
			assert.Contains(t, l.String(), c.hint)
			assert.NotContains(t, l.String(), "s3cret")
		})
	}
}

// TestATestThatIsRefusedHasFailed: a person waits for its outcome, and no alarm is lost with it.
func TestATestThatIsRefusedHasFailed(t *testing.T) {
	for _, format := range []webhook.Format{webhook.CloudEvent, webhook.Text} {
		v := receive(t, func(n int, w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusForbidden) })
		why := make(chan error, 1)
		w, q, _ := hook(t, webhook.Options{
			URL: v.URL + secretPath, Format: format, Text: &text.Formatter{Site: "north-loft"}, GivenUp: func(_ deliver.Item, err error) { why <- err },
		})
		e := entry(1)
		e.Kind, e.Alarm, e.State = journal.NotifierTest, "", ""
		delivertest.Send(t, w, e)
		v.next(t)
		empty(t, q)
		require.ErrorContains(t, <-why, "is the token right?")
	}
}

func TestNoRedirectToAnotherHost(t *testing.T) {
	other := receive(t, nil)
	v := receive(t, func(n int, w http.ResponseWriter, r *http.Request) {
		if n == 1 {
			http.Redirect(w, r, other.URL+"/steal", http.StatusPermanentRedirect)
		}
	})
	w, q, _ := hook(t, webhook.Options{URL: v.URL, TokenFile: file(t, "token", token)})
	delivertest.Send(t, w, entry(1))
	v.next(t)
	v.next(t)
	empty(t, q)
	assert.Empty(t, other.arrived)
}

func TestAServerThatIsNotThereYet(t *testing.T) {
	v := receive(t, nil)
	address := file(t, "url", "http://127.0.0.1:1/s3cret") // nothing listens there
	w, q, _ := hook(t, webhook.Options{URLFile: address})
	delivertest.Send(t, w, entry(1))
	require.Eventually(t, func() bool { return strings.Contains(w.Status().Err, "the webhook was not reached") }, 20*time.Second, time.Millisecond)
	require.NoError(t, os.WriteFile(address, []byte(v.URL), 0o600), "the keeper corrects the address")
	v.next(t)
	empty(t, q)
	assert.Eventually(t, func() bool { return w.Status().Err == "" }, 30*time.Second, time.Millisecond)
}

func TestASecretThatIsMissingIsNoReasonToGiveUp(t *testing.T) {
	v := receive(t, nil)
	gone := filepath.Join(t.TempDir(), "token")
	w, q, _ := hook(t, webhook.Options{URL: v.URL, TokenFile: gone})
	delivertest.Send(t, w, entry(1))
	require.Eventually(t, func() bool { return strings.Contains(w.Status().Err, "no such file") }, 20*time.Second, time.Millisecond)
	require.NoError(t, os.WriteFile(gone, []byte("t0ken"), 0o600))
	assert.Equal(t, "Bearer t0ken", v.next(t).header.Get("Authorization"))
	empty(t, q)
}

func TestAnEventThatIsTooLargeIsNotSent(t *testing.T) {
	v := receive(t, nil)
	w, q, _ := hook(t, webhook.Options{URL: v.URL})
	large := entry(1)
	large.Reason = strings.Repeat("x", webhook.MaxBody)
	delivertest.Send(t, w, large)
	empty(t, q)
	assert.Eventually(t, func() bool { return w.Status().GivenUp == 1 }, 30*time.Second, time.Millisecond)
	assert.Empty(t, v.arrived)
}

// TestAnEndlessAnswer does no harm: only its beginning is read.
func TestAnEndlessAnswer(t *testing.T) {
	var endless sync.Once
	v := receive(t, func(_ int, w http.ResponseWriter, r *http.Request) {
		endless.Do(func() {
			chunk := make([]byte, 32<<10)
			for r.Context().Err() == nil {
				if _, err := w.Write(chunk); err != nil {
					return
				}
			}
		})
	})
	w, q, _ := hook(t, webhook.Options{URL: v.URL})
	delivertest.Send(t, w, entry(1))
	v.next(t)
	empty(t, q)
}

func TestOptions(t *testing.T) {
	q := memoryqueue.New(0, 0, 0)
	for name, c := range map[string]struct {
		o    webhook.Options
		want string
	}{
		"no queue":    {webhook.Options{URL: "https://hooks.example.org/s3cret"}, "a queue is needed"},
		"no address":  {webhook.Options{Queue: q}, "must begin with https://"},
		"two":         {webhook.Options{Queue: q, URL: "https://hooks.example.org/s3cret", URLFile: "/etc/hook"}, "give either"},
		"bad address": {webhook.Options{Queue: q, URL: "mailto:s3cret@example.org"}, "must begin with https://"},
	} {
		_, err := webhook.New(c.o)
		require.ErrorContains(t, err, c.want, name)
		assert.NotContains(t, err.Error(), "s3cret", name)
	}
}

package harness

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/journal"
	"dewline/internal/format/cloudevent"
	"dewline/internal/mqtt"
	"dewline/internal/store"
)

// Phone hears everything that a broker has.
type Phone struct {
	t        testing.TB
	mu       sync.Mutex
	events   []cloudevent.Event
	retained map[string]string // newest payload by topic
}

// Listen subscribes before the program does.
func Listen(t testing.TB, address string) *Phone {
	t.Helper()
	link, err := mqtt.New(mqtt.Options{Broker: "mqtt://" + address, ClientID: "phone", Username: "phone", Credentials: func() (string, string, error) { return "phone", "phone", nil }})
	require.NoError(t, err)
	all, err := link.Subscribe("dewline/#", 1, 100_000)
	require.NoError(t, err)
	l := &Phone{t: t, retained: map[string]string{}}
	ctx, cancel := context.WithCancel(context.Background())
	var done sync.WaitGroup
	done.Go(func() { assert.NoError(t, link.Run(ctx)) })
	done.Go(func() {
		for {
			select {
			case m := <-all.C:
				l.take(m.Topic, m.Payload)
			case <-ctx.Done():
				return
			}
		}
	})
	t.Cleanup(func() { cancel(); done.Wait() })
	deadline := time.Now().Add(30 * time.Second)
	for !l.hears(link) {
		require.True(t, time.Now().Before(deadline), "the listener hears nothing: %s", link.Status().Err)
		time.Sleep(50 * time.Millisecond)
	}
	return l
}

// hears finds out whether the subscription is in force, by a message of its own.
func (l *Phone) hears(link *mqtt.Client) bool {
	ctx, cancel := context.WithTimeout(l.t.Context(), time.Second)
	defer cancel()
	if session, err := link.Session(ctx); err == nil {
		_ = session.Publish(ctx, mqtt.Message{Topic: "dewline/heard", QoS: 1, Payload: []byte("yes")})
	}
	return l.Last("heard") == "yes"
}

func (l *Phone) take(topic string, payload []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	name := strings.TrimPrefix(strings.TrimPrefix(topic, "dewline/"), "north-loft/")
	if name != "events" {
		l.retained[name] = string(payload)
		return
	}
	e, err := cloudevent.Parse(payload)
	assert.NoError(l.t, err)
	l.events = append(l.events, e)
}

// Last returns the newest payload of a topic below the site's.
func (l *Phone) Last(topic string) string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.retained[topic]
}

// Heard returns the ids of the events that have come, without those that came again.
func (l *Phone) Heard() (events []cloudevent.Event) {
	l.mu.Lock()
	defer l.mu.Unlock()
	known := map[string]bool{}
	for _, e := range l.events {
		if !known[e.ID] {
			events = append(events, e)
		}
		known[e.ID] = true
	}
	return events
}

// Letter returns the letter in the retained message of an alarm.
func (l *Phone) Letter(alarm string) string {
	var e struct {
		Data struct {
			State string `json:"state"`
		} `json:"data"`
	}
	_ = json.Unmarshal([]byte(l.Last("alarms/"+alarm)), &e)
	return e.Data.State
}

// Journal returns the journal in the history file, oldest first.
func (h *House) Journal(t testing.TB) []journal.Entry {
	t.Helper()
	db, err := store.Open(h.History, store.Options{ReadOnly: true})
	require.NoError(t, err)
	defer db.Close(t.Context())
	var all []journal.Entry
	entries, err := db.Journal(t.Context(), store.Filter{Limit: 10_000})
	require.NoError(t, err)
	require.Less(t, len(entries), 10_000)
	for i := range entries {
		all = append(all, *entries[len(entries)-1-i])
	}
	return all
}

// Hook is a webhook that can be broken.
type Hook struct {
	*httptest.Server
	mu       sync.Mutex
	status   int // answered instead of taking it; 0 takes
	ids      []string
	subjects map[string][]string // subject → ids
	tries    int
}

// NewHook starts one.
func NewHook(t testing.TB) *Hook {
	k := &Hook{subjects: map[string][]string{}}
	k.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			return
		}
		e, err := cloudevent.Parse(body)
		assert.NoError(t, err)
		k.mu.Lock()
		defer k.mu.Unlock()
		k.tries++
		if k.status != 0 {
			w.WriteHeader(k.status)
			return
		}
		k.ids = append(k.ids, e.ID)
		k.subjects[e.Subject] = append(k.subjects[e.Subject], e.ID)
	}))
	t.Cleanup(k.Close)
	return k
}

// Address returns host:port.
func (k *Hook) Address() string { return strings.TrimPrefix(k.URL, "http://") }

// Answer makes it answer with a status and take nothing; 0 takes again.
func (k *Hook) Answer(status int) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.status = status
}

// Taken returns the ids of the events that it has taken.
func (k *Hook) Taken() []string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return append([]string(nil), k.ids...)
}

// About returns the ids of those that are about an alarm.
func (k *Hook) About(alarm string) []string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return append([]string(nil), k.subjects[alarm]...)
}

// Received reports whether it has received anything about an alarm.
func (k *Hook) Received(alarm string) bool { return len(k.About(alarm)) > 0 }

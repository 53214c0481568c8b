package daemon_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"

	"dewline/internal/core/watch"
	"dewline/internal/server/control"
)

// hook is an HTTP server that counts the events it receives.
type hook struct {
	mu    sync.Mutex
	kinds []string
}

func (h *hook) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, _ := io.ReadAll(r.Body)
	var event struct {
		Type    string `json:"type"`
		Subject string `json:"subject"`
	}
	if r.Method == http.MethodPost && json.Unmarshal(body, &event) == nil {
		h.mu.Lock()
		h.kinds = append(h.kinds, event.Type+" "+event.Subject)
		h.mu.Unlock()
	}
	w.WriteHeader(http.StatusNoContent)
}

func (h *hook) count(kind string) (n int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, k := range h.kinds {
		if strings.HasPrefix(k, kind) {
			n++
		}
	}
	return n
}

// A webhook gets an alarm at once, again until it is acknowledged, and once when it is over. A heartbeat goes out at the same
// time.
func TestWebhookRepeatsUntilAcknowledged(t *testing.T) {
	h, beats := &hook{}, &sync.Map{}
	server := httptest.NewServer(h)
	defer server.Close()
	alive := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { beats.Store("seen", true) }))
	defer alive.Close()
	tree := newProbeTree(t)
	tree.Show(25)
	r := begin(t, 60, tree.root, plainSite+`
history: {path: "HISTORY"}
notify: [{via: webhook, format: cloudevent, url: "`+server.URL+`", priorities: [high, critical], repeat: 2m, until: acknowledged}]
heartbeat: {url: "`+alive.URL+`", every: 1m}
`)
	r.wait("it is sent", func() bool { return h.count("dewline.alarm.raised.v1 "+tubHigh) == 1 })
	r.wait("and sent again", func() bool { return h.count("dewline.alarm.repeated.v1 "+tubHigh) >= 2 })
	r.command(control.Request{Verb: watch.Acknowledge, Occurrence: r.alarm(tubHigh).Occurrence, By: "keeper"})
	assert.Equal(t, "C", r.letter(tubHigh))
	tree.Show(22)
	r.wait("and its end is sent", func() bool { return h.count("dewline.alarm.cleared.v1 "+tubHigh) == 1 })
	assert.Equal(t, 1, h.count("dewline.alarm.raised.v1"))
	r.wait("nothing waits any more", func() bool { return r.metric(`dewline_outbox_pending{outlet="webhook"}`) == "0" })
	r.wait("the heartbeat was heard", func() bool { _, ok := beats.Load("seen"); return ok })
}

// pushed is a message as a push service takes it.
type pushed struct{ title, body string }

// pushService collects the messages that it is sent, titles in the header Title.
type pushService struct {
	mu       sync.Mutex
	messages []pushed
}

func (p *pushService) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, _ := io.ReadAll(r.Body)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.messages = append(p.messages, pushed{r.Header.Get("Title"), string(body)})
}

// with returns the messages whose title begins with something.
func (p *pushService) with(title string) (found []pushed) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, m := range p.messages {
		if strings.HasPrefix(m.title, title) {
			found = append(found, m)
		}
	}
	return found
}

// A phone gets a message that its keeper can read: what is wrong where, who lives there, value and limit in the displayed unit, local
// time, what to do and a link. A repetition carries the value of its time, and a fault the place and the last good value.
func TestAPushIsReadable(t *testing.T) {
	phone := &pushService{}
	server := httptest.NewServer(phone)
	defer server.Close()
	tree := newProbeTree(t)
	tree.Show(25)
	r := begin(t, 60, tree.root, strings.NewReplacer(
		"id: tub-1\n", "id: tub-1\n    title: Tub 1\n", `web: {listen: "127.0.0.1:0"}`, `web: {listen: "127.0.0.1:0", public-url: "https://loft.example"}`,
	).Replace(plainSite)+`
display: {temperature: fahrenheit}
history: {path: "HISTORY"}
notify: [{via: webhook, url: "`+server.URL+`", title-header: Title, priorities: [high, critical], style: every, repeat: 5m}]
`)
	r.wait("it is sent", func() bool { return len(phone.with("ALARM: ")) == 1 })
	first := phone.with("ALARM: ")[0]
	assert.Equal(t, "ALARM: Tub 1: water too warm, 77.0 F", first.title)
	for _, part := range []string{
		"Where: Tub 1 (tub-1)\n", "Value now: 77.0 °F", "Limit: at most 75.2 °F\n", "Since: 14:0", " WEST\n", "What to do:\n- Aerate at once.",
		"Please confirm when you have seen it: https://loft.example/alarms#" + tubHigh, "dewline alarm acknowledge " + r.alarm(tubHigh).Occurrence,
	} {
		assert.Contains(t, first.body, part)
	}
	tree.Show(26)
	r.wait("it is sent again with the present value", func() bool {
		again := phone.with("ALARM, still: Tub 1: water too warm, 78.8 F")
		return len(again) > 0 && strings.Contains(again[len(again)-1].body, "Highest: 78.8 °F")
	})
	tree.Show(22)
	r.wait("it is over", func() bool { return len(phone.with("Over: Tub 1: water back in range, 71.6 F")) == 1 })
	tree.Show(26)
	r.wait("it is too warm again", func() bool { return len(phone.with("ALARM: Tub 1: water")) == 2 })
	tree.Away() // beside an active alarm a fault calls at once
	r.wait("the sensor is gone", func() bool { return len(phone.with("ALARM: Tub 1: sensor tub-1-probe does not work")) == 1 })
	fault := phone.with("ALARM: Tub 1: sensor")[0].body
	assert.Contains(t, fault, "Last good value: 78.8 °F at ")
	assert.NotContains(t, fault, "no such file")
}

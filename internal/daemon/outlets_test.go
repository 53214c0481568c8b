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

	"dewline/internal/control"
	"dewline/internal/watch"
)

// hook is an HTTP server that keeps what it is told.
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

// A webhook hears of an alarm at once, again until somebody acknowledges it, and once that it is over. A heartbeat
// goes out beside it.
func TestWebhookIsToldUntilAcknowledged(t *testing.T) {
	h, beats := &hook{}, &sync.Map{}
	server := httptest.NewServer(h)
	defer server.Close()
	alive := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { beats.Store("seen", true) }))
	defer alive.Close()
	tree := newProbeTree(t)
	tree.Show(25)
	r := begin(t, 60, tree.root, plainSite+`
history: {path: "HISTORY"}
notify: [{outlet: webhook, url: "`+server.URL+`", priorities: [high, critical], repeat: 2m, until: acknowledged}]
heartbeat: {url: "`+alive.URL+`", every: 1m}
`)
	r.wait("it is told", func() bool { return h.count("dewline.alarm.raised.v1 "+tubHigh) == 1 })
	r.wait("and told again", func() bool { return h.count("dewline.alarm.repeated.v1 "+tubHigh) >= 2 })
	r.command(control.Request{Verb: watch.Acknowledge, Occurrence: r.alarm(tubHigh).Occurrence, By: "keeper"})
	assert.Equal(t, "C", r.letter(tubHigh))
	tree.Show(22)
	r.wait("and told that it is over", func() bool { return h.count("dewline.alarm.cleared.v1 "+tubHigh) == 1 })
	assert.Equal(t, 1, h.count("dewline.alarm.raised.v1"))
	r.wait("nothing waits any more", func() bool { return r.metric(`dewline_outbox_pending{outlet="webhook"}`) == "0" })
	r.wait("the heartbeat was heard", func() bool { _, ok := beats.Load("seen"); return ok })
}

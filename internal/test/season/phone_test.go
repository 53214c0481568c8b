package season

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
)

// message is what the phone was sent.
type message struct{ title, text string }

// phone is the push service of a keeper.
type phone struct {
	*httptest.Server
	mu       sync.Mutex
	messages []message
}

func newPhone(t *testing.T) *phone {
	p := &phone{}
	p.Server = httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			return
		}
		p.mu.Lock()
		defer p.mu.Unlock()
		p.messages = append(p.messages, message{r.Header.Get("Title"), string(body)})
	}))
	t.Cleanup(p.Close)
	return p
}

// all returns the messages so far.
func (p *phone) all() []message {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]message(nil), p.messages...)
}

// about returns the messages whose title contains a word.
func (p *phone) about(word string) (found []message) {
	for _, m := range p.all() {
		if strings.Contains(m.title, word) {
			found = append(found, m)
		}
	}
	return found
}

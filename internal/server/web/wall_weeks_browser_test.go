package web_test

import (
	"io"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/watch"
)

// frailLine is a network between page and server that can drop what is open without a word to either.
type frailLine struct {
	*httptest.Server
	streams, pages atomic.Int32 // streams answered and pages asked for so far

	mu  sync.Mutex
	cut chan struct{} // closed for the streams that are dropped
}

func newFrailLine(t *testing.T, server string) *frailLine {
	l := &frailLine{cut: make(chan struct{})}
	proxy := &httputil.ReverseProxy{
		Rewrite: func(r *httputil.ProxyRequest) {
			r.SetURL(&url.URL{Scheme: "http", Host: server})
			r.Out.Host = r.In.Host
		},
		FlushInterval: -1,
		ModifyResponse: func(r *http.Response) error {
			if r.Request.URL.Path == "/api/live" {
				l.mu.Lock()
				defer l.mu.Unlock()
				r.Body = &frailStream{r.Body, l.cut, r.Request.Context().Done()}
				l.streams.Add(1) // from here on it can be dropped
			}
			return nil
		},
	}
	l.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/wall" {
			l.pages.Add(1)
		}
		proxy.ServeHTTP(w, r)
	}))
	t.Cleanup(func() {
		l.CloseClientConnections()
		l.Close()
	})
	return l
}

// drop carries nothing more on the streams that are open. They stay open.
func (l *frailLine) drop() {
	l.mu.Lock()
	defer l.mu.Unlock()
	close(l.cut)
	l.cut = make(chan struct{})
}

type frailStream struct {
	io.ReadCloser
	cut, gone <-chan struct{}
}

func (s *frailStream) Read(p []byte) (int, error) {
	n, err := s.ReadCloser.Read(p)
	select {
	case <-s.cut:
		<-s.gone
		return 0, io.EOF
	default:
		return n, err
	}
}

// at lets the picture be of another time, on whose day the lights are on or off.
func (r *rig) at(at time.Time, day bool) {
	r.mu.Lock()
	picture := *r.current.Get()
	picture.At = at
	r.current.Set(&picture)
	r.mu.Unlock()
	r.change(func(p *watch.PointState) { p.Day = day })
}

// A tablet hangs on the wall for weeks: a stream that a network has dropped without a word is opened anew, what began on another day has its
// date, nothing is added to the page, and after another daemon has started the page fetches itself.
func TestWallOverWeeks(t *testing.T) {
	r := newRig(t)
	server, _ := r.serveUntil(t, r.options(t))
	line := newFrailLine(t, server.Addr())
	b := openTab(t, line.URL, tablet)
	b.open("/wall", wallReady)
	require.Eventually(t, func() bool { return line.streams.Load() > 0 }, patience, 20*time.Millisecond, "the page listens")
	r.change(func(p *watch.PointState) {
		if p.Point.Place == "tub-1" {
			p.Zone, p.Since = watch.UnknownZone, instant.Of(r.now.Add(-time.Hour))
		}
	})
	const unknown = `[...document.querySelectorAll(".tile")].find((e) => e.dataset.zone === "unknown")?.querySelector(".what").textContent`
	b.until(unknown + `?.includes("since 13:50")`) // by the stream, which is dropped now
	// The steady clock of the browser, by which silence is measured, is set forward.
	eval[bool](b, `(() => { const real = performance.now.bind(performance); window.ahead = 0; performance.now = () => real() + window.ahead; return true })()`)

	opened := line.streams.Load()
	line.drop()
	eval[float64](b, `window.ahead += 25e3`)
	require.Eventually(t, func() bool { return line.streams.Load() > opened }, patience, 20*time.Millisecond, "the silent stream is opened anew")
	b.until(`!document.documentElement.classList.contains("lost")`)

	const names = `[...document.querySelectorAll(".tile h3")].map((e) => e.textContent)`
	order, elements := eval[[]string](b, names), eval[int](b, `document.querySelectorAll("*").length`)
	midnight := time.Date(r.now.Year(), r.now.Month(), r.now.Day()+1, 0, 1, 0, 0, r.now.Location())
	r.at(midnight, false)
	b.until(`document.querySelector(".time").textContent === "00:01" && document.documentElement.classList.contains("night")`)
	assert.Contains(t, eval[string](b, unknown), "14 Jul 13:50", "yesterday's time has its date")
	r.at(midnight.AddDate(0, 0, 21).Add(10*time.Hour), true)
	b.until(`document.querySelector(".time").textContent === "10:01" && !document.documentElement.classList.contains("night")`)
	assert.Equal(t, order, eval[[]string](b, names), "no tile has moved")
	assert.Equal(t, elements, eval[int](b, `document.querySelectorAll("*").length`), "nothing was added")

	opened, fetched := line.streams.Load(), line.pages.Load()
	r.mu.Lock()
	picture := *r.current.Get()
	picture.Run = "another"
	r.current.Set(&picture)
	r.mu.Unlock()
	require.Eventually(t, func() bool { return line.pages.Load() >= fetched+2 && line.streams.Load() > opened }, patience, 20*time.Millisecond, "the page fetches itself")
	b.until(wallReady)
	assert.Equal(t, 0, eval[int](b, `Number(window.ahead ?? 0)`), "it is a new page")
}

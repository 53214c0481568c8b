package web

import (
	"fmt"
	"net/http"
	"time"

	"dewline/internal/server/status"
)

const (
	newsEvery = time.Second      // a new picture is sent at most this often
	beatEvery = 3 * time.Second  // a beat shows that the stream works, and carries the age of the snapshot
	sendLimit = 10 * time.Second // a listener who takes nothing for this long is let go
)

// serveLive streams the site as server-sent events: "now" with the whole snapshot whenever there is a new one, and "beat" with
// the age of the last one, so that a page can distinguish a daemon that hangs from a broken connection.
func (s *site) serveLive(w http.ResponseWriter, r *http.Request) {
	select {
	case s.lives <- struct{}{}:
		defer func() { <-s.lives }()
	default:
		fail(w, r, http.StatusServiceUnavailable, tooManyLives, "too many pages are open at once: close some")
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("X-Accel-Buffering", "no") // a proxy must not keep events back
	line := http.NewResponseController(w)
	// An event goes out in pieces: the picture of a large site is a megabyte, and is not copied once more for each page.
	send := func(pieces ...[]byte) bool {
		if line.SetWriteDeadline(time.Now().Add(sendLimit)) != nil {
			return false
		}
		for _, piece := range pieces {
			if _, err := w.Write(piece); err != nil {
				return false
			}
		}
		return line.Flush() == nil
	}
	if !send([]byte("retry: 2000\n\n")) {
		return
	}
	ticker := time.NewTicker(lookEvery)
	defer ticker.Stop()
	mayAct := visitorOf(r).mayAct()
	var sent *status.Snapshot
	var news, beat time.Time
	for {
		if v := s.who(r); !v.let || v.mayAct() != mayAct { // logged out, or the users have changed
			return
		}
		now := time.Now()
		if p := s.Current.Get(); (p != sent || sent == nil) && now.Sub(news) >= newsEvery && !p.At.IsZero() {
			if !send([]byte("event: now\ndata: "), s.encodedNow(p, mayAct), []byte("\n\n")) {
				return
			}
			sent, news = p, now
			beat = time.Time{} // the age goes with it
		}
		if now.Sub(beat) >= beatEvery {
			if !send(fmt.Appendf(nil, "event: beat\ndata: {\"age_s\":%.3f}\n\n", s.fresh.age().Seconds())) {
				return
			}
			beat = now
		}
		select {
		case <-r.Context().Done():
			return
		case <-ticker.C:
		}
	}
}

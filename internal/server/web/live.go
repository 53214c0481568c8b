package web

import (
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"net/http"
	"time"

	"dewline/internal/core/watch"
	"dewline/internal/server/status"
)

const (
	newsEvery   = time.Second      // nothing new is sent more often than this
	valuesEvery = 5 * time.Second  // values alone are sent this often where only differences are asked for
	slowEvery   = time.Minute      // so often goes with them what changes all the time and is not urgent
	beatEvery   = 3 * time.Second  // a beat shows that the stream works, and carries the age of the snapshot
	sendLimit   = 10 * time.Second // a listener who takes nothing for this long is let go
)

// What a reader of the stream asks for.
const (
	wholePictures = ""       // the whole picture, whenever there is a new one
	valueChanges  = "values" // then only differences, the health of sensors and the exposure of the day once a minute
	allChanges    = "all"    // then only differences, the exposure of the day once a minute
)

// serveLive streams the site as server-sent events: "now" with the whole snapshot, "change" with the difference from the one
// before as a JSON patch (RFC 6902), and "beat" with the age of the last one, so that a page can distinguish a daemon that
// hangs from a broken connection.
func (s *site) serveLive(w http.ResponseWriter, r *http.Request) {
	changes := r.URL.Query().Get("changes")
	if changes != wholePictures && changes != valueChanges && changes != allChanges {
		fail(w, r, http.StatusBadRequest, badRequest, "changes must be values or all, or left out")
		return
	}
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
	h.Add("Vary", "Accept-Encoding")
	line := http.NewResponseController(w)
	var out io.Writer = w
	flush := line.Flush
	if takesGzip(r) {
		h.Set("Content-Encoding", "gzip")
		packer := packed(w)
		defer packer.Close() // so that the reader knows that the end is one
		out, flush = packer, func() error { return errors.Join(packer.Flush(), line.Flush()) }
	}
	// An event goes out in pieces: the picture of a large site is a megabyte, and is not copied once more for each page.
	send := func(pieces ...[]byte) bool {
		if line.SetWriteDeadline(time.Now().Add(sendLimit)) != nil {
			return false
		}
		for _, piece := range pieces {
			if _, err := out.Write(piece); err != nil {
				return false
			}
		}
		return flush() == nil
	}
	if !send([]byte("retry: 2000\n\n")) {
		return
	}
	ticker := time.NewTicker(lookEvery)
	defer ticker.Stop()
	l := listener{site: s, mayAct: visitorOf(r).mayAct(), changes: changes, send: send}
	for {
		if v := s.who(r); !v.let || v.mayAct() != l.mayAct { // logged out, or the users have changed
			return
		}
		if !l.look(time.Now()) {
			return
		}
		select {
		case <-r.Context().Done():
			return
		case <-ticker.C:
		}
	}
}

// packed compresses what is written, so that a reader has all of it after each flush.
func packed(w io.Writer) *gzip.Writer {
	packer, _ := gzip.NewWriterLevel(w, gzip.BestSpeed) // the level exists
	return packer
}

// listener is one reader of the stream.
type listener struct {
	site    *site
	mayAct  bool
	changes string
	send    func(pieces ...[]byte) bool

	sent             *status.Snapshot
	tree             any // what the reader has, where differences are asked for
	differ           differ
	news, slow, beat time.Time
}

// look sends what is due, and returns false when the reader has gone.
func (l *listener) look(now time.Time) bool {
	if p := l.site.Current.Get(); p != l.sent && !p.At.IsZero() && now.Sub(l.news) >= l.pause(p) {
		if !l.sendNews(p, now) {
			return false
		}
		l.sent, l.news = p, now
		l.beat = time.Time{} // the age goes with it
	}
	if now.Sub(l.beat) >= beatEvery {
		if !l.send(fmt.Appendf(nil, "event: beat\ndata: {\"age_s\":%.3f}\n\n", l.site.fresh.age().Seconds())) {
			return false
		}
		l.beat = now
	}
	return true
}

// pause is the time between the last news and a snapshot.
func (l *listener) pause(p *status.Snapshot) time.Duration {
	if l.changes == wholePictures || l.sent == nil || urgent(l.sent, p) {
		return newsEvery
	}
	return valuesEvery
}

func (l *listener) sendNews(p *status.Snapshot, now time.Time) bool {
	data := l.site.encodedNow(p, l.mayAct)
	if l.changes == wholePictures {
		return l.send([]byte("event: now\ndata: "), data, []byte("\n\n"))
	}
	next, err := decodeTree(data)
	if err != nil { // the encoder has failed, and said so
		return true
	}
	if l.sent == nil {
		l.tree, l.slow = next, now
		return l.send([]byte("event: now\ndata: "), data, []byte("\n\n"))
	}
	withSlow := now.Sub(l.slow) >= slowEvery
	if withSlow {
		l.slow = now
	}
	l.differ.hold = func(key string) bool {
		return !withSlow && (key == "today" || l.changes == valueChanges && (key == "sensors" || key == "outlets"))
	}
	ops, reached := l.differ.patch(l.tree, next)
	l.tree = reached
	return ops == nil || l.send([]byte("event: change\ndata: "), ops, []byte("\n\n"))
}

// urgent reports whether something has happened that a person should see at once: to an alarm, a zone, a stage, or the clock.
func urgent(old, next *status.Snapshot) bool {
	if len(old.Alarms) != len(next.Alarms) || len(old.Points) != len(next.Points) || old.Confirmed != next.Confirmed || old.FloodSince != next.FloodSince {
		return true
	}
	for i := range next.Alarms {
		if alarmStage(&old.Alarms[i]) != alarmStage(&next.Alarms[i]) {
			return true
		}
	}
	for i := range next.Points {
		a, b := &old.Points[i], &next.Points[i]
		if a.Zone != b.Zone || a.Cohort != b.Cohort || a.Stage != b.Stage {
			return true
		}
	}
	return false
}

// alarmStage is what changes of an alarm when something happens to it.
func alarmStage(a *watch.AlarmState) [5]any {
	return [5]any{a.Name, a.Letter, a.Active, a.Occurrence, a.Until}
}

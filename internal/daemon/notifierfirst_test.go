package daemon

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/server/status"
)

// While a first connection is being made, nothing is said of its notifier: neither that it fails, nor, after a restart or under a new
// configuration, that it delivers again. What comes of it is said at once.
func TestNotifierThatOpensIsNeitherWellNorFailing(t *testing.T) {
	clock := &handClock{wall: time.Date(2026, 7, 14, 20, 0, 0, 0, time.UTC), sync: true}
	l := quietLoop(t, "site: north-loft\ntimezone: Europe/Lisbon\nplaces: [{id: loft, kind: room}]\nmqtt: {broker: \"mqtt://127.0.0.1:1\"}\n", clock)
	w := l.notifiers
	opening, open := status.NotifierHealth{Name: mqttNotifier, Opening: true}, status.NotifierHealth{Name: mqttNotifier, Connected: true}
	away := status.NotifierHealth{Name: mqttNotifier, LastError: "connection refused"}
	late, waiting := status.NotifierHealth{Name: mqttNotifier}, opening
	waiting.Pending, waiting.Oldest = 3, clock.wall.Add(-time.Hour) // of the run before
	event := func(failure string) []watch.Event {
		return []watch.Event{{Kind: watch.ComponentEvent, At: instant.Of(w.clock.Now()), Component: w.list[0].component, Failure: failure, Flag: quantity.Missing}}
	}
	for _, c := range []struct {
		what  string
		state status.NotifierHealth
		event []watch.Event
		fails bool
	}{
		{"it is being made", opening, nil, false},
		{"with messages from before", waiting, nil, false},
		{"it took too long", late, event("it is not connected"), true},
		{"it is there", open, event(""), false},
		{"the broker is away", away, event("connection refused"), true},
		{"made again under a new configuration", opening, nil, true},
		{"and there", open, event(""), false},
	} {
		assert.Equal(t, c.event, w.check([]status.NotifierHealth{c.state}), c.what)
		assert.Equal(t, c.fails, !w.list[0].failing.IsZero(), c.what)
	}
}

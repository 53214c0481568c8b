package replay

import (
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/watch"
)

// Notification is a message that a notifier would have been handed.
type Notification struct {
	At       instant.Instant `json:"at"`
	Notifier string          `json:"notifier"`
	Reason   string          `json:"reason"` // as the reasons of package notify: "call", "again", "over", …
	Alarm    string          `json:"alarm,omitempty"`
	Priority string          `json:"priority,omitempty"`
	Silent   bool            `json:"silent"` // it updates an incident, and makes no sound
}

// notified applies the rules of notification to a replay.
type notified struct {
	rules    *notify.Rules
	from, to instant.Instant
	asked    instant.Instant // when the rules were last asked what is due
	list     []Notification
}

// askEvery is how often the rules are asked what is due. The daemon asks each second; the shortest time in the rules is a minute.
const askEvery = time.Minute

// take passes the effects of the core to the rules.
func (n *notified) take(effects []watch.Effect) {
	for i := range effects {
		for _, d := range n.rules.Effect(&effects[i]) {
			// The end of what is over makes no sound where ends are updates; a test or the digest of the day is no matter of limits.
			if d.Entry.At < n.from || d.Entry.At > n.to || d.Entry.Kind == journal.NotifierTest || d.Entry.Kind == journal.DailyDigest {
				continue
			}
			n.list = append(n.list, Notification{d.Entry.At, d.Notifier, d.Reason.String(), d.Entry.Alarm, d.Entry.Priority, d.Silent})
		}
	}
}

// pass lets time go on to at, and carries out what the rules find due on the way. Readings of the very time at which the rules are asked
// are taken first, as in the daemon: the line up to them would be accounted for without them.
func (r *run) pass(at instant.Instant) {
	n := r.notified
	if n == nil {
		return
	}
	for n.asked.Add(askEvery) < at {
		n.asked = n.asked.Add(askEvery)
		if r.core.Due(n.asked) {
			r.step(watch.Event{Kind: watch.TickEvent, At: n.asked})
		}
		for _, command := range n.rules.Due(n.asked) {
			r.step(watch.Event{Kind: watch.CommandEvent, At: n.asked, Command: &command})
		}
	}
}

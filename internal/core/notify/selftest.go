package notify

import (
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
)

// TestText is the text of a test notification.
const TestText = "a test of the notifiers: no alarm, nothing is to be done"

// maxTestDelay is how late a weekly test may be sent by a board that has just started or got a new configuration. A test missed by
// more is left out.
const maxTestDelay = 10 * time.Minute

// dueTests appends the command that tests the notifiers whose weekly hour has come and that have not been tested since.
func (r *Rules) dueTests(now instant.Instant, commands []watch.Command) []watch.Command {
	var notifiers []string
	for i := range r.weekly {
		w := &r.weekly[i]
		if hour := w.At.Last(now); now.Sub(hour) <= maxTestDelay && !r.testedSince(w.Notifier, hour, now) {
			notifiers = append(notifiers, w.Notifier)
		}
	}
	if notifiers == nil {
		return commands
	}
	return append(commands, watch.Command{
		Verb: watch.Report, Kind: journal.NotifierTest, Notifiers: notifiers, By: By, Reason: "weekly", Text: TestText,
	})
}

// testedSince reports whether a test was sent at or after an hour. Recorded test times do not move with clock steps, so that a
// clock set back past the hour causes no second test; a time more than a week ahead comes from a wrong clock and does not count.
func (r *Rules) testedSince(notifier string, hour, now instant.Instant) bool {
	last, ever := r.tested[notifier]
	return ever && last >= hour && last.Sub(now) <= 7*24*time.Hour
}

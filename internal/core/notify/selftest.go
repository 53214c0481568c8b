package notify

import (
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
)

// TestWords are the words of a test.
const TestWords = "a test of the outlets: no alarm, nothing is to be done"

// onTime is how late a weekly test may begin: a board that has just started, or was given a new configuration, makes up for what
// it has missed by no more.
const onTime = 10 * time.Minute

// test appends the command for the outlets whose hour has come and that have not been tested since.
func (r *Rules) test(now instant.Instant, commands []watch.Command) []watch.Command {
	var outlets []string
	for i := range r.weekly {
		w := &r.weekly[i]
		if hour := w.At.Last(now); now.Sub(hour) <= onTime && !r.testedSince(w.Notifier, hour, now) {
			outlets = append(outlets, w.Notifier)
		}
	}
	if outlets == nil {
		return commands
	}
	return append(commands, watch.Command{
		Verb: watch.Report, Kind: journal.NotifierTest, Outlets: outlets, By: By, Reason: "weekly", Text: TestWords,
	})
}

// testedSince reports whether a test has gone out at or after an hour. Its time stays as it was when the clock is set, so that a
// clock that is set back past the hour causes no second one; a time that lies far ahead is that of a clock that was wrong.
func (r *Rules) testedSince(outlet string, hour, now instant.Instant) bool {
	last, ever := r.tested[outlet]
	return ever && last >= hour && last.Sub(now) <= 7*24*time.Hour
}

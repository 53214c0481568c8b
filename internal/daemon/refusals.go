package daemon

import (
	"slices"
	"time"

	"dewline/internal/core/pipeline"
	"dewline/internal/core/watch"
)

// Refused commands are written into the journal up to maxRefusals at once, and then one each refusalEvery, by the machine's
// clock. A faulty program sends thousands in a second, and each entry costs a write to the card and a message on every topic.
const (
	maxRefusals  = 60
	refusalEvery = 10 * time.Second
)

// refusals limits the rate at which refused commands are recorded.
type refusals struct {
	full  time.Duration // when the whole burst is available again; monotonic
	extra int           // refused since, and not recorded
}

// allow reports whether one more may be recorded.
func (r *refusals) allow(now time.Duration) bool {
	r.full = max(r.full, now)
	if r.full-now > (maxRefusals-1)*refusalEvery {
		r.extra++
		return false
	}
	r.full += refusalEvery
	return true
}

// over returns how many were not recorded, once no more have been refused for a while.
func (r *refusals) over(now time.Duration) int {
	if r.extra == 0 || r.full-now > maxRefusals/2*refusalEvery {
		return 0
	}
	extra := r.extra
	r.extra = 0
	return extra
}

// thin removes entries of refused commands from work if too many were refused recently, and reports whether it has removed
// the first of them. The sender of the command gets its response all the same.
func (r *refusals) thin(work *pipeline.Ready, now time.Duration) (first bool) {
	work.Effects = slices.DeleteFunc(work.Effects, func(e watch.Effect) bool {
		if e.Kind != watch.Refused || r.allow(now) {
			return false
		}
		first = first || r.extra == 1
		return true
	})
	return first
}

// note writes a note of dewline itself into the journal.
func (l *loop) note(text string) {
	l.options.Log.Warn(text)
	l.step(watch.Event{Kind: watch.CommandEvent, At: l.now(), Command: &watch.Command{Verb: watch.WriteNote, Text: text, By: "dewline"}})
}

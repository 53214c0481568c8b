package daemon

import (
	"fmt"
	"slices"
	"time"

	"dewline/internal/core/pipeline"
	"dewline/internal/core/watch"
)

// How many refused commands are written into the journal: so many at once, and then one in a while, by the machine's clock. A
// program that goes wrong sends thousands in a second, and each entry is a write to the card and a message on every topic.
const (
	maxRefusals  = 60
	refusalEvery = 10 * time.Second
)

// refusals is the pace at which refused commands are written down.
type refusals struct {
	full  time.Duration // when all the room would be there again; monotonic
	extra int           // refused since, and not written down
}

// allow reports whether one more may be written down.
func (r *refusals) allow(now time.Duration) bool {
	r.full = max(r.full, now)
	if r.full-now > (maxRefusals-1)*refusalEvery {
		r.extra++
		return false
	}
	r.full += refusalEvery
	return true
}

// over returns how many were not written down, once no more are refused for a while.
func (r *refusals) over(now time.Duration) int {
	if r.extra == 0 || r.full-now > maxRefusals/2*refusalEvery {
		return 0
	}
	extra := r.extra
	r.extra = 0
	return extra
}

// thin takes the entries of refused commands out of work where too many were refused of late, and reports whether the first of
// many has gone. Whoever gave the command is answered all the same.
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

// note writes into the journal what dewline itself has to say.
func (l *loop) note(text string) {
	l.options.Log.Warn(text)
	l.step(watch.Event{Kind: watch.CommandEvent, At: l.now(), Command: &watch.Command{Verb: watch.WriteNote, Text: text, By: "dewline"}})
}

// countRefusals says how many refused commands were not written down, once they have ended.
func (l *loop) countRefusals() {
	if n := l.refusals.over(l.options.Clock.Monotonic()); n > 0 {
		l.note(fmt.Sprintf("%d more refused commands were not written down, since too many came at once", n))
	}
}

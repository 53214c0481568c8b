package daemon

import (
	"slices"

	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// mostFailures is how many different reasons of one failure of the store are told.
const maxFailures = 8

// storeReport makes an alarm of a store that cannot write. The log gets a line when that begins, for each new reason and
// when it is over, not one a minute.
func (l *loop) storeReport(err error) {
	failure := ""
	if err != nil {
		failure = err.Error()
	}
	switch {
	case failure == "" && l.storeFailures != nil:
		l.options.Log.Info("the history is written again")
		l.storeFailures = nil
	case failure != "" && !slices.Contains(l.storeFailures, failure) && len(l.storeFailures) < maxFailures:
		l.options.Log.Error("history", "err", err)
		l.storeFailures = append(l.storeFailures, failure)
	}
	l.storeEvent(failure, quantity.Missing)
}

// storeNotice tells of what the store has found and done by itself: in the journal, and as an alarm at once, since somebody
// must see to it even though the store can go on.
func (l *loop) storeNotice(text string) {
	for range 2 { // as two values in a row that are known to be wrong
		l.storeEvent(text, quantity.Fail)
	}
	l.step(watch.Event{Kind: watch.CommandEvent, At: l.now(), Command: &watch.Command{Verb: watch.WriteNote, Text: text, By: "dewline"}})
}

func (l *loop) storeEvent(failure string, flag quantity.Flag) {
	l.step(watch.Event{Kind: watch.SensorEvent, At: l.now(), Sensor: int32(len(l.site.Sensors)), Failure: failure, Flag: flag})
}

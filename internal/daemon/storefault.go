package daemon

import (
	"slices"

	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// maxFailures is how many different reasons of one failure of the store are logged.
const maxFailures = 8

// note logs the outcome of a write, and returns the failure for the alarm of a store that cannot write; "" for none. The log gets a
// line at the beginning, for each new reason and at the end, not one a minute.
func (rec *recorder) note(err error) (failure string) {
	if err != nil {
		failure = err.Error()
	}
	switch {
	case failure == "" && rec.failures != nil:
		rec.options.Log.Info("the history is written again")
		rec.failures = nil
	case failure != "" && !slices.Contains(rec.failures, failure) && len(rec.failures) < maxFailures:
		rec.options.Log.Error("history", "err", err)
		rec.failures = append(rec.failures, failure)
	}
	return failure
}

// storeNotice reports what the store has found and repaired by itself: as a note in the journal, and as an alarm at once,
// since a person must look into it although the store works again.
func (l *loop) storeNotice(text string) {
	for range 2 { // as two values in a row that are known to be wrong
		l.storeEvent(text, quantity.Fail)
	}
	l.step(watch.Event{Kind: watch.CommandEvent, At: l.now(), Command: &watch.Command{Verb: watch.WriteNote, Text: text, By: "dewline"}})
}

func (l *loop) storeEvent(failure string, flag quantity.Flag) {
	l.step(watch.Event{Kind: watch.ComponentEvent, At: l.now(), Component: historyComponent, Failure: failure, Flag: flag})
}

package daemon

import (
	"slices"

	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// maxFailures is how many different reasons of one failure of the store are logged.
const maxFailures = 8

// storeReport raises the alarm of a store that cannot write. The log gets a line at the beginning, for each new reason and at
// the end, not one a minute.
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

// storeNotice reports what the store has found and repaired by itself: as a note in the journal, and as an alarm at once,
// since a person must look into it although the store works again.
func (l *loop) storeNotice(text string) {
	for range 2 { // as two values in a row that are known to be wrong
		l.storeEvent(text, quantity.Fail)
	}
	l.step(watch.Event{Kind: watch.CommandEvent, At: l.now(), Command: &watch.Command{Verb: watch.WriteNote, Text: text, By: "dewline"}})
}

func (l *loop) storeEvent(failure string, flag quantity.Flag) {
	l.step(watch.Event{Kind: watch.SensorEvent, At: l.now(), Sensor: int32(len(l.site.Sensors)), Failure: failure, Flag: flag})
}

package daemon

import (
	"fmt"
	"sync"

	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/watch"
)

// lostMessage is a message that a notifier has given up.
type lostMessage struct {
	notifier, event string
	reason          error
}

// lostMessages are given-up messages that are not recorded yet. Notifiers add them from their own goroutines.
type lostMessages struct {
	mu   sync.Mutex
	list []lostMessage
}

func (l *lostMessages) add(m lostMessage) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.list = append(l.list, m)
}

func (l *lostMessages) take() []lostMessage {
	l.mu.Lock()
	defer l.mu.Unlock()
	list := l.list
	l.list = nil
	return list
}

// lostMessages returns the reports of given-up messages for the journal. The rules then send another one while the alarm is active.
func (w *notifierWatch) lostMessages(rules *notify.Rules) (reports []watch.Event) {
	for _, m := range w.lost.take() {
		alarm, occurrence := rules.AlarmOf(m.notifier, m.event)
		reports = append(reports, watch.Event{Kind: watch.CommandEvent, At: w.now(), Command: &watch.Command{
			Verb: watch.Report, Kind: journal.Lost, Alarm: alarm, Occurrence: occurrence, Notifiers: []string{m.notifier}, By: "dewline",
			Text: fmt.Sprintf("%s gave up message %s: %v", m.notifier, m.event, m.reason),
		}})
	}
	return reports
}

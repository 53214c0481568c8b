package daemon

import (
	"fmt"
	"sync"

	"dewline/internal/core/journal"
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

// recordLost writes the given-up messages into the journal. The rules then send another one while the alarm is active.
func (l *loop) recordLost() {
	for _, m := range l.lost.take() {
		alarm, occurrence := l.chain.Rules.AlarmOf(m.notifier, m.event)
		l.step(watch.Event{Kind: watch.CommandEvent, At: l.now(), Command: &watch.Command{
			Verb: watch.Report, Kind: journal.Lost, Alarm: alarm, Occurrence: occurrence, Notifiers: []string{m.notifier}, By: "dewline",
			Text: fmt.Sprintf("%s gave up message %s: %v", m.notifier, m.event, m.reason),
		}})
	}
}

package daemon

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/deliver"
	"dewline/internal/server/control"
	"dewline/internal/server/status"
)

// notifierHealth is the state of a notifier from which the alarm about its own failure is made.
type notifierHealth struct {
	name string
	// within is how long it may fail before that is an alarm: the shortest time within which a person must act on one of its
	// messages.
	within    time.Duration
	component int32     // index in the core
	failing   time.Time // since when; zero while it delivers
	failure   string

	sent     uint64    // messages of this run that were accepted
	lastSent time.Time // when the last of them was; zero for never
}

// notifierWatch watches over the notifiers of the configuration: their health, their queues, and the messages they have given up.
type notifierWatch struct {
	*common
	list   []notifierHealth
	open   func(name string) deliver.Queue // makes a queue
	queues map[string]*trackedQueue        // by notifier
	lost   lostMessages
}

// install takes over the notifiers of a configuration and appends them to the components of the core. What is known of one that stays
// is kept.
func (w *notifierWatch) install(site *config.Site, components []watch.Component) []watch.Component {
	known := map[string]notifierHealth{}
	for _, n := range w.list {
		known[n.name] = n
	}
	w.list = notifiersOf(site)
	for i := range w.list {
		n := &w.list[i]
		k := known[n.name]
		n.failing, n.failure, n.sent, n.lastSent = k.failing, k.failure, k.sent, k.lastSent
		n.component = int32(len(components))
		components = append(components, watch.Component{ID: journal.NotifierComponents + n.name, FaultAfter: n.within})
	}
	return components
}

// maxQueued is how long a message may wait in a queue before the notifier counts as failing. A working notifier empties its
// queue within seconds.
const maxQueued = time.Minute

// maxRefused is how long messages may be refused before that is an alarm.
const maxRefused = 15 * time.Second

// notifiersOf lists the notifiers of a configuration, the MQTT one first: there is one whenever there is a broker.
func notifiersOf(site *config.Site) []notifierHealth {
	var list []notifierHealth
	if site.MQTT.Broker != "" || site.MQTT.Embedded.Listen != "" {
		within := care.CriticalPriority.Allowable()
		if i := slices.IndexFunc(site.Notify, func(o config.NotifierConfig) bool { return o.Kind == mqttNotifier }); i >= 0 {
			within = site.Notify[i].Slowest()
		}
		list = append(list, notifierHealth{name: mqttNotifier, within: within})
	}
	for i, name := range assemble.NotifierNames(site) {
		if name != "" {
			list = append(list, notifierHealth{name: name, within: site.Notify[i].Slowest()})
		}
	}
	return list
}

// weeklyTests lists when the notifiers of a configuration are to be tested.
func weeklyTests(site *config.Site) []notify.Weekly {
	var tests []notify.Weekly
	for i, name := range assemble.NotifierNames(site) {
		if at := site.Notify[i].Test; at != nil {
			tests = append(tests, notify.Weekly{Notifier: cmp.Or(name, mqttNotifier), At: *at})
		}
	}
	return tests
}

// states returns the health of all notifiers of the configuration; known is that of those that are open.
func (w *notifierWatch) states(known []status.NotifierHealth) []status.NotifierHealth {
	states := make([]status.NotifierHealth, 0, len(w.list))
	for i := range w.list {
		n := &w.list[i]
		s := status.NotifierHealth{Name: n.name, LastError: "it could not be opened: the log says why"}
		if k := slices.IndexFunc(known, func(o status.NotifierHealth) bool { return o.Name == n.name }); k >= 0 {
			s = known[k]
		}
		w.queue(n.name).fill(&s)
		s.FailingSince, s.Failure, s.LastSent = n.failing, n.failure, n.lastSent
		states = append(states, s)
	}
	return states
}

// check returns events for the core: of notifiers that fail or deliver again, and of tests that were accepted. A notifier that has
// failed for longer than a person may take to act on its messages is an alarm, which the rules send through the other notifiers. What
// was known of one before a restart or a new configuration holds until its first connection is there or a try has failed.
func (w *notifierWatch) check(states []status.NotifierHealth) (events []watch.Event) {
	now := w.clock.Now()
	for i := range states {
		n, s := &w.list[i], &states[i]
		if s.Sent > n.sent {
			n.lastSent = now
		}
		n.sent = s.Sent // begins again at 0 when the notifier is opened again
		if s.Opening {
			continue
		}
		failure := failureOf(s, now)
		switch {
		case failure == "" && !n.failing.IsZero():
			w.options.Log.Info("a notifier delivers again", "notifier", n.name)
			n.failing = time.Time{}
		case failure != "" && n.failing.IsZero():
			w.options.Log.Warn("a notifier fails", "notifier", n.name, "err", failure)
			n.failing = now
		}
		n.failure = failure
		if test := w.queue(n.name).taken(); test != "" {
			events = append(events, watch.Event{Kind: watch.CommandEvent, At: instant.Of(now), Command: &watch.Command{
				Verb: watch.Report, Kind: journal.TestTaken, Notifiers: []string{n.name}, By: "dewline", Text: "the service accepted test " + test,
			}})
		}
		// A service that refuses messages will not accept them without a change at either end, so that is an alarm at once, not
		// only after n.within. A short refusal may be a restart of the service.
		flag := quantity.Missing
		if failure != "" && (s.Refused || s.GaveUp != "") && now.Sub(n.failing) >= maxRefused {
			flag = quantity.Fail
		}
		events = append(events, watch.Event{Kind: watch.ComponentEvent, At: instant.Of(now), Component: n.component, Failure: failure, Flag: flag})
	}
	return events
}

// failureOf describes what is wrong with a notifier; "" if nothing is.
func failureOf(s *status.NotifierHealth, now time.Time) string {
	switch {
	case s.LastError != "":
		return s.LastError
	case !s.Connected:
		return "it is not connected"
	case s.GaveUp != "":
		return "the last message was given up: " + s.GaveUp
	case s.Pending > 0 && now.Sub(s.Oldest) > maxQueued:
		return fmt.Sprintf("messages that wait to be sent: %d", s.Pending)
	}
	return ""
}

// shift moves the remembered times by a step of the clock.
func (w *notifierWatch) shift(by time.Duration) {
	for i := range w.list {
		instant.ShiftKnown(by, &w.list[i].failing, &w.list[i].lastSent)
	}
}

// testNotifiers sends a test notification through the notifiers that a command names, or through all of them. It goes through
// the journal, and so through the same queues and senders as an alarm. The outcome appears in the snapshot.
func (l *loop) testNotifiers(m commandMessage) control.Response {
	asked := m.command.Notifiers
	var all []string
	for i := range l.notifiers.list {
		all = append(all, l.notifiers.list[i].name)
	}
	refuse := func(reason string) control.Response {
		l.pass(l.chain.Core.Refuse(l.now(), &m.command, reason, nil))
		return control.Response{Reason: reason}
	}
	switch {
	case len(all) == 0:
		return refuse("no notifier is configured: add one under notify, or a broker under mqtt")
	case len(asked) == 0:
		asked = all
	}
	for _, name := range asked {
		if !slices.Contains(all, name) {
			return refuse(fmt.Sprintf("there is no notifier %q: there are %s", name, strings.Join(all, ", ")))
		}
	}
	l.chain.Step(watch.Event{Kind: watch.CommandEvent, At: l.now(), Command: &watch.Command{
		Verb: watch.Report, Kind: journal.NotifierTest, Notifiers: asked, By: m.command.By, Reason: m.command.Reason, Text: notify.TestText,
	}})
	work := l.chain.Ready()
	response := control.Response{Done: true, Changed: true, Event: work.Effects[0].Entry.ID(), Notifiers: asked}
	l.commit(work)
	l.publish()
	return response
}

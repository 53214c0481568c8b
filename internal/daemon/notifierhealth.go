package daemon

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/server/control"
	"dewline/internal/server/status"
)

// wayOut is an outlet as far as its own failure is an alarm.
type notifierHealth struct {
	name string
	// within is how long it may fail: the shortest time in which somebody should have acted on what it is told.
	within  time.Duration
	sensor  int32     // index in the core, where a failing outlet is like a failing sensor
	failing time.Time // since when; zero while it delivers
	failure string
}

// slow is how long something may wait in a queue before the outlet counts as failing. A queue is emptied within seconds.
const slow = time.Minute

// slip is how long a refusal may last before it is an alarm.
const slip = 15 * time.Second

// waysOut lists the outlets of a configuration, the MQTT one first: it is there whenever there is a broker.
func waysOut(site *config.Site) []notifierHealth {
	var ways []notifierHealth
	if site.MQTT.Broker != "" || site.MQTT.Embedded.Listen != "" {
		within := care.CriticalPriority.Allowable()
		if i := slices.IndexFunc(site.Notify, func(o config.NotifierConfig) bool { return o.Kind == mqttOutlet }); i >= 0 {
			within = site.Notify[i].Slowest()
		}
		ways = append(ways, notifierHealth{name: mqttOutlet, within: within})
	}
	for i, name := range callerNames(site) {
		if name != "" {
			ways = append(ways, notifierHealth{name: name, within: site.Notify[i].Slowest()})
		}
	}
	return ways
}

// weeklyTests lists when the outlets of a configuration are to be tested.
func weeklyTests(site *config.Site) []notify.Weekly {
	var tests []notify.Weekly
	for i, name := range callerNames(site) {
		if at := site.Notify[i].Test; at != nil {
			tests = append(tests, notify.Weekly{Notifier: cmp.Or(name, mqttOutlet), At: *at})
		}
	}
	return tests
}

// callerNames names the outlets of the rules; "" for those that are no webhook or mail.
func callerNames(site *config.Site) []string {
	names := make([]string, len(site.Notify))
	count := map[string]int{}
	for i := range site.Notify {
		kind := site.Notify[i].Kind
		if kind == mqttOutlet {
			continue // its events topic carries everything
		}
		if count[kind]++; count[kind] == 1 {
			names[i] = kind
		} else {
			names[i] = fmt.Sprintf("%s-%d", kind, count[kind])
		}
	}
	return names
}

// faultOf is the alarm that says that an outlet does not deliver.
func faultOf(name string) string {
	return watch.FaultPlace + "/" + config.ReservedSensors + name + "/fault"
}

// outletStates tells how all outlets of the configuration fare.
func (l *loop) outletStates() []status.NotifierHealth {
	known := append(l.links.states(), l.callers.states()...)
	states := make([]status.NotifierHealth, 0, len(l.ways))
	for i := range l.ways {
		w := &l.ways[i]
		s := status.NotifierHealth{Name: w.name, LastError: "it could not be opened: the log says why"}
		if k := slices.IndexFunc(known, func(o status.NotifierHealth) bool { return o.Name == w.name }); k >= 0 {
			s = known[k]
		}
		l.post(w.name).fill(&s)
		s.FailingSince, s.Failure = w.failing, w.failure
		states = append(states, s)
	}
	return states
}

// checkOutlets makes an alarm of an outlet that has failed for longer than somebody may take to act on what it should have told.
// The rules tell it on the others.
func (l *loop) checkOutlets() {
	for i, s := range l.outletStates() {
		w := &l.ways[i]
		failure := failureOf(&s, l.clock.Now())
		switch {
		case failure == "" && !w.failing.IsZero():
			l.options.Log.Info("an outlet delivers again", "outlet", w.name)
			w.failing = time.Time{}
		case failure != "" && w.failing.IsZero():
			l.options.Log.Warn("an outlet fails", "outlet", w.name, "err", failure)
			w.failing = l.clock.Now()
		}
		w.failure = failure
		if test := l.post(w.name).taken(); test != "" {
			l.step(watch.Event{Kind: watch.CommandEvent, At: l.now(), Command: &watch.Command{
				Verb: watch.Report, Kind: journal.TestTaken, Notifiers: []string{w.name}, By: "dewline", Text: "the far side has taken test " + test,
			}})
		}
		// What the far side refuses it will not take by itself: that is an alarm at once, and not only after the time in which one should
		// have acted. A single refusal may be a slip.
		flag := quantity.Missing
		if failure != "" && (s.Refused || s.GaveUp != "") && l.clock.Now().Sub(w.failing) >= slip {
			flag = quantity.Fail
		}
		l.step(watch.Event{Kind: watch.SensorEvent, At: l.now(), Sensor: w.sensor, Failure: failure, Flag: flag})
	}
}

// failureOf tells what is wrong with an outlet, "" where nothing is.
func failureOf(s *status.NotifierHealth, now time.Time) string {
	switch {
	case s.LastError != "":
		return s.LastError
	case !s.Connected:
		return "it is not connected"
	case s.GaveUp != "":
		return "the last message was given up: " + s.GaveUp
	case s.Pending > 0 && now.Sub(s.Oldest) > slow:
		return fmt.Sprintf("messages that wait to be sent: %d", s.Pending)
	}
	return ""
}

// shiftOutlets moves what is remembered by a step of the clock.
func (l *loop) shiftOutlets(by time.Duration) {
	for i := range l.ways {
		if w := &l.ways[i]; !w.failing.IsZero() {
			w.failing = w.failing.Add(by)
		}
	}
}

// testOutlets sends a test notification through the outlets that a command names, or all: by the journal, and so by the same queues
// and senders as an alarm. Its outcome is in the picture.
func (l *loop) testOutlets(m commandMessage) control.Response {
	asked := m.command.Notifiers
	var all []string
	for i := range l.ways {
		all = append(all, l.ways[i].name)
	}
	refuse := func(why string) control.Response {
		l.pass(l.chain.Core.Refuse(l.now(), &m.command, why, nil))
		return control.Response{Reason: why}
	}
	switch {
	case len(all) == 0:
		return refuse("there is no outlet: notify and mqtt of the configuration name them")
	case len(asked) == 0:
		asked = all
	}
	for _, name := range asked {
		if !slices.Contains(all, name) {
			return refuse(fmt.Sprintf("there is no outlet %q: there are %s", name, strings.Join(all, ", ")))
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

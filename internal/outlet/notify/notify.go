// Package notify decides who is told of an alarm, how often, and that it is over: the rules in front of the outlets. Like the
// core it is pure: time comes in, deliveries and commands go out, and there is no clock inside.
//
//	rules := notify.New([]notify.Rule{
//		{Outlet: "webhook", Priorities: []stage.Priority{stage.HighPriority, stage.CriticalPriority}, Repeat: 15 * time.Minute},
//	})
//	rules.Sync(core.Alarms(), now)                 // after a start and after each new configuration
//	for _, effect := range effects {               // of the core, in their order
//		for _, delivery := range rules.Effect(&effect) { … }
//	}
//	for _, command := range rules.Due(now) { … }   // at each tick: into the core, whose effects come back here
//
// # What is told
//
// A call: each [watch.Notify] of the core goes to every outlet that listens to its priority.
//
// Again: while the alarm stands and the rule says so, the core is asked to alarm once more ([watch.Repeat]). So
// repetition is on record and counted, an acknowledged alarm waits for an acknowledgement again (re-alarming, as in OPC
// 10000-9), and only the outlets whose time has come hear of it. Repetition ends with the condition, and with the first
// acknowledgement unless the rule says "cleared".
//
// Over: each outlet that was called is told once that the condition has ended.
//
// Nothing is told of an alarm that is shelved, out of service or suppressed by design. Whoever shelves an alarm or takes
// it out of service has it in hand, and is not told of its end either. One that was suppressed by design after a call
// is told to be over when the suppression has ended as well.
package notify

import (
	"maps"
	"slices"
	"time"

	"dewline/internal/instant"
	"dewline/internal/journal"
	"dewline/internal/stage"
	"dewline/internal/watch"
)

// Cleared as [Rule.Until] makes repetition outlast the acknowledgement.
const Cleared = "cleared"

// By is who asks the core to alarm once more.
const By = "notify"

// The tolerances of repetition.
const (
	// early is how much too early an outlet may be told together with another whose time has come, so that they do not cause
	// one alarm each; it is no more than a tenth of the interval.
	early = 30 * time.Second
	// askAgain is how long the core has to answer before it is asked again.
	askAgain = time.Minute
)

// Rule is what one outlet is to be told. Each outlet has one.
type Rule struct {
	Outlet string // its name
	// Priorities it listens to; none means all.
	Priorities []stage.Priority
	// Repeat is how often it is told again; 0 means never.
	Repeat time.Duration
	// Until is [Cleared], or anything else for: until it is acknowledged.
	Until string
}

// Why is the reason of a delivery.
type Why uint8

// The reasons.
const (
	Call  Why = iota // a person is needed
	Again            // still
	Over             // the condition has ended
)

// String returns the reason in words.
func (w Why) String() string { return [...]string{"call", "again", "over"}[w] }

// Delivery asks for an entry to be told on an outlet.
type Delivery struct {
	Outlet string
	Why    Why
	Entry  *journal.Entry
}

// Rules follow the alarms of a site. They belong to one goroutine.
type Rules struct {
	rules  []Rule
	alarms map[string]*standing // by name; only those whose condition holds, as far as it is known
}

// standing is what is known of an alarm that stands.
type standing struct {
	occurrence   string
	priority     string
	letter       byte
	acknowledged bool                       // a person has seen this occurrence
	told         map[string]instant.Instant // outlet → when it was told last
	asked        instant.Instant            // when the core was asked to repeat; None if it has answered
}

// New returns rules that know of no alarm.
func New(outlets []Rule) *Rules {
	return &Rules{rules: slices.Clone(outlets), alarms: map[string]*standing{}}
}

// Configure puts other rules in force. Call [Rules.Sync] afterwards. An outlet that is new and repeats is told of the
// unacknowledged alarms at once.
func (r *Rules) Configure(outlets []Rule) { r.rules = slices.Clone(outlets) }

// Sync brings what is known in line with the alarms of the core. What stands without being known here (after a start) counts as
// told now on all outlets that listen to it: nobody is called twice, repetition goes on from here, and its end is told.
func (r *Rules) Sync(alarms []watch.AlarmState, now instant.Instant) {
	known := r.alarms
	r.alarms = map[string]*standing{}
	for i := range alarms {
		a := &alarms[i]
		if !a.Active || a.Occurrence == "" {
			continue
		}
		s := known[a.Name]
		if s == nil || s.occurrence != a.Occurrence {
			s = &standing{occurrence: a.Occurrence, told: map[string]instant.Instant{}, asked: instant.None}
			s.priority, s.acknowledged = a.Priority.String(), a.Letter == watch.Acknowledged
			if a.Letter == watch.Unacknowledged || a.Letter == watch.Acknowledged {
				for _, rule := range r.rules {
					if rule.listens(s.priority) {
						s.told[rule.Outlet] = now
					}
				}
			}
		}
		s.letter = a.Letter
		r.alarms[a.Name] = s
	}
}

// Effect takes note of an effect of the core and returns what has to be told because of it. All effects must come by, in
// their order.
func (r *Rules) Effect(e *watch.Effect) []Delivery {
	entry := e.Entry
	if entry == nil || entry.Alarm == "" {
		return nil
	}
	switch e.Kind {
	case watch.Keep:
		if entry.State != "" {
			return r.keep(entry)
		}
	case watch.Notify:
		return r.call(entry)
	case watch.Refused: // the alarm is not there any more
		if s := r.alarms[entry.Alarm]; s != nil && entry.Text == string(watch.Repeat) && s.occurrence == entry.Occurrence {
			delete(r.alarms, entry.Alarm)
		}
	}
	return nil
}

// keep follows the alarm, and tells its end to those who were called.
func (r *Rules) keep(entry *journal.Entry) (deliveries []Delivery) {
	s := r.alarms[entry.Alarm]
	if s == nil || s.occurrence != entry.Occurrence {
		s = &standing{occurrence: entry.Occurrence, told: map[string]instant.Instant{}, asked: instant.None}
		r.alarms[entry.Alarm] = s
	}
	s.letter, s.priority = entry.State[0], entry.Priority
	switch entry.Kind {
	case journal.AlarmAcknowledged:
		s.acknowledged = true
	case journal.AlarmShelved, journal.AlarmDisabled:
		clear(s.told)
	}
	switch s.letter {
	case watch.Unacknowledged, watch.Acknowledged, watch.Shelved, watch.SuppressedByDesign, watch.OutOfServiceState:
		return nil
	}
	delete(r.alarms, entry.Alarm)
	for _, rule := range r.rules {
		if _, told := s.told[rule.Outlet]; told {
			deliveries = append(deliveries, Delivery{rule.Outlet, Over, entry})
		}
	}
	return deliveries
}

// call tells those who listen.
func (r *Rules) call(entry *journal.Entry) (deliveries []Delivery) {
	s := r.alarms[entry.Alarm]
	if s == nil { // the entry has not come by as one to keep
		return nil
	}
	again := entry.Kind == journal.AlarmRepeated
	if again {
		s.asked = instant.None
	}
	for i := range r.rules {
		rule := &r.rules[i]
		switch {
		case !rule.listens(s.priority):
		case !again:
			deliveries = append(deliveries, Delivery{rule.Outlet, Call, entry})
			s.told[rule.Outlet] = entry.At
		case rule.due(s, entry.At, min(early, rule.Repeat/10)):
			deliveries = append(deliveries, Delivery{rule.Outlet, Again, entry})
			s.told[rule.Outlet] = entry.At
		}
	}
	return deliveries
}

// Due returns the commands that ask the core to alarm once more, in the order of the alarms' names. Asking at every second
// is soon enough.
func (r *Rules) Due(now instant.Instant) (commands []watch.Command) {
	for _, name := range slices.Sorted(maps.Keys(r.alarms)) {
		s := r.alarms[name]
		if !s.asked.IsNone() && now.Sub(s.asked) < askAgain {
			continue
		}
		if slices.ContainsFunc(r.rules, func(rule Rule) bool { return rule.listens(s.priority) && rule.due(s, now, 0) }) {
			s.asked = now
			commands = append(commands, watch.Command{Verb: watch.Repeat, Alarm: name, Occurrence: s.occurrence, By: By})
		}
	}
	return commands
}

// Shift moves what is remembered by a step of the clock.
func (r *Rules) Shift(by time.Duration) {
	for _, s := range r.alarms {
		if !s.asked.IsNone() {
			s.asked = s.asked.Add(by)
		}
		for outlet, at := range s.told {
			s.told[outlet] = at.Add(by)
		}
	}
}

// listens reports whether the outlet is told of alarms of a priority. One that cannot be read is told to everybody.
func (rule *Rule) listens(priority string) bool {
	p, ok := stage.ParsePriority(priority)
	return len(rule.Priorities) == 0 || !ok || slices.Contains(rule.Priorities, p)
}

// due reports whether it is time to tell the outlet again, or time less some tolerance. An outlet that was never told of an
// alarm that nobody has acknowledged is late.
func (rule *Rule) due(s *standing, now instant.Instant, tolerance time.Duration) bool {
	switch {
	case rule.Repeat <= 0, s.letter != watch.Unacknowledged && s.letter != watch.Acknowledged:
		return false
	case s.acknowledged && rule.Until != Cleared:
		return false
	}
	last, told := s.told[rule.Outlet]
	if !told {
		return s.letter == watch.Unacknowledged
	}
	return now.Sub(last) >= rule.Repeat-tolerance
}

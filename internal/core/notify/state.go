package notify

import (
	"slices"
	"strings"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
)

// Effect takes note of an effect of the core and returns what has to be told because of it. All effects must come by, in
// their order.
func (r *Rules) Effect(e *watch.Effect) []Delivery {
	if e.Entry == nil {
		return nil
	}
	switch e.Kind {
	case watch.Record:
		return r.record(e.Entry)
	case watch.Notify:
		return r.call(e.Entry)
	case watch.Refused:
		r.refused(e.Entry)
	}
	return nil
}

// refused drops an alarm that is not there any more.
func (r *Rules) refused(entry *journal.Entry) {
	if s := r.alarms[entry.Alarm]; s != nil && entry.Text == string(watch.Repeat) && s.occurrence == entry.Occurrence {
		delete(r.alarms, entry.Alarm)
	}
}

// keep takes note of an entry.
func (r *Rules) record(entry *journal.Entry) []Delivery {
	switch entry.Kind {
	case journal.FloodBegan, journal.FloodEnded:
		r.flood.recorded(entry)
		return nil
	case journal.Summary:
		return r.summarised(entry)
	case journal.Chattering, journal.Fleeting:
		return r.advised(entry)
	case journal.Lost:
		r.lost(entry)
		return nil
	case journal.NotifierTest:
		for _, name := range entry.Notifiers {
			r.tested[name] = entry.At
		}
		return r.named(entry, Test)
	}
	if entry.Alarm == "" || entry.State == "" {
		return nil
	}
	r.flood.roll(entry.At)
	r.watchRestless(entry)
	return r.follow(entry)
}

// named tells an entry to the outlets that it names.
func (r *Rules) named(entry *journal.Entry, why Reason) (deliveries []Delivery) {
	for _, rule := range r.rules {
		if slices.Contains(entry.Notifiers, rule.Notifier) {
			deliveries = append(deliveries, Delivery{rule.Notifier, why, entry})
		}
	}
	return deliveries
}

// follow follows the alarm, and tells its end to those who were called.
func (r *Rules) follow(entry *journal.Entry) []Delivery {
	s := r.alarms[entry.Alarm]
	if s == nil || s.occurrence != entry.Occurrence {
		s = newStanding(entry.Occurrence, entry.At)
		r.alarms[entry.Alarm] = s
	}
	s.letter, s.priority = entry.State[0], entry.Priority
	switch entry.Kind {
	case journal.AlarmRaised:
		s.raised = entry.At
		r.reach(entry.Alarm)
	case journal.AlarmAcknowledged:
		s.acknowledged = true
	case journal.AlarmShelved, journal.AlarmDisabled:
		clear(s.told)
		clear(s.held)
	}
	switch s.letter {
	case watch.Unacknowledged, watch.Acknowledged, watch.Shelved, watch.SuppressedByDesign, watch.OutOfServiceState:
		return nil
	}
	delete(r.alarms, entry.Alarm)
	return r.over(s, entry)
}

// foreseen are the limits that an alarm of the outlook foresees.
var foreseen = map[string][2]string{"rising": {"high", "critical-high"}, "falling": {"low", "critical-low"}}

// reach notes that a limit is reached, with the alarm that has foreseen it.
func (r *Rules) reach(alarm string) {
	i := strings.LastIndexByte(alarm, '/')
	for outlook, limits := range foreseen {
		if s := r.alarms[alarm[:i+1]+outlook]; s != nil && slices.Contains(limits[:], alarm[i+1:]) {
			s.reached = true
		}
	}
}

// cameTrue reports whether the end of an alarm of the outlook is that its limit was reached: "rising is over" would then mislead.
func cameTrue(s *alarmState, entry *journal.Entry) bool {
	limit := entry.Alarm[strings.LastIndexByte(entry.Alarm, '/')+1:]
	if _, ok := foreseen[limit]; !ok {
		return false
	}
	beyond := entry.Value != nil && entry.Setpoint != nil && (*entry.Value == *entry.Setpoint || (*entry.Value > *entry.Setpoint) == (limit == "rising"))
	return s.reached || beyond
}

// lost takes note of a message that a notifier has given up: while its alarm is active, another one goes out, later each time.
func (r *Rules) lost(entry *journal.Entry) {
	s := r.alarms[entry.Alarm]
	if s == nil || s.occurrence != entry.Occurrence {
		return
	}
	for _, outlet := range entry.Notifiers {
		delete(s.told, outlet)
		s.held[outlet] = forRetry
		again := s.retries[outlet]
		again.times++
		again.at = entry.At.Add(min(firstRetry<<min(again.times-1, 10), maxRetry))
		s.retries[outlet] = again
	}
}

// Told returns the alarm and the occurrence that the last message to a notifier was about, if that message was the one of an event.
func (r *Rules) Told(outlet, event string) (alarm, occurrence string) {
	for name, s := range r.alarms {
		if s.events[outlet] == event {
			return name, s.occurrence
		}
	}
	return "", ""
}

// over tells the end of an alarm.
func (r *Rules) over(s *alarmState, entry *journal.Entry) (deliveries []Delivery) {
	if cameTrue(s, entry) {
		return nil
	}
	for i := range r.rules {
		rule := &r.rules[i]
		_, told := s.told[rule.Notifier]
		held := s.held[rule.Notifier] == forQuiet
		switch {
		case !told && !held:
		case held, rule.quiet(s.priority, entry.At):
			r.gather(r.nights, rule.Notifier, entry)
		case r.flood.active && !critical(s.priority):
			r.gather(r.floods, rule.Notifier, entry)
		default:
			deliveries = append(deliveries, Delivery{rule.Notifier, Over, entry})
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
	part := r.flood.count(entry.Alarm, entry.At)
	again := entry.Kind == journal.AlarmRepeated
	if again {
		s.asked = instant.None
	} else {
		s.called, s.acknowledged = entry.At, false // it may have been acknowledged before a shelf that has ended now
	}
	for i := range r.rules {
		rule := &r.rules[i]
		if !rule.listens(entry.Alarm, s.priority) {
			continue
		}
		why := Call
		switch {
		case !again && rule.After > 0:
			continue
		case !again && rule.quiet(s.priority, entry.At):
			s.held[rule.Notifier] = forQuiet
			delete(s.told, rule.Notifier) // of a call before a cover that has ended now
			continue
		case !again && r.restrained(entry.Alarm, s, rule.Notifier, entry.At):
			if _, told := s.told[rule.Notifier]; !told {
				s.held[rule.Notifier] = forRestraint
			}
			continue
		case again && !r.due(rule, entry.Alarm, s, entry.At, min(early, rule.Repeat/10)):
			continue
		case again:
			why = rule.lateness(s)
		}
		s.told[rule.Notifier], s.events[rule.Notifier] = entry.At, entry.ID()
		delete(s.held, rule.Notifier)
		r.calledNow(entry.Alarm, rule.Notifier, entry.At)
		if part && !critical(s.priority) {
			r.gather(r.floods, rule.Notifier, entry)
			continue
		}
		deliveries = append(deliveries, Delivery{rule.Notifier, why, entry})
	}
	return deliveries
}

package notify

import (
	"cmp"
	"slices"
	"strings"

	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
)

// Effect folds in an effect of the core and returns the deliveries that it causes. It must see every effect, in order.
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

// refused drops an alarm that the core no longer knows: it has refused to repeat it. It refuses an acknowledgement of what the room's alarm
// covers as well; the keeper has seen the message all the same.
func (r *Rules) refused(entry *journal.Entry) {
	if entry.Text == string(watch.Acknowledge) {
		name, _, _ := strings.Cut(cmp.Or(entry.Alarm, entry.Occurrence), "@")
		s := r.alarms[name]
		if s != nil && s.letter == isa.SuppressedByDesign && s.occurrence == cmp.Or(entry.Occurrence, s.occurrence) {
			s.acknowledged = true
			r.acknowledge(name, s, entry.At)
			r.forgetReminders(name, s)
		}
		return
	}
	if owed := r.reminders[entry.Alarm]; owed != nil && entry.Text == string(watch.Remind) && owed.occurrence == entry.Occurrence {
		delete(r.reminders, entry.Alarm)
	}
	if s := r.alarms[entry.Alarm]; s != nil && entry.Text == string(watch.Repeat) && s.occurrence == entry.Occurrence {
		delete(r.alarms, entry.Alarm)
	}
}

// record folds in a journal entry.
func (r *Rules) record(entry *journal.Entry) []Delivery {
	switch entry.Kind {
	case journal.FloodBegan, journal.FloodEnded:
		r.flood.recorded(entry)
		return nil
	case journal.Summary:
		return r.summaryRecorded(entry)
	case journal.Chattering, journal.Fleeting:
		return r.adviceRecorded(entry)
	case journal.Frequent:
		return r.frequentRecorded(entry)
	case journal.Lost:
		r.lost(entry)
		return nil
	case journal.AlarmReminded:
		return r.reminded(entry)
	case journal.DailyDigest:
		return r.dailyRecorded(entry)
	case journal.NotifierTest:
		for _, name := range entry.Notifiers {
			r.tested[name] = entry.At
		}
		return r.deliverTo(entry, Test)
	}
	if entry.Alarm == "" || entry.State == "" {
		return nil
	}
	r.flood.roll(entry.At)
	r.trackChatter(entry)
	return r.updateAlarm(entry)
}

// deliverTo returns a delivery of the entry for each notifier that it names.
func (r *Rules) deliverTo(entry *journal.Entry, why Reason) (deliveries []Delivery) {
	for _, rule := range r.rules {
		if slices.Contains(entry.Notifiers, rule.Notifier) {
			deliveries = append(deliveries, Delivery{Notifier: rule.Notifier, Reason: why, Entry: entry})
		}
	}
	return deliveries
}

// updateAlarm folds an entry into the state of its alarm. At its end it returns the deliveries that report it.
func (r *Rules) updateAlarm(entry *journal.Entry) []Delivery {
	s := r.alarms[entry.Alarm]
	if s == nil || s.occurrence != entry.Occurrence {
		before := s
		s = newAlarmState(entry.Occurrence, entry.At)
		r.alarms[entry.Alarm] = s
		if before != nil { // it ended while it was covered: what its quiet hours owe is owed still
			for notifier, why := range before.held {
				if why == holdQuiet {
					s.held[notifier] = why
				}
			}
		}
	}
	s.letter, s.priority = entry.State, entry.Priority
	switch entry.Kind {
	case journal.AlarmRaised:
		s.raised = entry.At
		r.markReached(entry.Alarm)
	case journal.AlarmAcknowledged:
		s.acknowledged = true
		r.acknowledge(entry.Alarm, s, entry.At)
		r.forgetReminders(entry.Alarm, s)
	case journal.AlarmSuppressed: // its room is critical, and is heard: what the core lets go of needs no acknowledgement any more
		delete(r.reminders, entry.Alarm)
	case journal.AlarmShelved, journal.AlarmDisabled:
		clear(s.notified)
		clear(s.held)
		r.forgetReminders(entry.Alarm, s)
	}
	if s.incident != nil {
		entry.Incident = s.incident.id
	}
	if s.letter.InAlarm() || s.letter.Silenced() {
		return nil
	}
	delete(r.alarms, entry.Alarm)
	if s.incident != nil {
		if _, place, _ := r.causeOf(entry.Alarm); critical(s.priority) {
			s.incident.back[place] = entry.At
		}
		r.settle(s.incident, entry.At)
	}
	if entry.Kind == journal.AlarmCleared && entry.State.Waits() {
		r.oweReminder(entry.Alarm, s, entry.At)
	}
	return r.over(s, entry)
}

// foreseen maps each kind of outlook alarm to the limits that it predicts.
var foreseen = map[string][2]string{"rising": {"high", "critical-high"}, "falling": {"low", "critical-low"}}

// markReached notes on an outlook alarm that the limit it predicted has been reached.
func (r *Rules) markReached(alarm string) {
	i := strings.LastIndexByte(alarm, '/')
	for outlook, limits := range foreseen {
		if s := r.alarms[alarm[:i+1]+outlook]; s != nil && slices.Contains(limits[:], alarm[i+1:]) {
			s.reached = true
		}
	}
}

// limitReached reports whether an outlook alarm ends because its limit was reached: "rising is over" would then mislead.
func limitReached(s *alarmState, entry *journal.Entry) bool {
	limit := entry.Alarm[strings.LastIndexByte(entry.Alarm, '/')+1:]
	if _, ok := foreseen[limit]; !ok {
		return false
	}
	beyond := entry.Value != nil && entry.Setpoint != nil && (*entry.Value == *entry.Setpoint || (*entry.Value > *entry.Setpoint) == (limit == "rising"))
	return s.reached || beyond
}

// lost schedules the next message after one that a notifier has given up; the wait doubles each time.
func (r *Rules) lost(entry *journal.Entry) {
	s := r.alarms[entry.Alarm]
	if s == nil || s.occurrence != entry.Occurrence {
		return
	}
	for _, notifier := range entry.Notifiers {
		delete(s.notified, notifier)
		s.messages[notifier] = max(s.messages[notifier]-1, 0)
		s.held[notifier] = holdRetry
		if s.incident != nil {
			t := s.incident.sentBy(notifier)
			t.before, t.lost = instant.None, true
		}
		again := s.retries[notifier]
		again.times++
		again.at = entry.At.Add(min(firstRetry<<min(again.times-1, 10), maxRetry))
		s.retries[notifier] = again
	}
}

// AlarmOf returns the alarm and the occurrence of an event if that event was the last message of a notifier about an active
// alarm; "" otherwise.
func (r *Rules) AlarmOf(notifier, event string) (alarm, occurrence string) {
	for name, s := range r.alarms {
		if s.lastEntry[notifier] == event {
			return name, s.occurrence
		}
	}
	return "", ""
}

// over returns the deliveries that report the end of an alarm: an end is heard only with [Rule.Every].
func (r *Rules) over(s *alarmState, entry *journal.Entry) (deliveries []Delivery) {
	reached := limitReached(s, entry)
	for i := range r.rules {
		rule := &r.rules[i]
		_, sent := s.notified[rule.Notifier]
		held := s.held[rule.Notifier] == holdQuiet
		switch {
		case !rule.Every && !held:
			if rule.Updates && s.incident != nil && s.incident.sent[rule.Notifier] != nil && rule.listens(entry.Alarm, s.priority) {
				deliveries = append(deliveries, Delivery{Notifier: rule.Notifier, Reason: Over, Entry: entry, Silent: true})
			}
		case reached:
		case !sent && !held:
		case held, rule.quiet(s.priority, entry.At):
			r.gather(r.quietDigests, rule.Notifier, entry)
		case r.flood.active && !critical(s.priority):
			r.gather(r.floodDigests, rule.Notifier, entry)
		default:
			deliveries = append(deliveries, Delivery{Notifier: rule.Notifier, Reason: Over, Entry: entry})
		}
	}
	return deliveries
}

// call returns the deliveries of an entry that calls for a person.
func (r *Rules) call(entry *journal.Entry) (deliveries []Delivery) {
	s := r.alarms[entry.Alarm]
	if s == nil { // no Record effect of this alarm has been seen
		return nil
	}
	part := r.flood.count(entry.Alarm, entry.At)
	again := entry.Kind == journal.AlarmRepeated
	if !again {
		s.known = s.known || s.acknowledged || s.covered
		s.called, s.acknowledged, s.covered = entry.At, false, false // it may have been acknowledged before a shelf that has ended now
		if s.incident == nil {
			s.incident = r.join(entry.Alarm, entry)
			s.frequent = r.tooFrequent(entry, s.incident)
		}
	}
	if s.incident != nil {
		entry.Incident = s.incident.id
	}
	listening, heard := false, false
	for i := range r.rules {
		rule := &r.rules[i]
		if !rule.listens(entry.Alarm, s.priority) {
			continue
		}
		listening = true
		why, sends := r.sends(rule, entry, s, again)
		if !sends {
			if !again && !rule.Every && critical(s.priority) {
				delete(s.notified, rule.Notifier) // it calls anew, with what it had sent before no longer speaking for it: it follows as soon as it may
				r.noteSpokenFor(rule, entry.Alarm, s, entry.At)
			}
			heard = heard || s.held[rule.Notifier] != 0 || rule.After > 0
			if !again && rule.Updates && !rule.Every && rule.After == 0 && s.held[rule.Notifier] == 0 {
				deliveries = append(deliveries, Delivery{Notifier: rule.Notifier, Reason: Call, Entry: entry, Silent: true})
			}
			continue
		}
		heard = true
		if !rule.Every {
			entry.Also = r.noteHeard(rule, entry.Alarm, s, entry.At)
		}
		r.message(entry.Alarm, s, rule.Notifier, entry.At)
		s.lastEntry[rule.Notifier] = entry.ID()
		delete(s.held, rule.Notifier)
		r.noteCall(entry.Alarm, rule.Notifier, entry.At)
		if part && !critical(s.priority) {
			r.gather(r.floodDigests, rule.Notifier, entry)
			continue
		}
		deliveries = append(deliveries, Delivery{Notifier: rule.Notifier, Reason: why, Entry: entry})
	}
	entry.Silent = listening && !heard
	return deliveries
}

// sends reports whether a notifier that takes the alarm sends this entry so that it is heard, and why. What it sends later is held.
func (r *Rules) sends(rule *Rule, entry *journal.Entry, s *alarmState, again bool) (Reason, bool) {
	if again {
		tolerance := repeatTolerance
		if rule.Every {
			tolerance = min(tolerance, rule.Repeat/10)
		}
		return r.dueReason(rule, entry.Alarm, s, entry.At, tolerance)
	}
	// The end of a shelf is heard: a person has asked for it.
	asked := entry.Kind == journal.AlarmUnshelved || entry.Kind == journal.AlarmEnabled
	switch {
	case rule.After > 0, !rule.Every && !asked && !r.audible(rule, entry.Alarm, s, entry.At):
		return Call, false
	case rule.quiet(s.priority, entry.At):
		s.held[rule.Notifier] = holdQuiet
		delete(s.notified, rule.Notifier) // a call from before the suppression that has just ended
		return Call, false
	case rule.Every && r.restrained(entry.Alarm, s, rule.Notifier, entry.At):
		if _, sent := s.notified[rule.Notifier]; !sent {
			s.held[rule.Notifier] = holdChatter
		}
		return Call, false
	}
	return Call, true
}

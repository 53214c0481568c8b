package notify

import (
	"maps"
	"slices"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
)

// remindAfter is how long after its only message a critical alarm that has ended is heard once more. It is over, so that there is time for
// whoever has heard the message to acknowledge it, also at night. Engineering judgement, no published source; in the trial half an hour
// made one message a room-year.
const remindAfter = time.Hour

// reminder is owed on a critical alarm that has ended without an acknowledgement after a single message, which may have got lost on its
// way. While such an alarm is active its repetitions make up for that.
type reminder struct {
	*alarmState
	due       instant.Instant
	notifiers map[string]bool // to which it is owed
}

// oweReminder notes the end of a critical alarm that waits for an acknowledgement and has had none of its occurrence: what its room has
// covered since then calls anew, and the keeper knows of it all the same. What is owed on an occurrence before it, and has not
// been heard since, is owed on this one. The hour counts from the last message of the incident, so that one reminder does for all.
func (r *Rules) oweReminder(name string, s *alarmState, at instant.Instant) {
	if !critical(s.priority) || s.acknowledged || s.covered || s.known || s.incident == nil {
		return
	}
	owed := &reminder{alarmState: s, due: at, notifiers: map[string]bool{}}
	if before := r.reminders[name]; before != nil {
		owed.due = max(at, before.due)
		owed.notifiers = before.notifiers
	}
	for i := range r.rules {
		rule := &r.rules[i]
		lost := s.held[rule.Notifier] == holdRetry
		if rule.Every || !rule.listens(name, s.priority) || s.messages[rule.Notifier] > 1 || r.heardTwice(rule, s) ||
			s.messages[rule.Notifier] < 1 && !lost && !r.unheard(rule, name, s) {
			continue
		}
		owed.notifiers[rule.Notifier] = true
		if last := s.incident.sentBy(rule.Notifier).last; !lost && !last.IsNone() {
			owed.due = max(owed.due, last.Add(remindAfter))
		}
	}
	if delete(r.reminders, name); len(owed.notifiers) > 0 {
		r.reminders[name] = owed
	}
}

// unheard reports whether a place has been in no message on what is critical, and no others spoke for it when it called: its own would have
// come ten minutes after one on another. Where those fell silent later, it was on its way back by then, or would have been heard.
func (r *Rules) unheard(rule *Rule, name string, s *alarmState) bool {
	t := s.incident.sentBy(rule.Notifier)
	_, place, _ := r.causeOf(name)
	_, spoke := t.critical[place]
	return rule.After == 0 && !spoke && !r.spokenFor(s.incident, t, place, s.called, s.called)
}

// heardTwice reports whether two messages on what is critical of its incident have been sent since two hours before an alarm was raised:
// one of them may have got lost. It calls anew where its room has covered it meanwhile.
func (r *Rules) heardTwice(rule *Rule, s *alarmState) bool {
	t := s.incident.sentBy(rule.Notifier)
	since := s.called
	if !s.raised.IsNone() {
		since = min(since, s.raised)
	}
	return s.messages[rule.Notifier] > 0 && !t.before.IsNone() && t.before >= since.Add(-spoken)
}

// message counts a message that a notifier sends on an active alarm, or that names it.
func (r *Rules) message(name string, s *alarmState, notifier string, at instant.Instant) {
	s.notified[notifier] = at
	s.messages[notifier]++
	if owed := r.reminders[name]; owed != nil {
		if delete(owed.notifiers, notifier); len(owed.notifiers) == 0 {
			delete(r.reminders, name)
		}
	}
}

// dueReminders returns the commands that ask for the reminders that are due, one for each incident.
func (r *Rules) dueReminders(now instant.Instant) (commands []watch.Command) {
	asked := map[*incident]bool{}
	for _, name := range slices.Sorted(maps.Keys(r.reminders)) {
		owed := r.reminders[name]
		if now < owed.due || r.alarms[name] != nil || asked[owed.incident] {
			continue
		}
		asked[owed.incident] = true
		commands = append(commands, watch.Command{
			Verb: watch.Remind, Alarm: name, Occurrence: owed.occurrence, By: By, Notifiers: slices.Sorted(maps.Keys(owed.notifiers)),
		})
	}
	return commands
}

// reminded returns the deliveries of a reminder. It names what else of its incident it makes up for, so that one is enough.
func (r *Rules) reminded(entry *journal.Entry) []Delivery {
	owed := r.reminders[entry.Alarm]
	delete(r.reminders, entry.Alarm)
	if owed != nil {
		entry.Incident, entry.Also = owed.incident.id, nil
		for _, name := range slices.Sorted(maps.Keys(r.reminders)) {
			other := r.reminders[name]
			heard := func(notifier string, _ bool) bool { return slices.Contains(entry.Notifiers, notifier) }
			if other.incident != owed.incident || r.alarms[name] != nil || other.due > entry.At.Add(minBetween) {
				continue
			}
			if maps.DeleteFunc(other.notifiers, heard); len(other.notifiers) == 0 {
				entry.Also = append(entry.Also, name)
				delete(r.reminders, name)
			}
		}
	}
	return r.deliverTo(entry, Over)
}

// forgetReminders drops what is owed on an alarm that a person has seen to, and on what the messages on it have named. An
// acknowledgement of a room's alarm counts for its enclosures.
func (r *Rules) forgetReminders(name string, s *alarmState) {
	if owed := r.reminders[name]; owed != nil && s.incident == nil {
		s = owed.alarmState // it has ended, and its state is only here
	}
	delete(r.reminders, name)
	if s.incident == nil || !critical(s.priority) {
		return
	}
	_, place, _ := r.causeOf(name)
	maps.DeleteFunc(r.reminders, func(other string, owed *reminder) bool {
		return owed.incident == s.incident && (place == owed.incident.room || s.named[other] == owed.occurrence)
	})
}

// syncReminders drops what is owed on alarms that the core knows otherwise, after a start or with another configuration.
func (r *Rules) syncReminders(alarms []watch.AlarmState) {
	waiting := map[string]*watch.AlarmState{}
	for i := range alarms {
		if a := &alarms[i]; !a.Active && a.Letter.Waits() {
			waiting[a.Name] = a
		}
	}
	maps.DeleteFunc(r.reminders, func(name string, owed *reminder) bool {
		if r.alarms[name] != nil { // it is active again, and its end decides
			return false
		}
		a := waiting[name]
		if a == nil || a.Occurrence != owed.occurrence {
			return true
		}
		if !owed.raised.IsNone() && !a.Raised.IsNone() {
			owed.shift(a.Raised.Sub(owed.raised)) // the clock was set, and the journal does not say by how much
		}
		return false
	})
}

func (m *reminder) shift(by time.Duration) {
	m.alarmState.shift(by)
	m.due = m.due.Add(by)
}

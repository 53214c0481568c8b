package notify

import (
	"cmp"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/watch"
)

// Due returns the commands for the core at time now: those that record floods, summaries, nuisance alarms, tests and reminders, then those
// that ask it to alarm again, ordered by alarm name. Call it about once a second.
func (r *Rules) Due(now instant.Instant) (commands []watch.Command) {
	r.flood.roll(now)
	commands = append(r.dueTests(now, r.reports(now)), r.dueReminders(now)...)
	reports := len(commands)
	for name, s := range r.alarms {
		command := watch.Command{Verb: watch.Repeat, Alarm: name, Occurrence: s.occurrence, By: By}
		is := false
		for i := range r.rules {
			rule := &r.rules[i]
			if !rule.listens(name, s.priority) {
				continue
			}
			why, due := r.dueReason(rule, name, s, now, 0)
			if !due {
				continue
			}
			is = true
			switch why {
			case Escalated:
				command.Notifiers = append(command.Notifiers, rule.Notifier)
				command.Reason = "not confirmed within " + instant.Span(rule.After)
				if now.Sub(s.called) < rule.After {
					command.Reason = "your other notifiers do not get through"
				}
			case Late:
				command.Notifiers = append(command.Notifiers, rule.Notifier)
				if command.Reason == "" {
					command.Reason = "still active, was held back"
					if s.held[rule.Notifier] == holdRetry {
						command.Reason = "an earlier message did not get through"
					}
				}
			}
		}
		if is {
			commands = append(commands, command)
		}
	}
	slices.SortStableFunc(commands[reports:], byAlarm)
	return commands
}

// byAlarm orders commands by the names of their alarms. Due sorts the few commands instead of the many alarms.
func byAlarm(a, b watch.Command) int { return cmp.Compare(a.Alarm, b.Alarm) }

// listens reports whether the notifier takes an alarm of a priority. All notifiers take a priority that cannot be parsed.
func (rule *Rule) listens(alarm, priority string) bool {
	p, ok := care.ParsePriority(priority)
	return (len(rule.Priorities) == 0 || !ok || slices.Contains(rule.Priorities, p)) && (alarm == "" || alarm != rule.Except)
}

// quiet reports whether the quiet hours hold back an alarm of a priority now.
func (rule *Rule) quiet(priority string, now instant.Instant) bool {
	if rule.Quiet == nil || priority != care.LowPriority.String() && priority != care.MediumPriority.String() {
		return false
	}
	return rule.Quiet.IsDay(now.Time())
}

// dueReason reports whether the notifier should send the alarm at a time up to tolerance after now, and why.
func (r *Rules) dueReason(rule *Rule, name string, s *alarmState, now instant.Instant, tolerance time.Duration) (Reason, bool) {
	if !rule.Every {
		return r.dueInIncident(rule, name, s, now, tolerance)
	}
	return rule.repeatReason(s), r.due(rule, name, s, now, tolerance)
}

// repeatReason returns why a notifier sends an alarm that the core repeats.
func (rule *Rule) repeatReason(s *alarmState) Reason {
	if _, sent := s.notified[rule.Notifier]; !sent {
		switch {
		case rule.After > 0:
			return Escalated
		case s.held[rule.Notifier] != 0:
			return Late
		}
	}
	return Again
}

// due reports whether the notifier should send the alarm, or send it again, at a time up to tolerance after now. A notifier that
// repeats and has never sent an unacknowledged alarm is overdue.
func (r *Rules) due(rule *Rule, name string, s *alarmState, now instant.Instant, tolerance time.Duration) bool {
	switch {
	case !s.letter.InAlarm():
		return false
	case s.acknowledged && rule.Until != Cleared, rule.quiet(s.priority, now):
		return false
	}
	last, sent := s.notified[rule.Notifier]
	switch {
	case sent:
		return rule.Repeat > 0 && now.Sub(last) >= rule.Repeat-tolerance && !(r.flood.active && !critical(s.priority))
	case s.letter != isa.Unacknowledged, s.acknowledged:
		return false
	case s.held[rule.Notifier] == holdRetry:
		return now >= s.retries[rule.Notifier].at
	case rule.After > 0:
		return now.Sub(s.called) >= rule.After || r.unreachable(name, s.priority)
	case s.held[rule.Notifier] != 0:
		return !r.restrained(name, s, rule.Notifier, now)
	}
	return rule.Repeat > 0
}

// unreachable reports whether none of the notifiers that send an alarm at once delivers.
func (r *Rules) unreachable(name, priority string) bool {
	asked := false
	for i := range r.rules {
		rule := &r.rules[i]
		if rule.After > 0 || !rule.listens("", priority) {
			continue
		}
		fault := r.alarms[rule.Except]
		if name != rule.Except && (fault == nil || !fault.letter.InAlarm()) {
			return false
		}
		asked = true
	}
	return asked
}

func critical(priority string) bool { return priority == care.CriticalPriority.String() }

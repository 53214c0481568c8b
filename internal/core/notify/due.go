package notify

import (
	"cmp"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/watch"
)

// Due returns the commands that ask the core to alarm once more, in the order of the alarms' names, and those that put
// floods, summaries, nuisances and tests on record. Asking at every second is soon enough.
func (r *Rules) Due(now instant.Instant) (commands []watch.Command) {
	r.flood.roll(now)
	commands = r.test(now, r.reports(now))
	reports := len(commands)
	for name, s := range r.alarms {
		if !s.asked.IsNone() && now.Sub(s.asked) < askAgain {
			continue
		}
		command := watch.Command{Verb: watch.Repeat, Alarm: name, Occurrence: s.occurrence, By: By}
		is := false
		for i := range r.rules {
			rule := &r.rules[i]
			if !rule.listens(name, s.priority) || !r.due(rule, name, s, now, 0) {
				continue
			}
			is = true
			switch rule.lateness(s) {
			case Escalated:
				command.Outlets = append(command.Outlets, rule.Notifier)
				command.Reason = "not confirmed within " + instant.Span(rule.After)
				if now.Sub(s.called) < rule.After {
					command.Reason = "your other notifiers do not get through"
				}
			case Late:
				command.Outlets = append(command.Outlets, rule.Notifier)
				if command.Reason == "" {
					command.Reason = "still active, was held back"
					if s.held[rule.Notifier] == forRetry {
						command.Reason = "an earlier message did not get through"
					}
				}
			}
		}
		if is {
			s.asked = now
			commands = append(commands, command)
		}
	}
	slices.SortFunc(commands[reports:], byAlarm)
	return commands
}

// byAlarm orders commands by the names of their alarms. Few commands are sorted, and not the many alarms that want none.
func byAlarm(a, b watch.Command) int { return cmp.Compare(a.Alarm, b.Alarm) }

// listens reports whether the outlet is told of an alarm of a priority. A priority that cannot be read is told to everybody.
func (rule *Rule) listens(alarm, priority string) bool {
	p, ok := care.ParsePriority(priority)
	return (len(rule.Priorities) == 0 || !ok || slices.Contains(rule.Priorities, p)) && (alarm == "" || alarm != rule.Except)
}

// quiet reports whether what has a priority is held back now.
func (rule *Rule) quiet(priority string, now instant.Instant) bool {
	if rule.Quiet == nil || priority != care.LowPriority.String() && priority != care.MediumPriority.String() {
		return false
	}
	return rule.Quiet.IsDay(now.Time())
}

// lateness tells why an outlet is told of an alarm that the core repeats.
func (rule *Rule) lateness(s *alarmState) Reason {
	if _, told := s.told[rule.Notifier]; !told {
		switch {
		case rule.After > 0:
			return Escalated
		case s.held[rule.Notifier] != 0:
			return Late
		}
	}
	return Again
}

// due reports whether it is time to tell the outlet, or to tell it again, or time less some tolerance. An outlet that repeats
// and was never told of an alarm that nobody has acknowledged is late.
func (r *Rules) due(rule *Rule, name string, s *alarmState, now instant.Instant, tolerance time.Duration) bool {
	switch {
	case s.letter != watch.Unacknowledged && s.letter != watch.Acknowledged:
		return false
	case s.acknowledged && rule.Until != Cleared, rule.quiet(s.priority, now):
		return false
	}
	last, told := s.told[rule.Notifier]
	switch {
	case told:
		return rule.Repeat > 0 && now.Sub(last) >= rule.Repeat-tolerance && !(r.flood.active && !critical(s.priority))
	case s.letter != watch.Unacknowledged, s.acknowledged:
		return false
	case s.held[rule.Notifier] == forRetry:
		return now >= s.retries[rule.Notifier].at
	case rule.After > 0:
		return now.Sub(s.called) >= rule.After || r.unreachable(name, s.priority)
	case s.held[rule.Notifier] != 0:
		return !r.restrained(name, s, rule.Notifier, now)
	}
	return rule.Repeat > 0
}

// unreachable reports whether none of the notifiers that should have been told of an alarm at once delivers.
func (r *Rules) unreachable(name, priority string) bool {
	asked := false
	for i := range r.rules {
		rule := &r.rules[i]
		if rule.After > 0 || !rule.listens("", priority) {
			continue
		}
		fault := r.alarms[rule.Except]
		if name != rule.Except && (fault == nil || fault.letter != watch.Unacknowledged && fault.letter != watch.Acknowledged) {
			return false
		}
		asked = true
	}
	return asked
}

func critical(priority string) bool { return priority == care.CriticalPriority.String() }

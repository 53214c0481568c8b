package notify

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
)

// An alarm that comes three times in seven days, each time as an incident of its own, is no news: it goes silent, and once in that time a
// message asks for a comparison of the probe. Engineering judgement, no published source.
const (
	frequentTimes = 3
	frequentSpan  = 7 * 24 * time.Hour
)

// frequency is how often an alarm has come.
type frequency struct {
	at      []instant.Instant // within frequentSpan, the last few
	advised instant.Instant   // None if never
}

// countFrequency counts an alarm that begins an incident, and reports whether it has become too frequent to be heard. Critical alarms,
// and those that are not on a limit, never are.
func (r *Rules) countFrequency(entry *journal.Entry, n *incident) bool {
	if _, limit := cutLast(entry.Alarm); limit != "high" && limit != "low" || n.id != entry.Occurrence {
		return false
	}
	f := r.frequent[entry.Alarm]
	if f == nil {
		f = &frequency{advised: instant.None}
		r.frequent[entry.Alarm] = f
	}
	f.at = slices.DeleteFunc(f.at, func(at instant.Instant) bool { return entry.At.Sub(at) >= frequentSpan })
	f.at = append(f.at, entry.At)
	if len(f.at) < frequentTimes {
		return false
	}
	incidents := slices.ContainsFunc(r.rules, func(rule Rule) bool { return !rule.Every })
	if incidents && (f.advised.IsNone() || entry.At.Sub(f.advised) >= frequentSpan) {
		r.unadvised[entry.Alarm] = true
	}
	return true
}

func (f *frequency) shift(by time.Duration) {
	for i := range f.at {
		f.at[i] = f.at[i].Add(by)
	}
	if !f.advised.IsNone() {
		f.advised = f.advised.Add(by)
	}
}

// frequentAdvice returns the commands that record the advice on frequent alarms.
func (r *Rules) frequentAdvice() (commands []watch.Command) {
	for _, name := range slices.Sorted(maps.Keys(r.unadvised)) {
		priority := care.HighPriority
		if s := r.alarms[name]; s != nil {
			if p, ok := care.ParsePriority(s.priority); ok {
				priority = p
			}
		}
		commands = append(commands, watch.Command{
			Verb: watch.Report, Kind: journal.Frequent, Alarm: name, Priority: priority, By: By,
			Text: fmt.Sprintf("%s has come %d times in seven days: until it is rarer it is shown without a message, its critical limit excepted; "+
				"compare this probe with a thermometer or hygrometer that you trust", name, frequentTimes),
		})
	}
	return commands
}

// frequentRecorded notes that the journal has the advice on a frequent alarm, and returns its deliveries.
func (r *Rules) frequentRecorded(entry *journal.Entry) (deliveries []Delivery) {
	f := r.frequent[entry.Alarm]
	if f == nil {
		f = &frequency{}
		r.frequent[entry.Alarm] = f
	}
	f.advised = entry.At
	delete(r.unadvised, entry.Alarm)
	for i := range r.rules {
		rule := &r.rules[i]
		switch {
		case rule.Every || rule.After > 0 || !rule.listens(entry.Alarm, entry.Priority):
		case rule.quiet(entry.Priority, entry.At):
			r.gather(r.quietDigests, rule.Notifier, entry)
		default:
			deliveries = append(deliveries, Delivery{Notifier: rule.Notifier, Reason: Advice, Entry: entry})
		}
	}
	return deliveries
}

package notify

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
)

// An alarm that comes three times in seven days, with half an hour or more between them, is no news: it goes silent until it has stayed
// away for rareAfter, and a message asks for a comparison of the probe, again after one, two and four weeks while that goes on. Until
// that advice is forgotten, twice are enough to make it silent once more. Engineering judgement, no published source, checked in the trial.
const (
	frequentTimes = 3
	advisedTimes  = 2
	frequentSpan  = 7 * 24 * time.Hour
	rareAfter     = 7 * 24 * time.Hour
	firstAdvice   = 7 * 24 * time.Hour  // between the first two messages; it doubles
	lastAdvice    = 28 * 24 * time.Hour // the longest time between two of them
	adviceIsOld   = lastAdvice + rareAfter
)

// frequency is how often an alarm has come.
type frequency struct {
	at      []instant.Instant // the last frequentTimes times
	silent  bool
	advised instant.Instant // None if never
	advices int             // without a longer time between them than adviceIsOld
}

// tooFrequent reports whether an alarm comes too often to be heard, and counts it where it is the first on a limit of its incident: a
// forecast may have come before it. Critical alarms, and those that are not on a limit, never are too frequent.
func (r *Rules) tooFrequent(entry *journal.Entry, n *incident) bool {
	f := r.frequent[entry.Alarm]
	_, limit := cutLast(entry.Alarm)
	if n.limited || !strings.HasSuffix(limit, "high") && !strings.HasSuffix(limit, "low") {
		return f != nil && f.silent
	}
	n.limited = true
	if critical(entry.Priority) {
		return false
	}
	if f == nil {
		f = &frequency{advised: instant.None}
		r.frequent[entry.Alarm] = f
	}
	f.count(entry)
	incidents := slices.ContainsFunc(r.rules, func(rule Rule) bool { return !rule.Every })
	if incidents && f.silent && f.advisable(entry.At) {
		r.unadvised[entry.Alarm] = true
	}
	return f.silent
}

// count notes that the alarm has come. Where the journal of a start does not reach back to the time before, it says whether this one was
// silent.
func (f *frequency) count(entry *journal.Entry) {
	at := entry.At
	times := frequentTimes
	if !f.advised.IsNone() && at.Sub(f.advised) < adviceIsOld {
		times = advisedTimes
	}
	often := len(f.at) >= times-1 && at.Sub(f.at[len(f.at)-times+1]) < frequentSpan
	lately := entry.Silent
	if len(f.at) > 0 {
		lately = at.Sub(f.at[len(f.at)-1]) < rareAfter
	}
	f.silent = often || f.silent && lately
	f.at = append(f.at, at)
	f.at = f.at[max(len(f.at)-frequentTimes, 0):]
}

// advisable reports whether it is time for a message on a frequent alarm.
func (f *frequency) advisable(at instant.Instant) bool {
	return f.advices == 0 || at.Sub(f.advised) >= min(firstAdvice<<min(f.advices-1, 10), lastAdvice)
}

func (f *frequency) shift(by time.Duration) {
	for i := range f.at {
		instant.Shift(by, &f.at[i])
	}
	instant.Shift(by, &f.advised)
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
			Text: fmt.Sprintf("%s has come %d times in seven days, or keeps coming back since then: until it has stayed away for a week it is shown without a "+
				"message, its critical limit excepted; compare this probe with a thermometer or hygrometer that you trust", name, frequentTimes),
		})
	}
	return commands
}

// frequentRecorded notes that the journal has the advice on a frequent alarm, and returns its deliveries.
func (r *Rules) frequentRecorded(entry *journal.Entry) (deliveries []Delivery) {
	f := r.frequent[entry.Alarm]
	if f == nil {
		f = &frequency{advised: instant.None}
		r.frequent[entry.Alarm] = f
	}
	if !f.advised.IsNone() && entry.At.Sub(f.advised) >= adviceIsOld {
		f.advices = 0
	}
	f.advised, f.advices, f.silent = entry.At, f.advices+1, true
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

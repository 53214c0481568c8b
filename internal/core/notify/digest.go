package notify

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/nuisance"
	"dewline/internal/core/watch"
)

// Why there is a summary: the reason of its entry.
const (
	becauseFlood = "flood"
	becauseQuiet = "quiet hours"
)

// mostNamed is how many alarms a summary names.
const maxNamed = 12

// digest gathers what an outlet is told in one summary.
type digest struct {
	bin    int64                     // of the first thing gathered
	calls  int                       // annunciations
	alarms map[string]*journal.Entry // the last entry gathered of each alarm
	advice []string
}

// gather puts an entry into the summary of an outlet.
func (r *Rules) gather(digests map[string]*digest, outlet string, entry *journal.Entry) {
	d := digests[outlet]
	if d == nil {
		d = &digest{bin: nuisance.BinOf(entry.At), alarms: map[string]*journal.Entry{}}
		digests[outlet] = d
	}
	if entry.State == "" {
		d.advice = append(d.advice, entry.Text)
		return
	}
	if nuisance.Calls(entry) {
		d.calls++
	}
	d.alarms[entry.Alarm] = entry
}

// reports returns the commands that put floods, summaries and nuisances on record.
func (r *Rules) reports(now instant.Instant) []watch.Command {
	commands := r.flood.reports()
	commands = append(commands, r.summaries(r.floods, becauseFlood, func(_ *Rule, d *digest) bool {
		return d.bin != nuisance.BinOf(now)
	})...)
	commands = append(commands, r.summaries(r.nights, becauseQuiet, func(rule *Rule, _ *digest) bool {
		return !rule.quiet(care.LowPriority.String(), now)
	})...)
	return append(commands, r.advices(now)...)
}

// summaries returns a command for each text that is to be told, to all outlets that are to be told the same.
func (r *Rules) summaries(digests map[string]*digest, because string, due func(*Rule, *digest) bool) (commands []watch.Command) {
	for i := range r.rules {
		rule := &r.rules[i]
		d := digests[rule.Notifier]
		if d == nil || !due(rule, d) {
			continue
		}
		text, worst := r.words(d, because)
		k := slices.IndexFunc(commands, func(c watch.Command) bool { return c.Text == text })
		if k < 0 {
			k = len(commands)
			commands = append(commands, watch.Command{
				Verb: watch.Report, Kind: journal.Summary, By: By, Reason: because, Text: text, Priority: worst,
			})
		}
		commands[k].Outlets = append(commands[k].Outlets, rule.Notifier)
	}
	return commands
}

// summarised takes note of a summary, and tells it.
func (r *Rules) summarised(entry *journal.Entry) []Delivery {
	digests := r.floods
	if entry.Reason == becauseQuiet {
		digests = r.nights
	}
	for _, outlet := range entry.Notifiers {
		delete(digests, outlet)
	}
	return r.named(entry, Digest)
}

// words writes a summary: what stands first, of it the rooms, and of those the worst.
func (r *Rules) words(d *digest, because string) (text string, worst care.Priority) {
	var stand, seen, over []*journal.Entry
	for _, name := range slices.Sorted(maps.Keys(d.alarms)) {
		entry := d.alarms[name]
		s := r.alarms[name]
		switch {
		case s == nil || s.occurrence != entry.Occurrence:
			over = append(over, entry)
		case s.letter == watch.Unacknowledged:
			stand = append(stand, entry)
			worst = max(worst, priorityOf(entry))
		default:
			seen = append(seen, entry)
		}
	}
	if worst == care.Unset {
		worst = care.LowPriority
	}
	var parts []string
	switch {
	case because == becauseQuiet:
		parts = append(parts, "in the quiet hours")
	case d.calls == 1:
		parts = append(parts, "1 alarm in the last ten minutes")
	default:
		parts = append(parts, fmt.Sprintf("%d alarms in the last ten minutes", d.calls))
	}
	for _, group := range []struct {
		words   string
		entries []*journal.Entry
	}{{"not acknowledged", stand}, {"acknowledged or silenced", seen}, {"over", over}} {
		if len(group.entries) > 0 {
			parts = append(parts, group.words+": "+r.names(group.entries))
		}
	}
	return strings.Join(append(parts, d.advice...), "; "), worst
}

// names names alarms: rooms before what is in them, the worst before the rest.
func (r *Rules) names(entries []*journal.Entry) string {
	room := func(e *journal.Entry) int {
		place, _, _ := strings.Cut(e.Alarm, "/")
		if r.rooms[place] {
			return 0
		}
		return 1
	}
	slices.SortStableFunc(entries, func(a, b *journal.Entry) int {
		return cmp.Or(cmp.Compare(room(a), room(b)), cmp.Compare(priorityOf(b), priorityOf(a)), cmp.Compare(a.Alarm, b.Alarm))
	})
	var named []string
	for _, e := range entries[:min(len(entries), maxNamed)] {
		named = append(named, fmt.Sprintf("%s (%s)", e.Alarm, e.Priority))
	}
	if more := len(entries) - maxNamed; more > 0 {
		named = append(named, fmt.Sprintf("and %d more", more))
	}
	return strings.Join(named, ", ")
}

func priorityOf(e *journal.Entry) care.Priority {
	p, _ := care.ParsePriority(e.Priority)
	return p
}

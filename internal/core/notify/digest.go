package notify

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/nuisance"
	"dewline/internal/core/watch"
)

// The reasons of a summary entry.
const (
	reasonFlood = "flood"
	reasonQuiet = "quiet hours"
)

// maxNamed is how many alarms a summary names.
const maxNamed = 12

// digest collects the entries of one summary of a notifier.
type digest struct {
	bin    int64                     // of the first thing gathered
	calls  int                       // how many of them call for a person
	alarms map[string]*journal.Entry // the last entry gathered of each alarm
	advice []string
}

// gather adds an entry to the digest of a notifier.
func (r *Rules) gather(digests map[string]*digest, notifier string, entry *journal.Entry) {
	d := digests[notifier]
	if d == nil {
		d = &digest{bin: nuisance.BinOf(entry.At), alarms: map[string]*journal.Entry{}}
		digests[notifier] = d
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

// reports returns the commands that record floods, summaries and nuisance alarms.
func (r *Rules) reports(now instant.Instant) []watch.Command {
	commands := r.flood.reports()
	commands = append(commands, r.summaries(r.floodDigests, reasonFlood, func(_ *Rule, d *digest) bool {
		return d.bin != nuisance.BinOf(now)
	})...)
	commands = append(commands, r.summaries(r.quietDigests, reasonQuiet, func(rule *Rule, _ *digest) bool {
		return !rule.quiet(care.LowPriority.String(), now)
	})...)
	commands = append(commands, r.frequentAdvice()...)
	return append(commands, r.advices(now)...)
}

// summaries returns one command per summary text that is due, naming all notifiers that send the same text.
func (r *Rules) summaries(digests map[string]*digest, because string, due func(*Rule, *digest) bool) (commands []watch.Command) {
	for i := range r.rules {
		rule := &r.rules[i]
		d := digests[rule.Notifier]
		if d == nil || !due(rule, d) {
			continue
		}
		text, worst := r.summaryText(d, because)
		k := slices.IndexFunc(commands, func(c watch.Command) bool { return c.Text == text })
		if k < 0 {
			k = len(commands)
			commands = append(commands, watch.Command{
				Verb: watch.Report, Kind: journal.Summary, By: By, Reason: because, Text: text, Priority: worst,
			})
		}
		commands[k].Notifiers = append(commands[k].Notifiers, rule.Notifier)
	}
	return commands
}

// summaryRecorded removes the digests that a recorded summary covers, and returns its deliveries.
func (r *Rules) summaryRecorded(entry *journal.Entry) []Delivery {
	digests := r.floodDigests
	if entry.Reason == reasonQuiet {
		digests = r.quietDigests
	}
	for _, notifier := range entry.Notifiers {
		delete(digests, notifier)
	}
	return r.deliverTo(entry, Digest)
}

// summaryText writes a digest as text: active unacknowledged alarms first, then the acknowledged ones, then those that are over.
// worst is the highest priority among the first.
func (r *Rules) summaryText(d *digest, because string) (text string, worst care.Priority) {
	var active, seen, over []*journal.Entry
	for _, name := range slices.Sorted(maps.Keys(d.alarms)) {
		entry := d.alarms[name]
		s := r.alarms[name]
		switch {
		case s == nil || s.occurrence != entry.Occurrence:
			over = append(over, entry)
		case s.letter == isa.Unacknowledged:
			active = append(active, entry)
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
	case because == reasonQuiet:
		parts = append(parts, "in the quiet hours")
	case d.calls == 1:
		parts = append(parts, "1 alarm in the last ten minutes")
	default:
		parts = append(parts, fmt.Sprintf("%d alarms in the last ten minutes", d.calls))
	}
	for _, group := range []struct {
		words   string
		entries []*journal.Entry
	}{{"not acknowledged", active}, {"acknowledged or silenced", seen}, {"over", over}} {
		if len(group.entries) > 0 {
			parts = append(parts, group.words+": "+r.listAlarms(group.entries))
		}
	}
	return strings.Join(append(parts, d.advice...), "; "), worst
}

// listAlarms lists alarms by name: rooms before enclosures, higher priorities first.
func (r *Rules) listAlarms(entries []*journal.Entry) string {
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

package notify_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/notify"
	"dewline/internal/core/watch"
)

// TestLaws: whatever the room and the keeper do, each notifier sends what its rule says and no more.
func TestLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		repeat := func(name string) time.Duration {
			return rapid.SampledFrom([]time.Duration{0, time.Minute, 5 * time.Minute, 15 * time.Minute}).Draw(t, name)
		}
		until := rapid.SampledFrom([]string{"", "acknowledged", notify.Cleared})
		rules := map[string]notify.Rule{
			"all":      {Every: true, Notifier: "all", Repeat: repeat("repeat of all"), Until: until.Draw(t, "until of all")},
			"critical": {Every: true, Notifier: "critical", Priorities: extreme, Repeat: repeat("repeat of critical"), Until: until.Draw(t, "until of critical")},
		}
		l := open(t, rules["all"], rules["critical"])
		laws(t, l, rules)
		names := []string{tubHigh, "tub-1/water-temperature/low", "tub-2/water-temperature/high", roomCritical}
		for range rapid.IntRange(1, 25).Draw(t, "steps") {
			name := rapid.SampledFrom(names).Draw(t, "alarm")
			switch rapid.SampledFrom([]string{"run", "run", "run", "acknowledge", "shelve", "unshelve", "out", "in"}).Draw(t, "what") {
			case "run":
				values := []float64{
					rapid.SampledFrom([]float64{22, 29}).Draw(t, "air"),
					rapid.SampledFrom([]float64{18, 22, 25}).Draw(t, "tub-1"),
					rapid.SampledFrom([]float64{22, 25}).Draw(t, "tub-2"),
				}
				l.run(rapid.IntRange(1, 200).Draw(t, "tens of seconds")*10, values...)
			case "acknowledge":
				if a, ok := l.core.Alarm(name); ok && a.Occurrence != "" {
					l.command(watch.Command{Verb: watch.Acknowledge, Occurrence: a.Occurrence})
				}
			case "shelve":
				l.command(watch.Command{Verb: watch.Shelve, Alarm: name, For: 20 * time.Minute, Reason: "invented"})
			case "unshelve":
				l.command(watch.Command{Verb: watch.Unshelve, Alarm: name})
			case "out":
				l.command(watch.Command{Verb: watch.OutOfService, Alarm: name, Reason: "invented"})
			case "in":
				l.command(watch.Command{Verb: watch.InService, Alarm: name})
			}
		}
	})
}

// laws holds each delivery against the rules as it comes.
func laws(t *rapid.T, l *loft, rules map[string]notify.Rule) {
	type key struct{ notifier, occurrence string }
	last := map[key]instant.Instant{}
	over := map[key]bool{}
	acknowledged := map[string]bool{} // occurrences
	summed := map[string]bool{}       // alarms that called and must be in the next summary
	l.watching = func(e watch.Effect, deliveries []notify.Delivery) {
		if e.Kind == watch.Record && e.Entry.Kind == "alarm.acknowledged" {
			acknowledged[e.Entry.Occurrence] = true
		}
		if e.Kind == watch.Notify && e.Entry.Kind != "alarm.repeated" {
			delete(acknowledged, e.Entry.Occurrence) // a shelf has ended
			if !slices.ContainsFunc(deliveries, func(d notify.Delivery) bool { return d.Notifier == "all" }) {
				_, flood := l.rules.Flood()
				assert.True(t, flood && e.Entry.Priority != "critical", "a call that is not sent: %v", e.Entry)
				last[key{"all", e.Entry.Occurrence}] = e.Entry.At
				summed[e.Entry.Alarm] = true // see below
			}
		}
		for _, d := range deliveries {
			if d.Reason == notify.Digest {
				for name := range summed {
					assert.Contains(t, d.Entry.Text, name, "a call that is missing in the summary")
				}
				clear(summed)
				continue
			}
			rule, k := rules[d.Notifier], key{d.Notifier, d.Entry.Occurrence}
			p, _ := care.ParsePriority(d.Entry.Priority)
			assert.True(t, len(rule.Priorities) == 0 || slices.Contains(rule.Priorities, p), describe(d))
			assert.NotContains(t, "GHI", d.Entry.State, describe(d))
			assert.False(t, over[k], "%s, after its end", describe(d))
			switch before, called := last[k]; d.Reason {
			case notify.Over:
				assert.Contains(t, "ADEF", d.Entry.State, describe(d))
				assert.True(t, called, "%s, without a call before it", describe(d))
				over[k] = true
			case notify.Again:
				assert.Equal(t, isa.Unacknowledged, d.Entry.State, describe(d))
				assert.GreaterOrEqual(t, d.Entry.At.Sub(before), rule.Repeat-min(30*time.Second, rule.Repeat/10), describe(d))
				assert.Positive(t, rule.Repeat, describe(d))
				assert.True(t, rule.Until == notify.Cleared || !acknowledged[d.Entry.Occurrence], describe(d))
				last[k] = d.Entry.At
			case notify.Call:
				assert.Equal(t, isa.Unacknowledged, d.Entry.State, describe(d))
				last[k] = d.Entry.At
			}
		}
	}
}

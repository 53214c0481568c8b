package network

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/journal"
	"dewline/internal/core/nuisance"
	"dewline/internal/test/harness"
)

// Fifteen tubs leave their band within a minute, and the power goes before the summary is due: a webhook hears of ten of them one by
// one and of the other five in one summary, once.
func TestFloodIsReportedInOneSummaryOverAPowerCut(t *testing.T) {
	t.Parallel()
	const tubs = nuisance.FloodBegins + 5
	var text strings.Builder
	text.WriteString("site: north-loft\ntimezone: Europe/Lisbon\nplaces:\n  - {id: loft, kind: room}\n")
	for i := 1; i <= tubs; i++ {
		fmt.Fprintf(&text, "  - {id: tub-%d, kind: enclosure, in: loft, bands: {water-temperature: {high: 24 °C, on-delay: 10s, off-delay: 10s, priority: high}}}\n", i)
	}
	text.WriteString("sensors:\n")
	for i := 1; i <= tubs; i++ {
		fmt.Fprintf(&text, "  - {id: probe-%d, driver: w1, address: %s, every: 20s, gap: 2h, stale-after: 4h, feeds: {temperature: tub-%d/water-temperature}}\n", i, harness.ROM(i), i)
	}
	hook := harness.NewHook(t)
	fmt.Fprintf(&text, "web: {listen: WEB}\ncontrol: {socket: SOCKET}\nhistory: {path: HISTORY}\nnotify: [{via: webhook, format: cloudevent, url: \"%s\"}]\n", hook.URL)
	h := harness.New(t, harness.Options{Start: begin, Pace: 20, Site: text.String()})
	show := func(celsius float64) {
		for i := 1; i <= tubs; i++ {
			h.Probe(i).Show(celsius)
		}
	}
	show(22)
	p := h.Start()
	h.Wait("all probes are read", func() bool {
		return h.Number(`dewline_reading_celsius{place="tub-15",quantity="water-temperature"}`) == 22
	})
	h.Wait("a bin of ten minutes has just begun", func() bool { return h.Now().Minute()%10 == 0 })
	show(26)
	raised := func() (n int) {
		for i := 1; i <= tubs; i++ {
			if h.Letter(fmt.Sprintf("tub-%d/water-temperature/high", i)) == "B" {
				n++
			}
		}
		return n
	}
	h.Wait("all tubs are too warm", func() bool { return raised() == tubs })
	require.Less(t, h.Now().Minute()%10, 8, "within the bin")
	p.Kill()

	p = h.Start()
	summaries := func() (list []journal.Entry) {
		for _, e := range h.Journal(t) {
			if e.Kind == journal.Summary {
				list = append(list, e)
			}
		}
		return list
	}
	h.Wait("the summary is on record", func() bool {
		return h.Now().Minute()%10 >= 1 && h.Now().After(begin.Add(10*time.Minute)) && len(summaries()) > 0
	})
	h.Wait("all of the flood is reported", func() bool { return len(hook.Taken()) >= nuisance.FloodBegins+1 })
	require.NoError(t, p.Stop())

	entries := map[string]journal.Entry{}
	for _, e := range h.Journal(t) {
		entries[e.ID()] = e
	}
	var alone []string
	var summary []journal.Entry
	taken := hook.Taken()
	slices.Sort(taken)
	for _, id := range slices.Compact(taken) { // what was sent just before the power went may come again
		switch e := entries[id]; e.Kind {
		case journal.AlarmRaised:
			alone = append(alone, e.Alarm)
		case journal.Summary:
			summary = append(summary, e)
		default:
			t.Errorf("reported besides: %s %s", e.Kind, e.Text)
		}
	}
	require.Len(t, summary, 1)
	assert.Len(t, alone, nuisance.FloodBegins)
	assert.Contains(t, summary[0].Text, "5 alarms in the last ten minutes")
	for i := 1; i <= tubs; i++ {
		alarm := fmt.Sprintf("tub-%d/water-temperature/high", i)
		inSummary := strings.Contains(summary[0].Text, alarm+" (")
		assert.NotEqual(t, slices.Contains(alone, alarm), inSummary, "%s is reported alone or in the summary", alarm)
	}
}

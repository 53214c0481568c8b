package clock_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/journal"
	"dewline/internal/test/harness"
)

// unchanged holds that what an earlier run has recorded stays as it was.
func unchanged(t *testing.T, before, after []exported) {
	t.Helper()
	require.GreaterOrEqual(t, len(after), len(before))
	assert.Equal(t, before, after[:len(before)])
}

// A board without a battery comes up in 1970, with the history of yesterday in the file. Until the clock is set time goes on from
// the last record, alarms are judged and a silent probe is reported; then the run is moved to when it was, and the time for which
// the board was off is unknown.
func TestBootIn1970WithAPast(t *testing.T) {
	h := newHouse(t, harness.Options{Start: noon.Add(-6 * time.Hour), Pace: 300})
	h.Probe(1).Show(25)
	p := h.Start()
	h.Wait("the alarm", func() bool { return h.Letter(high) == "B" })
	require.NoError(t, p.Stop())
	past := h.export()
	occurrence := h.journal()[1].Occurrence
	last := past[len(past)-1].at
	require.NotEmpty(t, occurrence)

	h.reboot(time.Unix(20, 0).UTC(), false)
	p = h.Start()
	h.reads(12)
	h.pass(2 * time.Minute)
	unchanged(t, past, h.export())
	for _, r := range h.export()[len(past):] {
		assert.True(t, r.at.After(last), "not in 1970, and not before what is there: %s", r.at)
	}
	assert.Equal(t, "B", h.Letter(high))
	assert.Equal(t, occurrence, h.Alarm(high).Occurrence)
	assert.Equal(t, "0", h.Metric("dewline_clock_step_seconds_total"))
	zones := h.balance()
	h.Probe(1).Show(22)
	h.Wait("alarms go on being judged", func() bool { return h.Letter(high) == "D" })
	back := h.Probe(1).Away()
	h.Wait("a silent probe is reported", func() bool { return h.Alarm(stale).Active })
	back()
	h.Wait("and it is back", func() bool { return !h.Alarm(stale).Active })
	before := h.journal()

	right := noon.Add(6 * time.Hour)
	h.Synchronise(right.Sub(h.Now()))
	h.Wait("the clock counts as right", func() bool { return h.Metric("dewline_clock_synchronized") == "1" })
	h.reads(6)
	h.exact(zones)
	require.NoError(t, p.Stop())

	entries := h.journal()
	inOrder(t, entries)
	by := stepOf(t, of(entries, journal.ClockStepped)[0])
	assert.Greater(t, by, time.Hour)
	for i, e := range before {
		want := e.At
		if e.Run != before[0].Run {
			want = want.Add(by)
		}
		assert.InDelta(t, 0, want.Sub(entries[i].At).Seconds(), 0.0021, "%s", e.Kind)
	}
	raised := map[string]int{}
	for _, e := range of(entries, journal.AlarmRaised) {
		raised[e.Alarm]++
	}
	assert.Equal(t, map[string]int{high: 1, stale: 1, "sensor/probe-1/fault": 1}, raised)
	list := h.export()
	once(t, list)
	unchanged(t, past, list)
	gap := list[len(past)].at.Sub(last)
	assert.Greater(t, gap, time.Hour)
	report := h.report("--from", "2026-07-14", "--to", "2026-07-15")
	require.Len(t, report.Points[0].Days, 1)
	midnight := time.Date(2026, 7, 14, 23, 0, 0, 0, time.UTC) // in Lisbon
	assert.InDelta(t, midnight.Sub(list[0].at).Seconds(), report.Points[0].Days[0].ElapsedS, 0.002, "from the first reading on")
	assert.Greater(t, report.Points[0].Days[0].Seconds["unknown"], gap.Seconds()-1, "the time for which the board was off")
}

// The clock is set back by hours while the program is down, and counts as right. Readings at a time that was there before are
// neither late nor twice, and alarms are judged.
func TestSetBackWhileDown(t *testing.T) {
	h := newHouse(t, harness.Options{Start: noon, Pace: 300})
	h.Probe(1).Show(25)
	p := h.Start()
	h.Wait("the alarm", func() bool { return h.Letter(high) == "B" })
	occurrence := h.Alarm(high).Occurrence
	require.NoError(t, p.Stop())
	past := h.export()
	h.Step(-5 * time.Hour)

	p = h.Start()
	h.reads(6)
	assert.Equal(t, occurrence, h.Alarm(high).Occurrence)
	assert.Equal(t, "B", h.Letter(high))
	zones := h.balance()
	h.Probe(1).Show(22)
	h.Wait("it is over", func() bool { return h.Letter(high) == "D" })
	back := h.Probe(1).Away()
	h.Wait("a silent probe is reported", func() bool { return h.Alarm(stale).Active })
	back()
	h.Wait("and it is back", func() bool { return !h.Alarm(stale).Active })
	h.exact(zones)
	reads := h.read()
	require.NoError(t, p.Stop())
	list := h.export()
	once(t, list)
	assert.GreaterOrEqual(t, float64(len(list)-len(past)), reads)
	assert.Equal(t, past, list[len(list)-len(past):], "the earlier run's, at later times")
	assert.Len(t, of(h.journal(), journal.ClockStepped), 1)
}

// An unconfirmed run is killed, the program starts again, and then the clock is set: or it was set while the program was down.
// Either way what both have recorded is moved. If the clock is never set, everything stays.
func TestKilledBeforeTheClockIsRight(t *testing.T) {
	for _, c := range []struct {
		name  string
		down  bool // the clock is set while the program is down
		never bool
	}{{"then set", false, false}, {"set while down", true, false}, {"never set", false, true}} {
		t.Run(c.name, func(t *testing.T) {
			h := newHouse(t, harness.Options{Start: noon.Add(-3 * time.Hour), Pace: 200, Unsynchronised: true})
			p := h.Start()
			h.reads(12)
			h.pass(90 * time.Second) // a commit
			p.Kill()
			before := h.export()
			require.NotEmpty(t, before)
			if c.down {
				h.Synchronise(3 * time.Hour)
			}
			p = h.Start()
			zones := h.balance()
			by := 3 * time.Hour
			switch {
			case c.never:
				by = 0
				assert.Equal(t, "0", h.Metric("dewline_clock_synchronized"))
			case !c.down:
				h.Synchronise(3 * time.Hour)
				h.Wait("the clock counts as right", func() bool { return h.Metric("dewline_clock_synchronized") == "1" })
				h.reads(3)
			}
			h.exact(zones)
			require.NoError(t, p.Stop())
			list := h.export()
			once(t, list)
			require.Greater(t, len(list), len(before))
			for i, r := range before {
				assert.WithinDuration(t, r.at.Add(by), list[i].at, time.Second)
				assert.Equal(t, r.value, list[i].value)
			}
			inOrder(t, h.journal())
			h.report()
		})
	}
}

// An unconfirmed clock that runs years ahead removes nothing that would be too old by it. Once the clock is right what is too old
// goes, and only that.
func TestNothingIsPrunedByAWrongClock(t *testing.T) {
	text := begin + `
places: [{id: tub-1, kind: enclosure, bands: {water-temperature: {low: 18 °C, high: 24 °C}}}]
sensors:
  - {id: probe-1, driver: w1, address: 28-00000b3c5d1e, every: 60s, gap: 2h, feeds: {temperature: tub-1/water-temperature}}
history: {path: HISTORY, keep: 1d}
`
	h := newHouse(t, harness.Options{Site: text, Start: noon, Pace: 1500})
	p := h.Start()
	h.reads(20)
	require.NoError(t, p.Stop())
	past := h.export()
	h.reboot(noon.AddDate(4, 0, 0), false)
	p = h.Start()
	h.pass(150 * time.Minute) // pruning is due once an hour
	h.reads(1)
	unchanged(t, past, h.export())
	h.Synchronise(noon.Add(12 * time.Hour).Sub(h.Now()))
	h.Wait("the clock counts as right", func() bool { return h.Metric("dewline_clock_synchronized") == "1" })
	h.pass(30 * time.Minute)
	unchanged(t, past, h.export())
	h.Step(48 * time.Hour)
	h.Wait("what is too old is removed", func() bool { return h.export()[0].at.After(past[len(past)-1].at) })
	require.NoError(t, p.Stop())
	assert.NotEmpty(t, h.export())
}

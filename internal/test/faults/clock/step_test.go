package clock_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/journal"
	"dewline/internal/test/clockfile"
	"dewline/internal/test/harness"
)

var noon = time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)

// A board comes up three hours behind. An alarm's delay runs while the clock is set: it counts ten minutes, not three hours
// more and not from the beginning, and afterwards everything is recorded at the time when it happened.
func TestThreeHoursBehind(t *testing.T) {
	h := newHouse(t, harness.Options{Start: noon.Add(-3 * time.Hour), Pace: 60, Unsynchronised: true})
	h.Probe(1).Show(25)
	p := h.Start()
	h.reads(6)
	assert.Equal(t, "0", h.Metric("dewline_clock_synchronized"))
	assert.Equal(t, "0", h.Metric("dewline_clock_step_seconds_total"))
	zones := h.balance()
	before := h.journal()
	require.Empty(t, of(before, journal.AlarmRaised), "the delay is running")
	h.Synchronise(3 * time.Hour)
	h.Wait("the clock counts as right", func() bool { return h.Metric("dewline_clock_synchronized") == "1" })
	assert.InDelta(t, 3*3600, h.Number("dewline_clock_step_seconds_total"), 2)
	h.Wait("the alarm", func() bool { return h.Letter(high) == "B" })
	h.exact(zones)
	alarm := h.Alarm(high)
	reads := h.read()
	require.NoError(t, p.Stop())

	entries := h.journal()
	inOrder(t, entries)
	started := of(entries, journal.RunStarted)[0].At.Time()
	assert.WithinDuration(t, before[0].At.Time().Add(3*time.Hour), started, 2*time.Second, "re-stamped")
	raised := of(entries, journal.AlarmRaised)
	require.Len(t, raised, 1)
	assert.Equal(t, alarm.Since.String(), raised[0].Since.String())
	assert.GreaterOrEqual(t, raised[0].At.Sub(*raised[0].Since), 10*time.Minute)
	assert.Less(t, raised[0].At.Sub(*raised[0].Since), time.Hour)
	assert.WithinDuration(t, started, raised[0].Since.Time(), 30*time.Minute, "since the first reading")
	require.Len(t, of(entries, journal.ClockStepped), 1)
	require.Len(t, of(entries, journal.ClockConfirmed), 1)

	list := h.export()
	once(t, list)
	assert.GreaterOrEqual(t, float64(len(list)), reads, "every reading is there")
	assert.False(t, list[0].at.Before(started), "re-stamped")
	report := h.report("--from", "2026-07-14")
	require.Len(t, report.Points, 1)
	whole := report.Points[0].Whole
	assert.InDelta(t, list[len(list)-1].at.Sub(list[0].at).Seconds(), whole.Seconds["high"], 1, "the report counts no step")
	require.Len(t, report.Alarms, 1)
	assert.Equal(t, raised[0].At.String(), report.Alarms[0].Raised.UTC().Format("2006-01-02T15:04:05.000Z"))
}

// The very first boot is in 1970, in an empty house.
func TestFirstBootIn1970(t *testing.T) {
	h := newHouse(t, harness.Options{Start: time.Unix(7, 0).UTC(), Pace: 200, Unsynchronised: true})
	p := h.Start()
	h.reads(12)
	zones := h.balance()
	h.Step(90 * 24 * time.Hour) // still wrong
	h.reads(12)
	assert.Equal(t, 1970, h.Now().Year())
	h.Synchronise(noon.Sub(h.Now()))
	h.Wait("the clock counts as right", func() bool { return h.Metric("dewline_clock_synchronized") == "1" })
	h.reads(6)
	h.exact(zones)
	reads := h.read()
	require.NoError(t, p.Stop())

	entries := h.journal()
	inOrder(t, entries)
	list := h.export()
	once(t, list)
	assert.GreaterOrEqual(t, float64(len(list)), reads)
	for i, r := range list {
		assert.WithinDuration(t, noon, r.at, 24*time.Hour)
		if i > 0 {
			assert.Less(t, r.at.Sub(list[i-1].at), time.Hour, "no hole where the clock was set")
		}
	}
	assert.Len(t, of(entries, journal.ClockStepped), 2)
	for _, e := range entries {
		assert.WithinDuration(t, noon, e.At.Time(), 24*time.Hour, "%s", e.Kind)
	}
}

// A confirmed clock is set back by 40 minutes, and the power goes soon after. Both passes are kept, nothing fires again, and the
// time per zone is that which has really passed.
func TestBackwardStep(t *testing.T) {
	const back = 40 * time.Minute
	h := newHouse(t, harness.Options{Start: noon, Pace: 600})
	h.Probe(1).Show(25)
	p := h.Start()
	h.Wait("the alarm", func() bool { return h.Letter(high) == "B" })
	occurrence := h.Alarm(high).Occurrence
	h.pass(35 * time.Minute)
	zones := h.balance()
	h.Step(-back)
	h.Wait("the step is seen", func() bool { return h.Number("dewline_clock_step_seconds_total") > 2000 })
	first := h.read()
	h.Probe(1).Show(25.5)
	h.exact(zones)
	h.reads(30)
	h.pass(2 * time.Minute) // a commit
	p.Kill()
	list := h.export()
	twice := 0
	for i := 1; i < len(list); i++ {
		if list[i].value != list[i-1].value {
			twice++
		}
	}
	assert.Greater(t, twice, 20, "both passes of the same time, interleaved")
	assert.GreaterOrEqual(t, float64(len(list)), first)

	p = h.Start()
	assert.Equal(t, occurrence, h.Alarm(high).Occurrence)
	h.exact(h.balance())
	assert.Equal(t, "B", h.Letter(high))
	h.Probe(1).Show(22)
	h.Wait("it is over, at a time that was there before", func() bool { return h.Letter(high) == "D" })
	assert.Equal(t, occurrence, h.Alarm(high).Occurrence)
	h.pass(time.Minute)
	require.NoError(t, p.Stop())
	entries := h.journal()
	assert.Len(t, of(entries, journal.AlarmRaised), 1)
	assert.Len(t, of(entries, journal.AlarmCleared), 1)
	assert.Len(t, of(entries, journal.ClockStepped), 1)
	before, after := occurrences(list), occurrences(h.export())
	for r, n := range before {
		assert.Equal(t, n, after[r], "what was there stays, as often as it was: %v", r)
	}
	h.report()
}

// occurrences counts equal readings: two passes of the same time can have a reading in the same millisecond.
func occurrences(list []exported) map[exported]int {
	count := map[exported]int{}
	for _, r := range list {
		count[r]++
	}
	return count
}

// Slewing is followed and is no step, however far it leads: at 500 ppm, the most that the kernel does (adjtimex(2)), and in pushes
// of half of what counts as a step. A millisecond for which this machine is busy is pace milliseconds of the program's clock.
func TestSlewing(t *testing.T) {
	h := newHouse(t, harness.Options{Start: noon, Pace: 200})
	p := h.Start()
	zones := h.balance()
	for _, ppm := range []float64{500, -500, 500} {
		require.NoError(t, clockfile.Change(h.Clock, func(s *clockfile.Setting) { s.Pace = 200 * (1 + ppm/1e6) }))
		h.pass(15 * time.Minute)
	}
	require.NoError(t, clockfile.Change(h.Clock, func(s *clockfile.Setting) { s.Pace = 200 }))
	for range 120 { // a minute in all
		h.Step(500 * time.Millisecond)
		h.reads(1)
	}
	h.Wait("the readings have the time of the clock", func() bool {
		now := h.Now()
		_, last := h.zoneSeconds()
		return now.Sub(time.UnixMilli(int64(last*1000))) < time.Minute
	})
	assert.Equal(t, "0", h.Metric("dewline_clock_step_seconds_total"))
	h.exact(zones)
	require.NoError(t, p.Stop())
	entries := h.journal()
	assert.Empty(t, of(entries, journal.ClockStepped))
	inOrder(t, entries)
	once(t, h.export())
}

// Many small steps, each more than slewing, while a delay runs; then they are over and back where they were.
func TestManySmallSteps(t *testing.T) {
	h := newHouse(t, harness.Options{Start: noon, Pace: 200})
	p := h.Start()
	zones := h.balance()
	h.Probe(1).Show(25)
	h.Wait("the heat is seen", func() bool {
		return h.Metric(`dewline_reading_celsius{place="tub-1",quantity="water-temperature"}`) == "25"
	})
	steps := []time.Duration{3, -2, 5, -4, 2, 7, -8, 3, -6}
	var sum float64
	for range 3 {
		for _, s := range steps {
			const counted = "dewline_clock_step_seconds_total"
			before := h.Number(counted)
			h.Step(s * time.Second)
			sum += (s * time.Second).Seconds()
			// What was slewed just before may be part of it.
			h.Wait("the step is seen", func() bool { return h.Number(counted) > before+(s*time.Second).Abs().Seconds()-0.7 })
			h.Step(300 * time.Millisecond) // as slewing
			h.Step(-300 * time.Millisecond)
		}
	}
	assert.Zero(t, sum)
	h.Wait("the alarm", func() bool { return h.Letter(high) == "B" })
	h.exact(zones)
	require.NoError(t, p.Stop())
	entries := h.journal()
	assert.Len(t, of(entries, journal.ClockStepped), 27)
	raised := of(entries, journal.AlarmRaised)
	require.Len(t, raised, 1)
	assert.GreaterOrEqual(t, raised[0].At.Sub(*raised[0].Since), 10*time.Minute)
	h.report()
}

package watch_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
)

// A run by a confirmed clock, then one by an unconfirmed clock, which then steps: what the first has seen keeps its
// time, what the second has seen moves, and the time in between is longer or shorter. No total counts the step.
func TestStepOfADoubtfulRun(t *testing.T) {
	for _, by := range []time.Duration{3 * time.Hour, 20 * time.Second, -20 * time.Second, -30 * time.Minute} {
		site := tub(band(none, none, 24, none, delays(100*time.Second, 100*time.Second, 0.3)), time.Minute)
		first := watch.New(site, "run-1")
		fold(first, watch.Event{Kind: watch.StartEvent, At: at(0), Run: "run-1"})
		for i := range 20 {
			first.Step(watch.Event{At: at(float64(i) * 10), Value: 25, Flag: 1}, nil)
		}
		before, _ := first.Alarm(tubHigh)
		require.True(t, before.Active)
		assert.False(t, new(first.Doubt()).Any())
		data, err := first.Snapshot()
		require.NoError(t, err)

		c := watch.New(site, "run-2")
		require.NoError(t, c.Restore(data))
		clock := watch.ClockOffset{Boot: "b", Wall: 1, Guarded: 2}
		c.Step(watch.Event{Kind: watch.StartEvent, At: at(400), Run: "run-2", Unconfirmed: true, Clock: clock}, nil)
		for i := range 10 {
			c.Step(watch.Event{At: at(410 + float64(i)*10), Value: 25, Flag: 1}, nil)
		}
		total := c.State(0).Total
		seq := c.Seq()
		effects := c.Step(watch.Event{Kind: watch.ClockStepEvent, At: at(505).Add(by), By: by, Mark: 7, Clock: clock}, nil)
		require.Len(t, entries(effects, journal.ClockStepped), 1)
		assert.Equal(t, total, c.State(0).Total, "no total counts the step")
		doubt := c.Doubt()
		assert.Equal(t, watch.UnconfirmedClock{
			Since: at(400).Add(by), Runs: []string{"run-2"}, Steps: []watch.Correction{{By: by, Seq: seq, Mark: 7}}, Clock: clock,
		}, doubt)
		after, _ := c.Alarm(tubHigh)
		assert.Equal(t, before.Since, after.Since, "seen by a confirmed clock")
		assert.Equal(t, before.Raised, after.Raised)
		assert.Equal(t, at(500).Add(by), c.State(0).LastReading)

		today := c.State(0).Today
		var sum time.Duration
		for zone, d := range today.InZone {
			assert.GreaterOrEqual(t, d, time.Duration(0), watch.Zone(zone))
			sum += d
		}
		assert.Equal(t, today.Elapsed(), sum)
		assert.Equal(t, 190*time.Second+90*time.Second, today.InZone[watch.HighZone])
		if by > 0 {
			assert.Equal(t, 220*time.Second+by, today.InZone[watch.UnknownZone], "nobody looked for longer than it seemed")
			assert.Equal(t, at(0), today.From)
		}

		data, err = c.Snapshot()
		require.NoError(t, err)
		third := watch.New(site, "run-3")
		require.NoError(t, third.Restore(data))
		assert.Equal(t, doubt, third.Doubt(), "a run that is cut short leaves it to the next")
		third.Step(watch.Event{Kind: watch.StartEvent, At: at(600).Add(by), Run: "run-3", Unconfirmed: true}, nil)
		assert.Equal(t, []string{"run-2", "run-3"}, third.Doubt().Runs)
		third.ClockConfirmed(at(601).Add(by))
		assert.False(t, new(third.Doubt()).Any())
	}
}

// An alarm that was raised and cleared in a doubtful run gets the times that its corrected entries will have.
func TestPastAlarmOfADoubtfulRun(t *testing.T) {
	for _, doubtful := range []bool{true, false} {
		c := watch.New(tub(band(none, none, 24, none, delays(0, 0, 0.3)), time.Minute), "run-1")
		c.Step(watch.Event{Kind: watch.StartEvent, At: at(0), Unconfirmed: doubtful}, nil)
		for i, v := range []float64{25, 25, 22, 22} {
			c.Step(watch.Event{At: at(float64(i) * 10), Value: v, Flag: 1}, nil)
		}
		before, _ := c.Alarm(tubHigh)
		require.False(t, before.Active)
		c.Step(watch.Event{Kind: watch.ClockStepEvent, At: at(35).Add(time.Hour), By: time.Hour}, nil)
		after, _ := c.Alarm(tubHigh)
		by := time.Duration(0)
		if doubtful {
			by = time.Hour
		}
		assert.Equal(t, before.Since.Add(by), after.Since)
		assert.Equal(t, before.Raised.Add(by), after.Raised)
		assert.Equal(t, before.Cleared.Add(by), after.Cleared)
	}
}

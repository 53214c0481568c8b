package watch_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/isa"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// A sensor fault suppresses the alarms that exist, and creates none on limits that the band does not have.
func TestFaultCreatesNoAlarms(t *testing.T) {
	site := tub(band(none, none, 26, none), time.Minute)
	site.Sensors = []watch.SensorFeeds{{ID: "tub-1-probe", FaultAfter: time.Minute, Channels: []watch.Channel{{Name: "temperature", Feeds: water}}}}
	c := watch.New(site, "test")
	fold(c, series(t, c, water, 10, 24, 24)...)
	before := c.Alarms()
	for range 2 {
		c.Step(watch.Event{Kind: watch.SensorEvent, At: at(20), Failure: "power-on value", Flag: quantity.Fail}, nil)
	}
	require.Len(t, c.Alarms(), len(before), "high and fault, and none on limits that the band lacks")
}

// A tick does not count time as unknown for a derived point whose reading still waits for its second input.
func TestTicksDoNotDropWaitingReadings(t *testing.T) {
	loft := func(q quantity.Quantity) quantity.Point { return quantity.Point{Place: "loft", Quantity: q} }
	site := watch.Site{ID: "north-loft", Location: time.UTC, Places: []watch.Place{{ID: "loft", Room: true}}, Points: []watch.Point{
		{Point: loft(quantity.AirTemperature), Gap: 10 * time.Second}, {Point: loft(quantity.RelativeHumidity), Gap: 100 * time.Second},
	}}
	zones := func(ticks bool) (zones [watch.ZoneCount]time.Duration) {
		c := watch.New(site, "test")
		dew, _ := c.Index(loft(quantity.DewPoint))
		out := c.Step(watch.Event{Kind: watch.StartEvent, At: at(0)}, nil)
		for s := 0.0; s <= 128; s++ {
			if ticks {
				out = c.Step(watch.Event{Kind: watch.TickEvent, At: at(s)}, out)
			}
			if s == 0 || s == 50 {
				out = c.Step(watch.Event{At: at(s), Point: 0, Value: 24, Flag: quantity.Pass}, out)
			}
			if s == 0 || s == 30 || s == 128 {
				out = c.Step(watch.Event{At: at(s), Point: 1, Value: 60, Flag: quantity.Pass}, out)
			}
		}
		for _, e := range c.Finish(at(128), out) {
			if e.Kind == watch.LedgerClosed && e.Point == dew {
				zones = e.Ledger.InZone
			}
		}
		return zones
	}
	assert.Equal(t, zones(false), zones(true))
}

// An alarm on no limit has its priority before it is raised for the first time, as those on limits have.
func TestPriorityIsKnownBeforeTheFirstRaise(t *testing.T) {
	site := tub(band(none, none, 26, none), time.Minute)
	site.Points[0].StaleAfter = time.Minute
	site.Sensors = []watch.SensorFeeds{{ID: "tub-1-probe", FaultAfter: time.Minute, Channels: []watch.Channel{{Name: "temperature", Feeds: water}}}}
	for _, a := range watch.New(site, "test").Alarms() {
		assert.NotEmpty(t, a.Priority.String(), a.Name)
	}
}

// A snapshot leaves out untouched alarms and only those: a shelf of an alarm that was never raised is kept.
func TestSnapshotKeepsWhatWasDoneToAnAlarmThatWasNeverRaised(t *testing.T) {
	const high, low = "tub-1/water-temperature/high", "tub-1/water-temperature/low"
	site := tub(band(none, 20, 26, none), time.Minute)
	c := watch.New(site, "test")
	fold(c, series(t, c, water, 10, 24, 24)...)
	plain, err := c.Snapshot()
	require.NoError(t, err)
	assert.NotContains(t, string(plain), high)
	c.Step(watch.Event{Kind: watch.CommandEvent, At: at(20), Command: &watch.Command{Verb: watch.Shelve, Alarm: high, For: time.Hour, By: "keeper"}}, nil)
	c.Step(watch.Event{Kind: watch.CommandEvent, At: at(20), Command: &watch.Command{Verb: watch.OutOfService, Alarm: low, Reason: "invented", By: "keeper"}}, nil)
	want := c.Alarms()
	kept, err := c.Snapshot()
	require.NoError(t, err)
	next := watch.New(site, "test")
	require.NoError(t, next.Restore(kept))
	// NaN is not equal to itself, so the texts are compared.
	assert.Equal(t, fmt.Sprintf("%+v", want), fmt.Sprintf("%+v", next.Alarms()))
	shelved, _ := next.Alarm(high)
	assert.Equal(t, isa.Shelved, shelved.Letter)
	out, _ := next.Alarm(low)
	assert.Equal(t, isa.OutOfService, out.Letter)
}

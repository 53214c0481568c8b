package watch_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// faultPriority returns the priority of the fault of the tub's probe.
func (p *player) faultPriority() care.Priority {
	state, _ := p.core.Alarm(probeFault)
	return state.Priority
}

func TestAFaultCallsAfterHalfAnHourWithoutAValue(t *testing.T) {
	p := play(t, shaky())
	p.reads(10, true, 22)
	p.reads(170, false, 22)
	require.Equal(t, "B", p.letter(probeFault))
	assert.Equal(t, care.MediumPriority, p.faultPriority(), "28 min: a notice")
	p.event(watch.Event{Kind: watch.CommandEvent, Command: &watch.Command{Verb: watch.Acknowledge, Alarm: probeFault, Occurrence: occurrenceOf(t, p, probeFault), By: "keeper"}})
	p.reads(11, false, 22)
	assert.Equal(t, care.HighPriority, p.faultPriority())
	assert.Equal(t, "B", p.letter(probeFault), "it was acknowledged as a notice, and calls now")
	worse := entries(p.effects, journal.AlarmWorsened)
	require.Len(t, worse, 1)
	assert.Equal(t, "high", worse[0].Priority)
	assert.Equal(t, "wrong checksum", worse[0].Reason)
	assert.Equal(t, at(100+1800), worse[0].At, "half an hour after the last value")
	assert.Equal(t, []string{probeFault, probeFault}, p.notified())

	state, err := p.core.Snapshot()
	require.NoError(t, err)
	p.core = watch.New(shaky(), "run-2")
	require.NoError(t, p.core.Restore(state))
	p.reads(360, false, 22)
	assert.Len(t, entries(p.effects, journal.AlarmWorsened), 1, "once, also after a restart")

	// The same again within a week is a notice, unless it lasts for a day.
	p.reads(70, true, 22)
	require.Equal(t, "D", p.letter(probeFault))
	p.reads(6*360, false, 22)
	assert.Equal(t, care.MediumPriority, p.faultPriority(), "six hours")
	p.reads(18*360+10, false, 22)
	assert.Equal(t, care.HighPriority, p.faultPriority(), "a day")
}

func TestAFaultCallsAtOnceWhereAnAlarmIsActive(t *testing.T) {
	p := play(t, shaky())
	p.reads(20, true, 28)
	require.Equal(t, "B", p.letter(tubHigh))
	p.reads(8, false, 28)
	require.Equal(t, "B", p.letter(probeFault))
	assert.Equal(t, care.HighPriority, p.faultPriority())
}

// Of two sensors of a point one that fails is a notice, however long; when the other one fails as well, both are not.
func TestOneOfTwoSensorsIsANotice(t *testing.T) {
	site := shaky()
	site.Sensors = append(site.Sensors, watch.SensorFeeds{
		ID: "tub-1-second", Channels: site.Sensors[0].Channels, FaultAfter: time.Minute, Recovery: 10 * time.Minute,
	})
	p := play(t, site)
	second := int32(len(site.Sensors) - 1)
	minutes := func(n int, good bool) {
		for range 6 * n {
			p.read(false, 22)
			if good {
				p.event(watch.Event{Point: 0, Value: 22, Flag: quantity.Pass})
				p.event(watch.Event{Kind: watch.SensorEvent, Sensor: second})
			} else {
				p.event(watch.Event{Kind: watch.SensorEvent, Sensor: second, Failure: "no answer", Flag: quantity.Missing})
			}
		}
	}
	minutes(120, true)
	assert.Equal(t, "B", p.letter(probeFault))
	assert.Equal(t, care.MediumPriority, p.faultPriority())
	minutes(29, false)
	assert.Equal(t, care.MediumPriority, p.faultPriority())
	minutes(2, false)
	assert.Equal(t, care.HighPriority, p.faultPriority())
}

// What comes and goes is over after an hour without it, also over a restart.
func TestAnUnsteadyFaultHoldsForAnHour(t *testing.T) {
	p := play(t, combined())
	for range 3 {
		p.humidity(22, 70, "humidity is raving")
		p.event(watch.Event{Kind: watch.SensorEvent, Sensor: 1, Channel: 2, Failure: "humidity is raving", Flag: quantity.Fail, Unsteady: true})
	}
	require.Equal(t, "B", p.letter(humidityFault))
	require.Equal(t, []watch.UnsteadyChannel{{Sensor: "loft-air", Feeds: loftHumidity}}, p.core.UnsteadyChannels())
	for range 60 {
		p.humidity(22, 70, "")
	}
	assert.Equal(t, "B", p.letter(humidityFault), "ten minutes")
	state, err := p.core.Snapshot()
	require.NoError(t, err)
	p.core = watch.New(combined(), "run-2")
	require.NoError(t, p.core.Restore(state))
	for range 300 {
		p.humidity(22, 70, "")
	}
	assert.Equal(t, "B", p.letter(humidityFault), "59 min 50 s")
	p.humidity(22, 70, "")
	assert.Equal(t, "D", p.letter(humidityFault))
	assert.Empty(t, p.core.UnsteadyChannels())
}

func occurrenceOf(t *testing.T, p *player, name string) string {
	state, ok := p.core.Alarm(name)
	require.True(t, ok)
	return state.Occurrence
}

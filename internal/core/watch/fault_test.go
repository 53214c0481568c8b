package watch_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// read lets the tub's probe be read once, ten seconds later: with a value, or with a failure. The room stays as it is.
func (p *player) read(good bool, waterCelsius float64) {
	p.now += 10
	p.event(watch.Event{Kind: watch.TickEvent})
	p.event(watch.Event{Point: 1, Value: 22, Flag: quantity.Pass})
	if !good {
		p.event(watch.Event{Kind: watch.SensorEvent, Sensor: 0, Failure: "wrong checksum", Flag: quantity.Missing})
		return
	}
	p.event(watch.Event{Point: 0, Value: waterCelsius, Flag: quantity.Pass})
	p.event(watch.Event{Kind: watch.SensorEvent, Sensor: 0})
}

func (p *player) reads(n int, good bool, waterCelsius float64) {
	for range n {
		p.read(good, waterCelsius)
	}
}

func shaky() watch.Site {
	site := hotRoom()
	site.Sensors[0].Recovery = 10 * time.Minute
	return site
}

// A bus that lets some reads through is one fault, not one for each of its pauses.
func TestPausesOfAFaultAreNotItsEnd(t *testing.T) {
	p := play(t, shaky())
	chance := rand.New(rand.NewPCG(1, 2)) // half of the reads fail for six hours
	p.reads(8, false, 22)
	require.Equal(t, "B", p.letter(probeFault))
	for range 6 * 360 {
		p.read(chance.Float64() < 0.5, 22)
	}
	assert.Len(t, entries(p.effects, journal.AlarmRaised), 1)
	assert.Equal(t, []string{probeFault}, p.notified(), "called once")
	assert.Equal(t, "B", p.letter(probeFault))

	p.reads(1, false, 22)
	p.reads(60, true, 22)
	assert.Equal(t, "B", p.letter(probeFault), "9 min 50 s since the first good read")
	p.reads(1, true, 22)
	assert.Equal(t, "D", p.letter(probeFault))
	cleared := entries(p.effects, journal.AlarmCleared)
	require.Len(t, cleared, 1)
	assert.Equal(t, probeFault, cleared[0].Alarm)
}

// The fault stays active, yet the values of the probe count from its second good read on.
func TestActiveFaultDoesNotSilenceGoodReadings(t *testing.T) {
	p := play(t, shaky())
	p.reads(8, false, 22)
	require.Equal(t, "B", p.letter(probeFault))
	require.Equal(t, "H", p.letter(tubHigh))
	p.reads(2, true, 28)
	assert.Equal(t, "A", p.letter(tubHigh))
	p.reads(6, true, 28)
	assert.Equal(t, "B", p.letter(tubHigh), "hot for its delay while the probe's fault still stands")
	assert.Equal(t, "B", p.letter(tubCritical))
	fault, _ := p.core.Alarm(probeFault)
	assert.Equal(t, "B", string(fault.Letter))
	assert.Equal(t, "wrong checksum; it answers again, and its fault is over once it has done so for 10m0s", fault.Reason)
	assert.Contains(t, p.notified(), tubCritical)

	p.reads(6, false, 28)
	assert.Equal(t, "B", p.letter(tubHigh), "not yet: failing for less than a minute")
	p.reads(1, false, 28)
	assert.Equal(t, "H", p.letter(tubHigh), "silent again, without a new fault")
	assert.Equal(t, "B", p.letter(tubCritical), "no fault silences a critical alarm")
	fault, _ = p.core.Alarm(probeFault)
	assert.Equal(t, "wrong checksum", fault.Reason)
	assert.Len(t, entries(p.effects, journal.AlarmRaised), 3, "the fault, high and critical-high: %v", p.notified())
}

// Two wrong values in a row silence again at once: the power-on value of a probe with a bad supply.
func TestWrongValuesSilenceAgainAtOnce(t *testing.T) {
	p := play(t, shaky())
	p.reads(8, false, 22)
	p.reads(2, true, 22)
	require.Equal(t, "A", p.letter(tubHigh))
	for range 2 {
		p.now += 10
		p.event(watch.Event{Kind: watch.SensorEvent, Sensor: 0, Failure: "85 °C is the power-on value", Flag: quantity.Fail})
	}
	assert.Equal(t, "H", p.letter(tubHigh))
}

// The time for which reads have been good survives a restart, and a clock step does not lengthen it.
func TestRecoveryOutlivesRestartsAndStepsOfTheClock(t *testing.T) {
	p := play(t, shaky())
	p.reads(8, false, 22)
	p.reads(30, true, 22) // 4 min 50 s since the first good one
	state, err := p.core.Snapshot()
	require.NoError(t, err)
	p.core = watch.New(shaky(), "run-2")
	require.NoError(t, p.core.Restore(state))
	p.event(watch.Event{Kind: watch.StartEvent, Run: "run-2"})
	p.now += 3600
	p.event(watch.Event{Kind: watch.ClockStepEvent, By: time.Hour})
	p.reads(30, true, 22)
	assert.Equal(t, "B", p.letter(probeFault), "9 min 50 s")
	p.reads(1, true, 22)
	assert.Equal(t, "D", p.letter(probeFault))
}

// Where the room's alarm ends, an enclosure that is back inside and only waits for its off-delay is not announced; one that
// leaves again before it has cleared is.
func TestEnclosureOnItsWayBackIsNotAnnounced(t *testing.T) {
	heat := func(t *testing.T) *player {
		p := play(t, hotRoom())
		p.run(120, 22, 28)
		p.run(120, 28, 28)
		require.Equal(t, "H", p.letter(tubHigh))
		require.Equal(t, []string{roomHigh, roomCritical}, p.notified())
		return p
	}
	t.Run("it clears", func(t *testing.T) {
		p := heat(t)
		p.run(90, 23.9, 25) // inside, not by the deadband
		assert.Equal(t, "D", p.letter(roomCritical))
		assert.Equal(t, "H", p.letter(tubHigh))
		p.run(100, 22, 25)
		assert.Equal(t, "A", p.letter(tubHigh))
		assert.Equal(t, "A", p.letter(tubCritical))
		assert.Equal(t, []string{roomHigh, roomCritical}, p.notified())
	})
	t.Run("it leaves again", func(t *testing.T) {
		p := heat(t)
		p.run(90, 23.9, 25)
		require.Equal(t, "H", p.letter(tubHigh))
		p.run(10, 24.1, 25)
		assert.Equal(t, "B", p.letter(tubHigh), "at once: it never cleared")
		assert.Equal(t, []string{roomHigh, roomCritical, tubHigh}, p.notified())
	})
	t.Run("nobody knows where it is", func(t *testing.T) {
		p := heat(t)
		p.run(20, 23.9, 28)
		p.run(180, none, 25)
		assert.Equal(t, "D", p.letter(roomCritical))
		assert.Equal(t, "B", p.letter(tubHigh), "what was on its way back is not known any more")
	})
}

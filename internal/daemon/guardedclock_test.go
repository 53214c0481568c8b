package daemon

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/watch"
)

var noon = time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)

// A board without a battery starts in 1970: time continues from the last record, and no further step matters until the clock
// has passed that record or is confirmed.
func TestClockBehindTheLastRecord(t *testing.T) {
	clock := &handClock{wall: time.Unix(5, 0), mono: 5 * time.Second}
	guard := guardedClock{clock: clock}
	guard.look(false)
	assert.Zero(t, guard.resumeFrom(instant.Of(noon), false))
	assert.Equal(t, noon, guard.Now().UTC())
	clock.pass(time.Minute, 0)
	assert.Zero(t, guard.look(false))
	clock.pass(time.Minute, 20*365*24*time.Hour)
	assert.Zero(t, guard.look(false), "to 1990, which is as wrong")
	assert.Equal(t, noon.Add(2*time.Minute), guard.Now().UTC())
	clock.pass(time.Minute, 500*time.Millisecond)
	assert.Zero(t, guard.look(false))
	assert.Equal(t, noon.Add(3*time.Minute+500*time.Millisecond), guard.Now().UTC(), "slewing is followed")

	beyond := noon.Add(5 * time.Hour)
	clock.wall = beyond
	assert.Equal(t, beyond.Sub(noon.Add(3*time.Minute+500*time.Millisecond)), guard.look(false))
	assert.Equal(t, beyond, guard.Now().UTC())
}

// The last record was made by a clock that was ahead: a confirmed clock is right all the same.
func TestConfirmedClockBehindTheLastRecord(t *testing.T) {
	clock := &handClock{wall: noon}
	guard := guardedClock{clock: clock}
	guard.look(true)
	assert.Equal(t, -time.Hour, guard.resumeFrom(instant.Of(noon.Add(time.Hour)), true))
	assert.Equal(t, noon, guard.Now().UTC())
	assert.Zero(t, guard.resumeFrom(instant.Of(noon.Add(time.Second)), true), "as much as slewing may do")
	assert.Zero(t, guard.resumeFrom(instant.None, true), "there is no record")

	guard = guardedClock{clock: clock}
	guard.look(false)
	guard.resumeFrom(instant.Of(noon.Add(time.Hour)), false)
	assert.Equal(t, -time.Hour, guard.look(true), "confirmed after all")
	assert.Equal(t, noon, guard.Now().UTC())
}

// stalled is a clock on a machine that stops for a while between two looks at it.
type stalled struct {
	*handClock
	stops []time.Duration
}

func (s *stalled) Now() time.Time {
	now := s.wall
	if len(s.stops) > 0 {
		s.pass(s.stops[0], 0)
		s.stops = s.stops[1:]
	}
	return now
}

func TestStandstillIsNoStep(t *testing.T) {
	clock := &stalled{handClock: &handClock{wall: noon}}
	guard := guardedClock{clock: clock}
	guard.look(true)
	for range 10 {
		clock.stops = []time.Duration{5 * time.Second, 3 * time.Second}
		assert.Zero(t, guard.look(true))
		for range 8 {
			clock.stops = append(clock.stops, time.Minute)
		}
		assert.Zero(t, guard.look(true))
		clock.stops = nil
		assert.Zero(t, guard.look(true))
		assert.Equal(t, clock.wall, guard.Now().UTC())
	}
}

// A sample that was taken before a step and is handled after it gets the time that it would have by the new clock.
func TestSampleFromBeforeAStep(t *testing.T) {
	clock := &handClock{wall: noon, mono: time.Hour}
	guard := guardedClock{clock: clock}
	guard.look(true)
	polled := stamped{intake.Sample{At: guard.monotonic()}, 0}
	fed := stamped{intake.Sample{At: guard.Now()}, guard.offset.Load()}
	clock.pass(2*time.Second, -40*time.Minute)
	guard.look(true)
	for _, s := range []stamped{polled, fed} {
		assert.Equal(t, noon.Add(-40*time.Minute), guard.restamp(s).At.UTC())
	}
}

// The program is started again while the machine stays on: a step in between is known to the second.
func TestStepBetweenTwoRuns(t *testing.T) {
	for _, c := range []struct {
		name     string
		boot     string
		lifted   bool
		by, want time.Duration
	}{
		{"nothing happened", "a", false, 0, 0},
		{"set", "a", false, 3 * time.Hour, 3 * time.Hour},
		{"set back", "a", false, -time.Hour, -time.Hour},
		{"in the past as before", "a", true, 0, 0},
		{"no longer in the past", "a", true, 30 * time.Hour, 20 * time.Hour},
		{"another boot: nothing is known", "b", false, 3 * time.Hour, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			clock := &handClock{wall: noon, mono: time.Hour, boot: "a"}
			first := guardedClock{clock: clock}
			first.look(false)
			if c.lifted {
				first.resumeFrom(instant.Of(noon.Add(10*time.Hour)), false)
			}
			before, offset := first.Now(), first.clockOffset()
			clock.pass(time.Minute, c.by)
			clock.boot = c.boot
			second := guardedClock{clock: clock}
			second.resume(offset)
			assert.Equal(t, c.want, second.look(false))
			if c.boot == "a" {
				assert.Equal(t, before.Add(time.Minute+c.want), second.Now())
			}
		})
	}
	var none guardedClock
	none.clock = &handClock{wall: noon}
	none.resume(watch.ClockOffset{})
	assert.False(t, none.known)
}

// A wall clock in 2261, or further than 64 bits of nanoseconds reach, is not believed whatever its time service says. At a start that
// is a clock that was never set; later time goes on.
func TestClockPastBelief(t *testing.T) {
	for _, year := range []int{2150, 2261, 2300, 9999} {
		absurd := time.Date(year, 6, 1, 0, 0, 0, 0, time.UTC)
		clock := &handClock{wall: absurd, mono: 5 * time.Second, sync: true, boot: "a"}
		guard := guardedClock{clock: clock}
		guard.look(guard.synchronised())
		assert.False(t, guard.synchronised())
		assert.Equal(t, time.Unix(5, 0).UTC(), guard.Now().UTC())
		assert.Zero(t, guard.resumeFrom(instant.Of(noon), false))
		clock.pass(time.Minute, time.Hour)
		assert.Zero(t, guard.look(guard.synchronised()))
		assert.Equal(t, noon.Add(time.Minute), guard.Now().UTC())
		again := guardedClock{clock: clock}
		again.look(again.synchronised())
		again.resume(guard.clockOffset())
		assert.Zero(t, again.look(again.synchronised()))
		assert.Equal(t, noon.Add(time.Minute), again.Now().UTC(), "the program was started again")

		clock.wall = noon.Add(3 * time.Hour)
		assert.True(t, guard.synchronised())
		assert.Equal(t, 3*time.Hour-time.Minute, guard.look(true), "set at last")
		clock.wall, clock.mono = absurd, clock.mono+time.Minute
		assert.Zero(t, guard.look(true))
		clock.wall = noon.Add(3*time.Hour + time.Minute)
		assert.Zero(t, guard.look(true))
		assert.Equal(t, clock.wall, guard.Now().UTC(), "an excursion is no step")
	}
}

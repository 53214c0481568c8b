package daemon

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// handClock is a clock that a test sets by hand.
type handClock struct {
	wall time.Time
	mono time.Duration
	sync bool
	boot string
}

func (h *handClock) Now() time.Time                     { return h.wall }
func (h *handClock) Monotonic() time.Duration           { return h.mono }
func (h *handClock) Synchronised() bool                 { return h.sync }
func (h *handClock) Boot() string                       { return h.boot }
func (h *handClock) Real(d time.Duration) time.Duration { return d }

// pass lets time go by on both clocks; by is what the wall clock gains on top.
func (h *handClock) pass(d, by time.Duration) {
	h.wall, h.mono = h.wall.Add(d+by), h.mono+d
}

func TestStepGuard(t *testing.T) {
	clock := &handClock{wall: time.Date(1970, 1, 1, 0, 0, 10, 0, time.UTC)}
	guard := guardedClock{clock: clock}
	assert.Zero(t, guard.look(false), "the first look has nothing to compare")
	for range 100 {
		clock.pass(time.Second, 900*time.Millisecond) // a slew may add up to any amount
		assert.Zero(t, guard.look(false))
		assert.Equal(t, clock.wall, guard.Now().UTC())
	}
	for _, step := range []time.Duration{3 * time.Hour, -40 * time.Minute, 56 * 365 * 24 * time.Hour, 1001 * time.Millisecond} {
		before := guard.Now()
		clock.pass(time.Second, step)
		assert.Equal(t, time.Second, guard.Now().Sub(before), "the old time goes on until the step is found")
		assert.Equal(t, step, guard.look(false))
		assert.Equal(t, clock.wall, guard.Now().UTC())
		clock.pass(time.Second, 0)
		assert.Zero(t, guard.look(false), "a step is returned once")
	}
}

// heldUp is a clock whose reader is held up for a while at some of its looks.
type heldUp struct {
	handClock
	times int
}

func (h *heldUp) Now() time.Time {
	at := h.wall
	if h.times > 0 {
		h.times--
		h.pass(5*time.Second, 0)
	}
	return at
}

func TestBeingHeldUpIsNoStep(t *testing.T) {
	clock := &heldUp{handClock: handClock{wall: time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC)}}
	guard := guardedClock{clock: clock}
	guard.look(true)
	for _, times := range []int{1, 3, 100} {
		clock.times = times
		assert.Zero(t, guard.look(true))
		clock.times = 0
		assert.Zero(t, guard.look(true))
	}
	clock.pass(time.Second, time.Hour)
	assert.Equal(t, time.Hour, guard.look(true), "a true step is seen all the same")
}

func TestFastClockKeepsItsPace(t *testing.T) {
	begin := time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC)
	clock := FastClock(begin, 60)
	assert.Equal(t, time.Second, clock.Real(time.Minute))
	first := clock.Now()
	second := clock.Now()
	assert.False(t, second.Before(first))
	assert.False(t, first.Before(begin))
	assert.Less(t, clock.Now().Sub(begin).Abs(), time.Hour)
}

func TestKernelClock(t *testing.T) {
	clock := KernelClock()
	assert.WithinDuration(t, time.Now(), clock.Now(), time.Minute)
	assert.GreaterOrEqual(t, clock.Monotonic(), time.Duration(0))
	assert.Equal(t, time.Minute, clock.Real(time.Minute))
	_ = clock.Synchronised() // either answer is right on a test machine; it must not fail
}

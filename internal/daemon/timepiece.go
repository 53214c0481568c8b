package daemon

import (
	"time"

	"golang.org/x/sys/unix"
)

// Timepiece is where the daemon gets its time from. Nothing else in the daemon asks the machine for it.
type Timepiece interface {
	// Now returns the wall clock, which may be wrong and may jump.
	Now() time.Time
	// Monotonic returns the time since some fixed moment; it never jumps.
	Monotonic() time.Duration
	// Synchronised reports whether the wall clock is known to be right.
	Synchronised() bool
	// Real returns how long a stretch of this clock lasts on the machine's own, for timers.
	Real(d time.Duration) time.Duration
}

// kernelClock is the machine's own clock.
type kernelClock struct{ start time.Time }

// KernelClock returns the machine's own clock, with the kernel's word on whether it is synchronised.
func KernelClock() Timepiece { return kernelClock{time.Now()} }

func (k kernelClock) Now() time.Time                     { return time.Now() }
func (k kernelClock) Monotonic() time.Duration           { return time.Since(k.start) }
func (k kernelClock) Real(d time.Duration) time.Duration { return d }

// Synchronised asks the kernel (adjtimex(2)): the flag STA_UNSYNC is set until a time service has set the clock.
func (k kernelClock) Synchronised() bool {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	return err == nil && state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0
}

// fastClock runs from a moment at a multiple of the machine's pace.
type fastClock struct {
	begin, start time.Time
	speed        float64
}

// FastClock returns a clock that begins at a moment and runs speed times as fast as the machine's own.
func FastClock(begin time.Time, speed float64) Timepiece {
	return fastClock{begin.Round(0), time.Now(), speed}
}

func (f fastClock) Monotonic() time.Duration {
	return time.Duration(float64(time.Since(f.start)) * f.speed)
}
func (f fastClock) Now() time.Time     { return f.begin.Add(f.Monotonic()) }
func (f fastClock) Synchronised() bool { return true }
func (f fastClock) Real(d time.Duration) time.Duration {
	return max(time.Duration(float64(d)/f.speed), time.Millisecond)
}

// largestSlew is how far the wall clock may move against the monotonic one between two looks before it has stepped.
const largestSlew = time.Second

// stepGuard finds steps of the wall clock by comparing it with the monotonic one. Slow slewing is followed.
type stepGuard struct {
	wall  time.Time
	mono  time.Duration
	known bool
}

// look returns by how much the wall clock has stepped since the last look; 0 for no step.
func (g *stepGuard) look(t Timepiece) time.Duration {
	wall, mono, ok := together(t)
	if !ok {
		return 0
	}
	defer func() { g.wall, g.mono, g.known = wall, mono, true }()
	if !g.known {
		return 0
	}
	if moved := wall.Sub(g.wall) - (mono - g.mono); moved.Abs() > largestSlew {
		return moved
	}
	return 0
}

// together reads both clocks at one moment. A process that is held up between the two, on a board that has too much to do,
// would see a step that is none; after a few such tries the look is left for the next time.
func together(t Timepiece) (wall time.Time, mono time.Duration, ok bool) {
	for range 5 {
		before := t.Monotonic()
		wall = t.Now().Round(0)
		if mono = t.Monotonic(); mono-before < largestSlew/4 {
			return wall, mono, true
		}
	}
	return wall, mono, false
}

package daemon

import (
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// Clock is where the daemon gets its time from. Nothing else in the daemon asks the machine for it.
type Clock interface {
	// Now returns the wall clock, which may be wrong and may jump.
	Now() time.Time
	// Monotonic returns the time since some fixed moment; it never jumps.
	Monotonic() time.Duration
	// Boot names that moment, for a later process: the same one is meant as long as the name is the same. "" means a moment
	// of this process alone.
	Boot() string
	// Synchronised reports whether the wall clock is known to be right.
	Synchronised() bool
	// Real returns how long a stretch of this clock lasts on the machine's own, for timers.
	Real(d time.Duration) time.Duration
}

// kernelClock is the machine's own clock.
type kernelClock struct {
	start  time.Time
	booted time.Duration // before that
	boot   string
}

// KernelClock returns the machine's own clock, with the kernel's word on whether it is synchronised.
func KernelClock() Clock {
	k := kernelClock{start: time.Now()}
	var up unix.Timespec
	id, err := os.ReadFile("/proc/sys/kernel/random/boot_id") // proc_sys_kernel(5)
	if err == nil && unix.ClockGettime(unix.CLOCK_BOOTTIME, &up) == nil {
		k.booted, k.boot = time.Duration(up.Nano()), strings.TrimSpace(string(id))
	}
	return k
}

func (k kernelClock) Now() time.Time                     { return time.Now() }
func (k kernelClock) Monotonic() time.Duration           { return k.booted + time.Since(k.start) }
func (k kernelClock) Boot() string                       { return k.boot }
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
func FastClock(begin time.Time, speed float64) Clock {
	return fastClock{begin.Round(0), time.Now(), speed}
}

func (f fastClock) Monotonic() time.Duration {
	return time.Duration(float64(time.Since(f.start)) * f.speed)
}
func (f fastClock) Now() time.Time     { return f.begin.Add(f.Monotonic()) }
func (f fastClock) Synchronised() bool { return true }
func (f fastClock) Boot() string       { return "" }
func (f fastClock) Real(d time.Duration) time.Duration {
	return max(time.Duration(float64(d)/f.speed), time.Millisecond)
}

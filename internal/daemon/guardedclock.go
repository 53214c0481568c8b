package daemon

import (
	"log/slog"
	"sync/atomic"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/watch"
)

// maxSlew is how far the wall clock may move against the monotonic one between two looks before that counts as a step.
const maxSlew = time.Second

// latestWall is the end of the times that a wall clock is believed to show. Later ones come from a clock chip or a time service
// that is broken. The years up to 2200, which messages and the history can hold, leave room for the times ahead of now.
var latestWall = time.Date(2150, 1, 1, 0, 0, 0, 0, time.UTC)

// guardedClock is the time that the daemon uses. It runs with the monotonic clock, and follows the wall clock only when the
// loop calls look: slow slewing is followed silently, and a step is returned to the loop, which passes it to the core. So no
// reading carries a time of a step that the core does not know yet.
//
// An unconfirmed wall clock that shows an earlier time than the last record is certainly wrong: a board without a battery
// starts in the past. Then time continues from the last record until a step takes the wall clock beyond it or the clock is
// confirmed. A wall clock past [latestWall] is not followed at all: time continues by the monotonic clock, at a start
// from 1970 as on a board whose clock was never set.
type guardedClock struct {
	clock  Clock
	offset atomic.Int64 // guarded time less monotonic time; read from anywhere
	raw    time.Duration
	lifted bool // offset is ahead of raw, the wall clock's own
	known  bool
	absurd bool // the last look has found the wall clock past latestWall

	// These two belong to the loop.
	confirmed bool          // the clock is known to be right
	steps     time.Duration // sum of the sizes of all steps
}

// warnAbsurd says that the wall clock is not followed.
func (g *guardedClock) warnAbsurd(log *slog.Logger) {
	log.Warn("the clock of this machine shows a time that cannot be, and is not followed until it is set: "+
		"is its time service running, and the battery of its clock good?", "shows", g.clock.Now().UTC())
}

// synchronised reports whether the wall clock is known to be right. It may be called from anywhere.
func (g *guardedClock) synchronised() bool {
	return g.clock.Synchronised() && g.clock.Now().Before(latestWall)
}

// Now returns the guarded time. It may be called from anywhere.
func (g *guardedClock) Now() time.Time {
	if !g.known { // look was never called: an invented past, whose clock is right by definition
		return g.clock.Now()
	}
	return time.Unix(0, g.offset.Load()+int64(g.clock.Monotonic()))
}

// look compares the clocks and returns by how much guarded time has stepped; 0 for no step.
func (g *guardedClock) look(confirmed bool) time.Duration {
	raw, sure := g.compare()
	if !g.known {
		g.raw, g.known = raw, true
		g.offset.Store(int64(raw))
		return 0
	}
	if !sure {
		return 0
	}
	moved, before := raw-g.raw, time.Duration(g.offset.Load())
	g.raw = raw
	switch {
	case g.lifted && !confirmed && moved.Abs() <= maxSlew:
		g.offset.Store(int64(before + moved))
		return 0
	case g.lifted && !confirmed && raw < before:
		return 0 // still in the past
	}
	g.lifted = false
	g.offset.Store(int64(raw))
	if by := raw - before; by.Abs() > maxSlew {
		return by
	}
	return 0
}

// clockOffset returns the relation of the clocks, which the next run passes to resume.
func (g *guardedClock) clockOffset() watch.ClockOffset {
	return watch.ClockOffset{Boot: g.clock.Boot(), Wall: g.raw, Guarded: time.Duration(g.offset.Load())}
}

// resume takes over the relation of the clocks from an earlier run of the same boot, so that the next look finds a step that
// was made between the two runs.
func (g *guardedClock) resume(b watch.ClockOffset) {
	if b.Boot != "" && b.Boot == g.clock.Boot() {
		g.raw, g.lifted, g.known = b.Wall, b.Guarded-b.Wall > maxSlew, true
		g.offset.Store(int64(b.Guarded))
	}
}

// compare returns the wall clock less the monotonic one. It is not sure if each of its attempts was interrupted between
// reading the one and the other, since the delay would look like a step, nor if the wall clock is past [latestWall].
func (g *guardedClock) compare() (raw time.Duration, sure bool) {
	best := time.Duration(1<<63 - 1)
	for range 5 {
		before := g.clock.Monotonic()
		wall := g.clock.Now()
		if g.absurd = !wall.Before(latestWall); g.absurd {
			return 0, false
		}
		if took := g.clock.Monotonic() - before; took < best {
			best, raw = took, time.Duration(wall.UnixNano())-(before+took/2)
		}
		if best <= maxSlew/5 {
			return raw, true
		}
	}
	return raw, best <= maxSlew
}

// resumeFrom lets a run begin no earlier than the last record. If the clock is confirmed, the record is what is wrong: then
// resumeFrom returns the distance as a (negative) step that was made between the runs; 0 for none.
func (g *guardedClock) resumeFrom(last instant.Instant, confirmed bool) time.Duration {
	if last.IsNone() {
		return 0
	}
	ahead := last.Sub(instant.Of(g.Now()))
	if ahead <= maxSlew {
		return 0
	}
	if confirmed {
		return -ahead
	}
	g.offset.Add(int64(ahead))
	g.lifted = true
	return 0
}

// stamped is a sample and the clock offset with which its time was made, so that a step between the reading and the loop can
// be corrected. Readings of polled sensors carry the monotonic clock itself: offset 0.
type stamped struct {
	intake.Sample
	offset int64
}

// monotonic returns the time with which polled readings are stamped.
func (g *guardedClock) monotonic() time.Time { return time.Unix(0, int64(g.clock.Monotonic())) }

// restamp gives a sample its guarded time.
func (g *guardedClock) restamp(s stamped) intake.Sample {
	s.At = s.At.Add(time.Duration(g.offset.Load() - s.offset))
	return s.Sample
}

package daemon

import (
	"sync/atomic"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/watch"
)

// largestSlew is how far the wall clock may move against the monotonic one between two looks before it has stepped.
const maxSlew = time.Second

// latestWall is the end of the times that a wall clock is believed to show. Later ones come from a clock chip or a time service
// that is broken. The years up to 2200, which messages and the history can hold, leave room for the times ahead of now.
var latestWall = time.Date(2150, 1, 1, 0, 0, 0, 0, time.UTC)

// guardedClock is the time that the daemon goes by. It runs with the monotonic clock, and the wall clock moves it only when the
// loop looks: slow slewing is followed, and a step is told, so that nothing ever meets a time that the core has not heard of.
//
// A wall clock that nobody has confirmed and that shows an earlier time than the last record is certainly wrong: a board without
// a battery comes up in the past. Then time goes on from the last record until a step takes the wall clock beyond it or it
// is confirmed. A wall clock past [latestWall] is not followed at all: time goes on by the monotonic clock, at a start
// from 1970 as on a board whose clock was never set.
type guardedClock struct {
	piece  Timepiece
	offset atomic.Int64 // guarded time less monotonic time; read from anywhere
	raw    time.Duration
	lifted bool // offset is ahead of raw, the wall clock's own
	known  bool
	absurd bool // the last look has found the wall clock past latestWall
}

// synchronised reports whether the wall clock is known to be right. It may be called from anywhere.
func (g *guardedClock) synchronised() bool {
	return g.piece.Synchronised() && g.piece.Now().Before(latestWall)
}

// Now returns the guarded time. It may be called from anywhere.
func (g *guardedClock) Now() time.Time {
	if !g.known { // nobody has looked: an invented past, whose clock is right by definition
		return g.piece.Now()
	}
	return time.Unix(0, g.offset.Load()+int64(g.piece.Monotonic()))
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

// bearing tells the next run how the clock stands.
func (g *guardedClock) bearing() watch.ClockOffset {
	return watch.ClockOffset{Boot: g.piece.Boot(), Wall: g.raw, Guarded: time.Duration(g.offset.Load())}
}

// resume takes over how the clock stood in an earlier run of the same boot, so that the next look tells a step that was made
// between the two.
func (g *guardedClock) resume(b watch.ClockOffset) {
	if b.Boot != "" && b.Boot == g.piece.Boot() {
		g.raw, g.lifted, g.known = b.Wall, b.Guarded-b.Wall > maxSlew, true
		g.offset.Store(int64(b.Guarded))
	}
}

// compare returns the wall clock less the monotonic one. It is not sure when the machine was held up between the two every
// time, since that would look like a step, nor when the wall clock is past [latestWall].
func (g *guardedClock) compare() (raw time.Duration, sure bool) {
	best := time.Duration(1<<63 - 1)
	for range 5 {
		before := g.piece.Monotonic()
		wall := g.piece.Now()
		if g.absurd = !wall.Before(latestWall); g.absurd {
			return 0, false
		}
		if took := g.piece.Monotonic() - before; took < best {
			best, raw = took, time.Duration(wall.UnixNano())-(before+took/2)
		}
		if best <= maxSlew/5 {
			return raw, true
		}
	}
	return raw, best <= maxSlew
}

// goOn lets a run begin no earlier than the last record. It returns by how much that lies ahead of a confirmed clock, as
// a step that was made while nobody looked; 0 for none.
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

// stamped is a sample and the offset of the clock by which its time is stamped, so that a step between the reading and the loop
// can be made good. Readings of sensors that are polled are stamped with the monotonic clock itself: offset 0.
type stamped struct {
	intake.Sample
	offset int64
}

// monotonic stamps what is polled.
func (g *guardedClock) monotonic() time.Time { return time.Unix(0, int64(g.piece.Monotonic())) }

// restamp gives a sample its guarded time.
func (g *guardedClock) restamp(s stamped) intake.Sample {
	s.At = s.At.Add(time.Duration(g.offset.Load() - s.offset))
	return s.Sample
}

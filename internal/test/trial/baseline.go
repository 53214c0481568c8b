package trial

import (
	"math"
	"time"

	"dewline/internal/core/care"
)

// baseline is a simple program: it compares the values that it gets with the limits in force. It knows of no flags, no gaps
// and no faults; what it does not know of it cannot miss. It always knows the right time. After a start it remembers nothing.
type baseline struct {
	player   int
	holds    bool // it waits for the allowed time
	out      []int
	notified []bool
	scorer   *scorer
	setting  *setting
}

const inside = -1

func newBaseline(player int, holds bool, c *scorer) *baseline {
	n := len(c.setting.points) * care.LimitCount
	b := &baseline{player: player, holds: holds, scorer: c, setting: c.setting, out: make([]int, n), notified: make([]bool, n)}
	b.boot()
	return b
}

// boot forgets everything.
func (b *baseline) boot() {
	for i := range b.out {
		b.out[i], b.notified[i] = inside, false
	}
}

// take compares the value of a point. NaN says nothing.
func (b *baseline) take(point int, value float64) {
	if math.IsNaN(value) {
		return
	}
	t := b.scorer.truth
	limits := &t.bands[point]
	q := b.setting.points[point].name.Quantity
	for limit := care.CriticalLow; limit <= care.CriticalHigh; limit++ {
		i := point*care.LimitCount + int(limit)
		if !(over(value, limits.Limits[limit], limit) > 0) { // also where there is no such limit
			b.out[i], b.notified[i] = inside, false
			continue
		}
		if b.out[i] == inside {
			b.out[i] = t.step
		}
		wait := time.Duration(0)
		if b.holds {
			wait = limits.OnDelayOf(limit, q)
		}
		if !b.notified[i] && time.Duration(t.step-b.out[i])*stepTime >= wait {
			b.notified[i] = true
			b.scorer.call(b.player, &b.scorer.tallies[b.player].Phone, limitOf{point, limit}, "raised")
		}
	}
}

// standing reports whether it has raised a limit and not seen the value come back.
func (b *baseline) active(at limitOf) bool { return b.notified[at.point*care.LimitCount+int(at.limit)] }

package trial

import (
	"math"
	"time"

	"dewline/internal/core/care"
)

// baseline is a simple program: it compares the values that it gets with the limits in force. It knows of no flags, no gaps
// and no faults; what it does not know of it cannot miss. It always knows the right time. After a start it remembers nothing, and
// what it sends while the uplink is away is gone.
type baseline struct {
	player   int
	holds    bool // it waits for the allowed time
	out      []int
	notified []bool
	heard    []int // step at which the message arrived
	scorer   *scorer
	setting  *setting
}

const inside = -1

func newBaseline(player int, holds bool, c *scorer) *baseline {
	n := len(c.setting.points) * care.LimitCount
	b := &baseline{player: player, holds: holds, scorer: c, setting: c.setting, out: make([]int, n), notified: make([]bool, n), heard: make([]int, n)}
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
	limits := &t.bands[point].limits
	for limit := care.CriticalLow; limit <= care.CriticalHigh; limit++ {
		i := point*care.LimitCount + int(limit)
		if !(over(value, limits[limit], limit) > 0) { // also where there is no such limit
			b.out[i], b.notified[i] = inside, false
			continue
		}
		if b.out[i] == inside {
			b.out[i] = t.step
		}
		if b.notified[i] || b.holds && time.Duration(t.step-b.out[i])*stepTime < t.allowed(point, limit, b.out[i]) {
			continue
		}
		b.notified[i] = true
		b.heard[i] = b.scorer.call(b.player, limitOf{point, limit}, "raised", "")
	}
}

// knows reports whether the keeper knows of a limit: its message has arrived, and the value has not come back.
func (b *baseline) knows(at limitOf) bool {
	i := at.point*care.LimitCount + int(at.limit)
	return b.notified[i] && b.heard[i] <= b.scorer.truth.step
}

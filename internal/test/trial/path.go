package trial

import "time"

// path is the way of a message to the keeper: up through the uplink of the house, on through a push service, to a phone that may be
// off. It is the same for all players: what one sends in a minute fares as what another sends in that minute.
type path struct {
	uplink, phoneOff []span  // when either is away
	loss             float64 // share of messages that get lost after the service took them
	seed             uint64
}

// nowhere is the arrival of what does not arrive.
const nowhere = 1 << 30

// arrives returns the step at which the keeper's phone sounds for a message of a step. A sender that queues tries again until the
// uplink is back; what another one sends in vain is gone. None knows that a message was lost behind the service.
func (p *path) arrives(step int, queues bool) int {
	for _, s := range p.uplink {
		if s.holds(step) {
			if !queues {
				return nowhere
			}
			return p.arrives(s.to, true)
		}
	}
	return p.reaches(step)
}

// reaches is the same from the push service on, which keeps what a phone that is off does not take.
func (p *path) reaches(step int) int {
	if p.draw(step) < p.loss {
		return nowhere
	}
	for moved := true; moved; {
		moved = false
		for _, s := range p.phoneOff {
			if s.holds(step) {
				step, moved = s.to, true
			}
		}
	}
	return step
}

// open reports whether a message gets through at a step, unless it is lost.
func (p *path) open(step int) bool { return !anyHolds(p.uplink, step) && !anyHolds(p.phoneOff, step) }

// draw returns a number from 0 to 1 that depends on the step only (the finalizer of SplitMix64; Steele, Lea and Flood 2014).
func (p *path) draw(step int) float64 {
	z := p.seed + uint64(step)*0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return float64((z^z>>31)>>11) / (1 << 53)
}

// The heartbeat: a beat every five minutes, and a watch outside of the house that notifies the keeper where none came for fifteen.
const (
	beatEvery = 5 * time.Minute
	beatAlarm = 15 * time.Minute
)

// heartbeat is that watch.
type heartbeat struct {
	path     *path
	last     int // step of the last beat that arrived
	silent   bool
	heard    int // step at which the keeper heard of the silence
	Silences int // of the board or its uplink, of 30 minutes or longer
	Found    int // of which the keeper heard before 30 minutes were over, or later than that only because his phone was off
	calls    int
	counted  bool
}

// worth is how long a silence must last to be scored.
const worth = 30 * time.Minute

// follow lets a minute pass and reports whether the watch sends a message.
func (h *heartbeat) follow(step int, powered bool) (calls bool) {
	if powered && !anyHolds(h.path.uplink, step) {
		if step%int(beatEvery/stepTime) == 0 {
			h.last, h.silent, h.counted, h.heard = step, false, false, nowhere
		}
		return false
	}
	silence := time.Duration(step-h.last) * stepTime
	if !h.silent && silence > beatAlarm {
		h.silent, calls = true, true
		h.heard = h.path.reaches(step)
		h.calls++
	}
	if !h.counted && silence > worth {
		h.counted = true
		h.Silences++
		if h.heard != nowhere {
			h.Found++
		}
	}
	return calls
}

package auth

import (
	"net/netip"
	"time"
)

// The pace at which passwords may be tried: a few tries are free, since fingers slip, and then each failure doubles the wait.
// Failures count against the network they come from and never against the user alone: failed tries at a name from elsewhere must
// not lock its user out of the alarms. Common practice, no published source for the figures.
const (
	freeTries    = 5
	firstWait    = time.Second
	maxWait      = 15 * time.Minute
	maxDouble    = 10 // 2^10 s is more than maxWait
	forgiveAfter = time.Hour
	maxCounted   = 4096
)

// What all strangers together may try, from however many addresses: a try each two seconds is hopeless against twelve
// characters, and leaves the board its processor. A network with a successful log-in is no stranger.
const (
	workRoom  = 400
	workEvery = 2 * time.Second
)

// budget is work that comes back with time; the zero value is full.
type budget struct{ full time.Time } // when it would be full again

// spend takes one piece of work.
func (b *budget) spend(now time.Time) {
	if b.full.Before(now) {
		b.full = now
	}
	b.full = b.full.Add(workEvery)
}

// wait returns how long it takes until there is a piece of work again.
func (b *budget) wait(now time.Time) time.Duration {
	return max(max(b.full.Sub(now), 0)-(workRoom-1)*workEvery, 0) // the difference from a zero time is the least there is
}

// pace counts the failures of one kind of key. Its memory is bounded: where there are too many keys, one of those that failed
// longest ago gives way.
type throttle struct {
	tries map[string]tries
}

type tries struct {
	failures int
	last     time.Time
	until    time.Time
}

func newPace() *throttle { return &throttle{tries: map[string]tries{}} }

// wait returns how long the key must wait before its next try.
func (p *throttle) wait(key string, now time.Time) time.Duration {
	return max(p.tries[key].until.Sub(now), 0)
}

// fail counts a failure.
func (p *throttle) fail(key string, now time.Time) {
	t, found := p.tries[key]
	if !found && len(p.tries) >= maxCounted {
		p.drop()
	}
	if now.Sub(t.last) > forgiveAfter {
		t.failures = 0
	}
	t.failures++
	t.last = now
	if over := t.failures - freeTries; over >= 0 {
		t.until = now.Add(min(firstWait<<min(over, maxDouble), maxWait))
	}
	p.tries[key] = t
}

// drop forgets the one that failed longest ago among a few.
func (p *throttle) drop() {
	const among = 16
	oldest, n := "", 0
	for key, t := range p.tries { // in an order of chance
		if n == 0 || t.last.Before(p.tries[oldest].last) {
			oldest = key
		}
		if n++; n == among {
			break
		}
	}
	delete(p.tries, oldest)
}

// forgive forgets the failures of a key.
func (p *throttle) forgive(key string) { delete(p.tries, key) }

// Network is what addresses are counted by: an IPv6 subscriber has a whole /64 to try from.
func Network(address netip.Addr) string {
	address = address.Unmap().WithZone("")
	if address.Is6() {
		if prefix, err := address.Prefix(64); err == nil {
			return prefix.String()
		}
	}
	return address.String()
}

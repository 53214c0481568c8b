package access

import (
	"hash/maphash"
	"net/netip"
	"time"
)

// The pace at which passwords may be tried: a few tries are free, since fingers slip, and then each failure doubles the wait.
// Common practice, no published source for the figures. A user waits less than an address: who tries somebody's name from
// elsewhere should not keep them from their alarms for long, and a minute a try is already hopeless against twelve characters.
const (
	freeTries      = 5
	firstWait      = time.Second
	mostUserWait   = time.Minute
	mostAddrWait   = 15 * time.Minute
	forgiveAfter   = time.Hour
	paceBuckets    = 1024
	mostUserDouble = 6  // 2^6 s is more than mostUserWait
	mostAddrDouble = 10 // 2^10 s is more than mostAddrWait
)

// pace counts the failures of one kind of key. Its memory does not grow: keys share a fixed number of buckets by a hash that
// nobody outside can work out, so that two keys meet by chance only.
type pace struct {
	seed    maphash.Seed
	most    time.Duration
	double  int
	buckets [paceBuckets]tries
}

type tries struct {
	failures int
	last     time.Time
	until    time.Time
}

func newPace(most time.Duration, double int) *pace {
	return &pace{seed: maphash.MakeSeed(), most: most, double: double}
}

func (p *pace) bucket(key string) *tries {
	return &p.buckets[maphash.String(p.seed, key)%paceBuckets]
}

// wait returns how long the key must wait before its next try.
func (p *pace) wait(key string, now time.Time) time.Duration {
	return max(p.bucket(key).until.Sub(now), 0)
}

// fail counts a failure.
func (p *pace) fail(key string, now time.Time) {
	b := p.bucket(key)
	if now.Sub(b.last) > forgiveAfter {
		b.failures = 0
	}
	b.failures++
	b.last = now
	if over := b.failures - freeTries; over >= 0 {
		b.until = now.Add(min(firstWait<<min(over, p.double), p.most))
	}
}

// forgive forgets the failures of a key.
func (p *pace) forgive(key string) { *p.bucket(key) = tries{} }

// network is what addresses are counted by: an IPv6 subscriber has a whole /64 to try from.
func network(address netip.Addr) string {
	address = address.Unmap().WithZone("")
	if address.Is6() {
		if prefix, err := address.Prefix(64); err == nil {
			return prefix.String()
		}
	}
	return address.String()
}

package mqttfed

import (
	"time"
)

// How fast samples of one source are taken. A board that goes wrong sends thousands in a second; each would be kept, and each
// crossing of a limit written down. Twice the pace that the sensor is said to have, or one a second, is enough for any part that
// is well; some may come at once, after a time without radio for example.
const (
	maxBurst          = 1000
	minBurst          = 60
	minThrottleEvery  = time.Second
	throttleComplaint = time.Hour // between two words about one source
)

// pace is the room that a source has. The zero value is full.
type throttle struct {
	full     time.Time // when all of the room would be there again
	left     int       // samples left out since the last word about it
	complain time.Time // when the next word is due
}

// every returns how often a sample of a source is taken for ever.
func (s *source) every() time.Duration {
	if s.Every <= 0 {
		return minThrottleEvery
	}
	return min(minThrottleEvery, s.Every/2)
}

// burst returns how many may come at once: what the source may have gathered in the time for which its samples count.
func (s *source) burst() time.Duration {
	gathered := minBurst
	if s.Every > 0 {
		gathered = int(min(2*s.StaleAfter/s.Every, maxBurst))
	}
	return time.Duration(max(gathered, minBurst)) * s.every()
}

// take reports whether there is room for one more sample, and says once in a while that there is none.
func (p *throttle) take(now time.Time, every, burst time.Duration) (room, say bool) {
	if p.full.Before(now) {
		p.full = now
	}
	if p.full.Sub(now) <= burst-every {
		p.full = p.full.Add(every)
		return true, false
	}
	p.left++
	if now.Before(p.complain) {
		return false, false
	}
	p.complain = now.Add(throttleComplaint)
	return false, true
}

package mqttfed

import (
	"time"
)

// The rate at which samples of one source are taken. A faulty board sends thousands in a second; each would be recorded, and so
// would each crossing of a limit. Twice the configured rate of the sensor, or one a second, is enough for any working part; a burst
// is allowed, for example after a time without radio.
const (
	maxBurst          = 1000
	minBurst          = 60
	minThrottleEvery  = time.Second
	throttleComplaint = time.Hour // between two log lines about one source
)

// throttle limits the rate of one source. The zero value has its whole burst.
type throttle struct {
	full     time.Time // when the whole burst is available again
	left     int       // samples left out since the last log line about it
	complain time.Time // when the next log line is due
}

// every returns the interval at which samples of a source are taken continuously.
func (s *source) every() time.Duration {
	if s.Every <= 0 {
		return minThrottleEvery
	}
	return min(minThrottleEvery, s.Every/2)
}

// burst returns how many may come at once: what the source may have collected in the time for which its samples count.
func (s *source) burst() time.Duration {
	gathered := minBurst
	if s.Every > 0 {
		gathered = int(min(2*s.StaleAfter/s.Every, maxBurst))
	}
	return time.Duration(max(gathered, minBurst)) * s.every()
}

// take reports whether one more sample is taken, and whether a log line about those left out is due.
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

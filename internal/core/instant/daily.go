package instant

import "time"

// Daily is an hour of the day by the clock of a place.
type Daily struct {
	Minutes  int // after midnight
	Location *time.Location
}

// Last returns the latest such hour that is not after now: one a day. On a day whose clock skips the hour it is the skip, on a day whose
// clock shows it twice the first of the two.
func (d *Daily) Last(now Instant) Instant {
	year, month, day := now.Time().In(d.Location).Date()
	for back := 0; ; back++ {
		if last := Of(OnClock(year, month, day-back, d.Minutes, d.Location)); last <= now {
			return last
		}
	}
}

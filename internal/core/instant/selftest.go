package instant

import "time"

// Weekly is an hour of the week by the clock of a place.
type Weekly struct {
	Weekday  time.Weekday
	Minutes  int // after midnight
	Location *time.Location
}

// Last returns the latest such hour that is not after now. An hour that a day of 23 hours leaves out is taken as [time.Date] takes it.
func (w *Weekly) Last(now Instant) Instant {
	local := now.Time().In(w.Location)
	days := (int(local.Weekday()) - int(w.Weekday) + 7) % 7
	on := func(days int) Instant {
		return Of(time.Date(local.Year(), local.Month(), local.Day()-days, 0, w.Minutes, 0, 0, w.Location))
	}
	if last := on(days); last <= now {
		return last
	}
	return on(days + 7)
}

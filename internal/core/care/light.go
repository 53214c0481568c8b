package care

import (
	"time"

	"dewline/internal/core/instant"
)

// Light holds the hours of light of a site: two local times of day in an IANA time zone. The day may wrap around midnight.
//
// On a day whose clock skips a switching time, the switch happens at the skip; on a day whose clock shows it twice, at
// the first of the two.
type Light struct {
	Location  *time.Location
	From, To  int  // minutes after local midnight, 0 to 1440
	AlwaysDay bool // no light hours are given: the day band holds at all times
}

// IsDay reports whether t lies in the light hours. The first instant of the light hours is day, their end is night.
func (l *Light) IsDay(t time.Time) bool {
	if l.constant() {
		return true
	}
	// Compare instants, not clock faces: around a DST change a wall-clock comparison would call the repeated hour twice.
	// Tomorrow is looked at as well, since a clock set back over midnight returns to a date that had already ended.
	year, month, day := t.In(l.Location).Date()
	for offset := -1; offset <= 1; offset++ {
		from := instant.OnClock(year, month, day+offset, l.From, l.Location)
		if t.Before(from) {
			return false // later days begin later still
		}
		last := day + offset
		if l.To < l.From {
			last++
		}
		if t.Before(instant.OnClock(year, month, last, l.To, l.Location)) {
			return true
		}
	}
	return false
}

// NextSwitch returns the first instant after t at which day turns to night or night to day; the zero time when the
// light never changes.
func (l *Light) NextSwitch(t time.Time) time.Time {
	if l.constant() {
		return time.Time{}
	}
	isDay := l.IsDay(t)
	year, month, day := t.In(l.Location).Date()
	first, second := min(l.From, l.To), max(l.From, l.To)
	// A skipped hour or date can swallow a whole day or night, so a candidate counts only if the light does change there.
	for offset := -1; offset <= 3; offset++ {
		for _, minute := range [...]int{first, second} {
			at := instant.OnClock(year, month, day+offset, minute, l.Location)
			if at.After(t) && l.IsDay(at) != isDay {
				return at
			}
		}
	}
	return time.Time{}
}

// constant reports whether there is no night.
func (l *Light) constant() bool {
	return l.AlwaysDay || l.From == l.To || l.To-l.From == 24*60
}

// NextMidnight returns the first local midnight after t: the end of t's local day, which is 23, 24 or 25 hours long in
// most zones. Where midnight does not exist on a day (some zones change their clocks then), it is the day's first
// instant. A date that a zone left out altogether has no day. Where the clock was set back from after midnight to
// before it, the repeated part belongs to the day that had begun.
func NextMidnight(t time.Time, location *time.Location) time.Time {
	year, month, day := t.In(location).Date()
	for offset := 1; ; offset++ {
		if next := instant.OnClock(year, month, day+offset, 0, location); next.After(t) {
			return next
		}
	}
}

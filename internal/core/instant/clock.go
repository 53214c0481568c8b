package instant

import "time"

// OnClock returns the first instant at which the local clock shows the given minute of the day or a later time. Unlike
// [time.Date] it settles times that the clock skips (the instant of the skip) and times that it shows twice (the first)
// alike in all zones.
func OnClock(year int, month time.Month, day, minute int, location *time.Location) time.Time {
	face := time.Date(year, month, day, 0, minute, 0, 0, time.UTC) // what the clock must show, as if it were UTC
	at := face.Add(-24 * time.Hour).In(location)                   // no zone is a whole day away from UTC: not yet reached
	for {
		_, offset := at.Zone()
		start, end := at.ZoneBounds()
		candidate := face.Add(-time.Duration(offset) * time.Second).In(location)
		if candidate.Before(start) {
			candidate = start // skipped by the change of the clock
		}
		if end.IsZero() || candidate.Before(end) {
			return candidate
		}
		at = end
	}
}

// Package instant holds points in time as whole nanoseconds, so that interval arithmetic is exact: sums of intervals
// equal the elapsed time to the last digit.
package instant

import (
	"fmt"
	"time"
)

// Instant is a point in time: nanoseconds since 1970-01-01T00:00:00Z. It reaches from 1678 to 2262.
type Instant int64

// None means "no such time". It is earlier than every real instant.
const None Instant = -1 << 63

// Of returns the instant of t.
func Of(t time.Time) Instant { return Instant(t.UnixNano()) }

// OfKnown returns the instant of t, None for the zero time.
func OfKnown(t time.Time) Instant {
	if t.IsZero() {
		return None
	}
	return Of(t)
}

// Time returns the instant in UTC.
func (i Instant) Time() time.Time { return time.Unix(0, int64(i)).UTC() }

// Add returns the instant d later.
func (i Instant) Add(d time.Duration) Instant { return i + Instant(d) }

// Shift moves times by a step of the clock; None stays None.
func Shift(by time.Duration, times ...*Instant) {
	for _, t := range times {
		if !t.IsNone() {
			*t = t.Add(by)
		}
	}
}

// ShiftEach is [Shift] for the times of a map.
func ShiftEach[K comparable](by time.Duration, times map[K]Instant) {
	for k, t := range times {
		Shift(by, &t)
		times[k] = t
	}
}

// ShiftKnown is [Shift] for times of which the zero one is none.
func ShiftKnown(by time.Duration, times ...*time.Time) {
	for _, t := range times {
		if !t.IsZero() {
			*t = t.Add(by)
		}
	}
}

// Sub returns the time from earlier to i.
func (i Instant) Sub(earlier Instant) time.Duration { return time.Duration(i - earlier) }

// IsNone reports whether there is no such time.
func (i Instant) IsNone() bool { return i == None }

// Rounded returns the nearest whole millisecond: times of the history are no finer.
func (i Instant) Rounded() Instant {
	if i%Instant(time.Millisecond) == 0 {
		return i
	}
	return Of(i.Time().Round(time.Millisecond))
}

// String writes the instant as RFC 3339 in UTC with milliseconds, rounded to the nearest one; "" for None.
func (i Instant) String() string {
	if i.IsNone() {
		return ""
	}
	return i.Time().Round(time.Millisecond).Format("2006-01-02T15:04:05.000Z")
}

// MarshalJSON writes the instant as a string in RFC 3339 with milliseconds, None as null.
func (i Instant) MarshalJSON() ([]byte, error) {
	if i.IsNone() {
		return []byte("null"), nil
	}
	return []byte(`"` + i.String() + `"`), nil
}

// UnmarshalJSON reads RFC 3339, or null as None.
func (i *Instant) UnmarshalJSON(data []byte) error {
	if string(data) == "null" {
		*i = None
		return nil
	}
	if len(data) < 2 || data[0] != '"' || data[len(data)-1] != '"' {
		return fmt.Errorf("time %s is not a string in RFC 3339", data)
	}
	parsed, err := Parse(string(data[1 : len(data)-1]))
	if err != nil {
		return err
	}
	*i = parsed
	return nil
}

// Parse reads an RFC 3339 time.
func Parse(text string) (Instant, error) {
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return None, fmt.Errorf("time %q is not of the form 2026-07-01T13:30:00Z (RFC 3339)", text)
	}
	if t.Year() < 1700 || t.Year() > 2200 {
		return None, fmt.Errorf("time %q lies outside the years 1700 to 2200", text)
	}
	return Of(t), nil
}

// Package timetext reads times and durations as people write them, on the command line and in the configuration.
//
// A time is one of
//
//	2026-07-14T20:00:00+01:00   RFC 3339
//	2026-07-14                  a date: the first instant of that day at the site
//	2026-07-14 20:00            by the clock of the site; seconds may follow
//	90m, 1d, "2 h", "2h ago"    so long ago
//
// Where the clock of the site is set forward, a time that it skips is an error. Where it is set back, a time that it shows twice is
// the first of the two; RFC 3339 with its offset names the second.
package timetext

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
)

// Parse reads a time. The location is that of the site; durations count back from now.
func Parse(text string, location *time.Location, now time.Time) (instant.Instant, error) {
	text = strings.TrimSpace(text)
	if day, err := time.Parse(time.DateOnly, text); err == nil {
		return startOfDay(day, location, text)
	}
	for _, layout := range [...]string{"2006-01-02 15:04", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02T15:04:05"} {
		if face, err := time.Parse(layout, text); err == nil {
			return onTheClock(face, location, text)
		}
	}
	if length, err := ParseDuration(strings.TrimSuffix(text, " ago")); err == nil {
		return inRange(now.Add(-length), text)
	}
	at, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return instant.None, fmt.Errorf(
			`time %.60q is none of 2026-07-14T20:00:00Z, 2026-07-14, "2026-07-14 20:00" (local time) and 90m or 7d (so long ago)`, text)
	}
	return inRange(at, text)
}

// startOfDay returns the first instant of a local day.
func startOfDay(day time.Time, location *time.Location, text string) (instant.Instant, error) {
	noon := time.Date(day.Year(), day.Month(), day.Day()-1, 12, 0, 0, 0, location)
	return inRange(care.NextMidnight(noon, location), text)
}

// onTheClock returns when the clock of a location first shows what face shows in UTC.
func onTheClock(face time.Time, location *time.Location, text string) (instant.Instant, error) {
	first := time.Time{}
	for _, nearby := range [...]time.Duration{-24 * time.Hour, 24 * time.Hour} { // no zone is further from UTC, and none changes twice in two days
		_, offset := face.Add(nearby).In(location).Zone()
		at := face.Add(-time.Duration(offset) * time.Second)
		if _, shown := at.In(location).Zone(); shown == offset && (first.IsZero() || at.Before(first)) {
			first = at
		}
	}
	if first.IsZero() {
		return instant.None, fmt.Errorf("time %.60q does not exist in %s: the clock was set forward over it", text, location)
	}
	return inRange(first, text)
}

func inRange(t time.Time, text string) (instant.Instant, error) {
	if t.Year() < 1700 || t.Year() > 2200 {
		return instant.None, fmt.Errorf("time %.60q lies outside the years 1700 to 2200", text)
	}
	return instant.Of(t), nil
}

// Duration is a length of time that is read by [ParseDuration], for flags.
type Duration time.Duration

// UnmarshalText implements [encoding.TextUnmarshaler].
func (d *Duration) UnmarshalText(text []byte) error {
	length, err := ParseDuration(string(text))
	if err != nil {
		return err
	}
	*d = Duration(length)
	return nil
}

// String writes a duration the way people do, without the zero units that [time.Duration] prints.
func (d Duration) String() string {
	if d == 0 {
		return "0"
	}
	text := time.Duration(d).String()
	if strings.HasSuffix(text, "m0s") {
		text = strings.TrimSuffix(text, "0s")
	}
	if strings.HasSuffix(text, "h0m") {
		text = strings.TrimSuffix(text, "0m")
	}
	return text
}

// units are the units of a duration. A year is 365 days: it serves to say how long history is kept.
var units = map[string]time.Duration{
	"ms": time.Millisecond, "s": time.Second, "m": time.Minute, "min": time.Minute, "h": time.Hour,
	"d": 24 * time.Hour, "w": 7 * 24 * time.Hour, "y": 365 * 24 * time.Hour,
}

// ParseDuration reads a length of time such as "10s", "15m", "1h30m", "2 h", "7d" or "2y" (ms, s, m or min, h, d, w, y; a year
// is 365 days). Numbers are whole or decimal and not negative; a bare number is an error, except 0.
func ParseDuration(text string) (time.Duration, error) {
	rest := strings.ReplaceAll(text, " ", "")
	if rest == "0" {
		return 0, nil
	}
	if rest == "" {
		return 0, fmt.Errorf("a duration is empty: write one such as 10s, 15m or 2h")
	}
	var total time.Duration
	for rest != "" {
		digits := rest[:len(rest)-len(strings.TrimLeft(rest, "0123456789."))]
		rest = rest[len(digits):]
		symbol := rest[:len(rest)-len(strings.TrimLeft(rest, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"))]
		rest = rest[len(symbol):]
		number, err := strconv.ParseFloat(digits, 64)
		if err != nil || digits == "" {
			return 0, fmt.Errorf("%.60q is not a duration such as 10s, 15m, 2h or 7d", text)
		}
		if symbol == "" {
			return 0, fmt.Errorf("duration %.60q needs a unit: s, m, h, d, w or y", text)
		}
		length := units[symbol]
		if length == 0 {
			return 0, fmt.Errorf("duration %.60q: unknown unit %.60q (s, m, h, d, w or y)", text, symbol)
		}
		const maxSpan = 100 * 365 * 24 * time.Hour // far from overflow, and longer than any use here
		part := math.Round(number * float64(length))
		if part > float64(maxSpan) || total+time.Duration(part) > maxSpan {
			return 0, fmt.Errorf("duration %.60q is longer than 100 years", text)
		}
		total += time.Duration(part)
	}
	return total, nil
}

package recorded

import (
	"errors"
	"time"

	"dewline/internal/core/instant"
)

// errTime is returned for a text that is no RFC 3339 time. It carries no text, so that the hot path allocates nothing.
var errTime = errors.New("not of the form 2026-07-01T13:30:00Z (RFC 3339)")

// errYears is returned for a time no file of readings can hold.
var errYears = errors.New("outside the years 1700 to 2200")

var (
	earliest = instant.Of(time.Date(1700, 1, 1, 0, 0, 0, 0, time.UTC))
	latest   = instant.Of(time.Date(2200, 12, 31, 23, 59, 59, 999999999, time.UTC))
)

// parseTime reads an RFC 3339 time. It exists beside [instant.Parse] for speed (a year of readings holds millions of
// times) and is stricter: exactly the digits of the standard, upper-case T and Z, offsets below 24 h. Digits of the second
// beyond the ninth are cut, as in package time.
func parseTime(text []byte) (instant.Instant, error) {
	if len(text) < len("2006-01-02T15:04:05Z") ||
		text[4] != '-' || text[7] != '-' || text[10] != 'T' || text[13] != ':' || text[16] != ':' {
		return instant.None, errTime
	}
	year := digits(text[0:4])
	month := digits(text[5:7])
	day := digits(text[8:10])
	hour := digits(text[11:13])
	minute := digits(text[14:16])
	second := digits(text[17:19])
	if year < 0 || month < 1 || month > 12 || day < 1 || day > daysIn(year, month) ||
		hour < 0 || hour > 23 || minute < 0 || minute > 59 || second < 0 || second > 59 {
		return instant.None, errTime
	}
	if year < 1700 || year > 2200 {
		return instant.None, errYears
	}
	nanosecond, rest, ok := fraction(text[19:])
	if !ok {
		return instant.None, errTime
	}
	offset, ok := zoneOffset(rest)
	if !ok {
		return instant.None, errTime
	}
	seconds := daysSince1970(year, month, day)*86400 + int64(hour*3600+minute*60+second) - offset
	at := instant.Instant(seconds*1e9 + nanosecond)
	if at < earliest || at > latest {
		return instant.None, errYears
	}
	return at, nil
}

// digits reads a number of at most four digits; -1 where there is anything else.
func digits(text []byte) int {
	n := 0
	for _, c := range text {
		if c < '0' || c > '9' {
			return -1
		}
		n = n*10 + int(c-'0')
	}
	return n
}

// fraction reads an optional fraction of a second, in nanoseconds.
func fraction(text []byte) (nanosecond int64, rest []byte, ok bool) {
	if text[0] != '.' {
		return 0, text, true
	}
	end, unit := 1, int64(1e8)
	for end < len(text) && text[end] >= '0' && text[end] <= '9' {
		nanosecond += int64(text[end]-'0') * unit
		unit /= 10
		end++
	}
	return nanosecond, text[end:], end > 1
}

// zoneOffset reads Z or ±hh:mm and returns seconds east of UTC.
func zoneOffset(text []byte) (seconds int64, ok bool) {
	if len(text) == 1 && text[0] == 'Z' {
		return 0, true
	}
	if len(text) != len("+00:00") || text[0] != '+' && text[0] != '-' || text[3] != ':' {
		return 0, false
	}
	hour, minute := digits(text[1:3]), digits(text[4:6])
	if hour < 0 || hour > 23 || minute < 0 || minute > 59 {
		return 0, false
	}
	seconds = int64(hour*3600 + minute*60)
	if text[0] == '-' {
		seconds = -seconds
	}
	return seconds, true
}

// daysIn returns the number of days of a month of the Gregorian calendar.
func daysIn(year, month int) int {
	switch month {
	case 4, 6, 9, 11:
		return 30
	case 2:
		if year%4 == 0 && (year%100 != 0 || year%400 == 0) {
			return 29
		}
		return 28
	}
	return 31
}

// daysSince1970 counts the days of the Gregorian calendar from 1970-01-01. The year is taken to begin in March, so that
// the leap day is its last day.
func daysSince1970(year, month, day int) int64 {
	if month < 3 {
		year--
		month += 12
	}
	monthDays := (153*(month-3) + 2) / 5 // 31 30 31 30 31 | 31 30 31 30 31 | 31 28, from March
	const daysTo1970 = 719468            // from 0000-03-01 to 1970-01-01
	return int64(365*year+year/4-year/100+year/400+monthDays+day-1) - daysTo1970
}

package config

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/format/timetext"
)

func formatDuration(d time.Duration) string { return timetext.Duration(d).String() }

// hours are two times of day, in minutes after midnight.
type hours struct{ from, to int }

// parseLightHours reads two local times of day, "07:00-19:00".
func parseLightHours(text string) (hours, error) {
	h, err := parseHours("light hours", text)
	if err == nil && (h.from == h.to || h.from == 0 && h.to == 24*60) {
		err = fmt.Errorf("light hours %s leave no night: leave out light where the day never ends", quoted(text))
	}
	return h, err
}

// parseHours reads hours of the day, such as "22:00-07:00"; errors begin with what.
func parseHours(what, text string) (h hours, err error) {
	first, second, found := strings.Cut(strings.ReplaceAll(text, "–", "-"), "-")
	if !found {
		return h, fmt.Errorf("%s %s are not of the form 07:00-19:00", what, quoted(text))
	}
	if h.from, err = parseTimeOfDay(first); err == nil {
		h.to, err = parseTimeOfDay(second)
	}
	h.from %= 24 * 60
	return h, err
}

// parseTimeOfDay reads "07:00" as minutes after midnight; "24:00" is the end of the day.
func parseTimeOfDay(text string) (int, error) {
	bad := fmt.Errorf("time of day %s is not of the form 07:00", quoted(strings.TrimSpace(text)))
	hours, minutes, found := strings.Cut(strings.TrimSpace(text), ":")
	if !found || len(hours) > 2 || len(minutes) != 2 {
		return 0, bad
	}
	h, errHours := strconv.ParseUint(hours, 10, 8)
	m, errMinutes := strconv.ParseUint(minutes, 10, 8)
	if errHours != nil || errMinutes != nil || h > 24 || m > 59 || h == 24 && m > 0 {
		return 0, bad
	}
	return int(h*60 + m), nil
}

var weekdays = []string{"sunday", "monday", "tuesday", "wednesday", "thursday", "friday", "saturday"}

// parseWeekly reads an hour of the week, such as "sunday 10:00".
func parseWeekly(what, text string, location *time.Location) (weekly instant.Weekly, err error) {
	day, hour, found := strings.Cut(strings.TrimSpace(text), " ")
	if !found {
		return weekly, fmt.Errorf("%s %s is not of the form sunday 10:00", what, quoted(text))
	}
	number := slices.Index(weekdays, strings.ToLower(day))
	if number < 0 {
		return weekly, errors.New(UnknownWord("weekday", day, weekdays))
	}
	minutes, err := parseTimeOfDay(hour)
	if err == nil && minutes == 24*60 {
		err = fmt.Errorf("%s %s: the day ends then: give 00:00 of the next", what, quoted(text))
	}
	return instant.Weekly{Weekday: time.Weekday(number), Minutes: minutes, Location: location}, err
}

// parseTime reads a date, which means the first instant of that local day, or an RFC 3339 time.
func parseTime(text string, location *time.Location) (time.Time, error) {
	if day, err := time.Parse("2006-01-02", text); err == nil {
		if day.Year() < 1970 || day.Year() > 2200 {
			return time.Time{}, fmt.Errorf("date %s lies outside the years 1970 to 2200", quoted(text))
		}
		// From noon of the day before, since some zones have days that do not begin at midnight.
		noon := time.Date(day.Year(), day.Month(), day.Day()-1, 12, 0, 0, 0, location)
		at := care.NextMidnight(noon, location)
		for range 12 { // a clock change can leave the result on the day before, by an hour or so
			if at.In(location).Format(time.DateOnly) >= text {
				break
			}
			at = at.Add(15 * time.Minute)
		}
		return at.In(location), nil
	}
	at, err := instant.Parse(text)
	if err != nil {
		return time.Time{}, fmt.Errorf("%s is neither a date such as 2026-09-01 nor a time such as 2026-09-01T14:30:00Z", quoted(text))
	}
	return at.Time().In(location), nil
}

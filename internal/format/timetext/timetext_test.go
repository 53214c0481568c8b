package timetext_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/format/timetext"
)

var now = time.Date(2026, 7, 20, 9, 30, 0, 0, time.UTC)

func zone(t require.TestingT, name string) *time.Location {
	location, err := time.LoadLocation(name)
	require.NoError(t, err)
	return location
}

func TestParse(t *testing.T) {
	for _, c := range []struct{ zone, text, want string }{
		{"Europe/Lisbon", "2026-07-14T20:00:00+02:00", "2026-07-14T18:00:00.000Z"},
		{"Europe/Lisbon", "2026-07-14T20:00:00.125Z", "2026-07-14T20:00:00.125Z"},
		{"Europe/Lisbon", "2026-07-14", "2026-07-13T23:00:00.000Z"},
		{"Europe/Lisbon", "2026-01-14", "2026-01-14T00:00:00.000Z"},
		{"America/New_York", "2026-07-14", "2026-07-14T04:00:00.000Z"},
		{"Europe/Lisbon", "2026-07-14 20:00", "2026-07-14T19:00:00.000Z"},
		{"Europe/Lisbon", "2026-07-14 20:00:30", "2026-07-14T19:00:30.000Z"},
		{"Europe/Lisbon", "2026-07-14T20:00", "2026-07-14T19:00:00.000Z"},
		{"Europe/Lisbon", " 2026-07-14 20:00 ", "2026-07-14T19:00:00.000Z"},
		{"Europe/Lisbon", "90m", "2026-07-20T08:00:00.000Z"},
		{"Europe/Lisbon", "2 h", "2026-07-20T07:30:00.000Z"},
		{"Europe/Lisbon", "1d", "2026-07-19T09:30:00.000Z"},
		{"Europe/Lisbon", "2h ago", "2026-07-20T07:30:00.000Z"},

		{"Europe/Lisbon", "2026-10-25 01:30", "2026-10-25T00:30:00.000Z"}, // shown twice: the first
		{"Europe/Lisbon", "2026-10-25 00:59", "2026-10-24T23:59:00.000Z"},
		{"Europe/Lisbon", "2026-10-25 02:00", "2026-10-25T02:00:00.000Z"},
		{"Europe/Lisbon", "2026-03-29 02:00", "2026-03-29T01:00:00.000Z"},
		{"Europe/Lisbon", "2026-03-29 00:59:59", "2026-03-29T00:59:59.000Z"},
		{"Australia/Lord_Howe", "2026-04-05 01:45", "2026-04-04T14:45:00.000Z"}, // set back by half an hour
		{"Pacific/Kiritimati", "2026-07-14 20:00", "2026-07-14T06:00:00.000Z"},
		{"Asia/Beirut", "2026-03-29", "2026-03-28T22:00:00.000Z"}, // the clock skips midnight: the day begins at 01:00
	} {
		got, err := timetext.Parse(c.text, zone(t, c.zone), now)
		require.NoError(t, err, c.text)
		assert.Equal(t, c.want, got.String(), "%s in %s", c.text, c.zone)
	}
	for text, want := range map[string]string{
		"2026-03-29 01:30":     `time "2026-03-29 01:30" does not exist in Europe/Lisbon: the clock was set forward over it`,
		"2026-03-29 01:00":     `time "2026-03-29 01:00" does not exist in Europe/Lisbon: the clock was set forward over it`,
		"yesterday":            `time "yesterday" is none of 2026-07-14T20:00:00Z, 2026-07-14, "2026-07-14 20:00" (local time) and 90m or 7d (so long ago)`,
		"2026-02-30":           `time "2026-02-30" is none of`,
		"14.07.2026":           `is none of`,
		"":                     `time "" is none of`,
		"1650-01-01":           `lies outside the years 1700 to 2200`,
		"2300-01-01 10:00":     `lies outside the years 1700 to 2200`,
		"9999-01-01T00:00:00Z": `lies outside the years 1700 to 2200`,
	} {
		_, err := timetext.Parse(text, zone(t, "Europe/Lisbon"), now)
		assert.ErrorContains(t, err, want, text)
	}
}

// A local time is read as a moment at which the clock shows it, and as the first such moment.
func TestLocalTimesAreThoseOfTheClock(t *testing.T) {
	zones := []string{"Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "Asia/Beirut", "UTC"}
	rapid.Check(t, func(t *rapid.T) {
		location := zone(t, rapid.SampledFrom(zones).Draw(t, "zone"))
		at := time.Unix(rapid.Int64Range(1_600_000_000, 1_900_000_000).Draw(t, "at"), 0).In(location)
		got, err := timetext.Parse(at.Format(time.DateTime), location, now)
		require.NoError(t, err, "the clock shows it")
		require.Equal(t, at.Format(time.DateTime), got.Time().In(location).Format(time.DateTime))
		require.False(t, got.Time().After(at))
		day, err := timetext.Parse(at.Format(time.DateOnly), location, now)
		require.NoError(t, err)
		require.Equal(t, at.Format(time.DateOnly), day.Time().In(location).Format(time.DateOnly))
		require.NotEqual(t, at.Format(time.DateOnly), day.Time().Add(-1).In(location).Format(time.DateOnly))
	})
}

func TestParseDuration(t *testing.T) {
	const day = 24 * time.Hour
	good := map[string]time.Duration{
		"10s": 10 * time.Second, "15m": 15 * time.Minute, "15min": 15 * time.Minute, "2h": 2 * time.Hour, "7d": 7 * day,
		"2w": 14 * day, "2y": 730 * day, "1h30m": 90 * time.Minute, "1.5h": 90 * time.Minute, "1d 12h": 36 * time.Hour,
		"2 h": 2 * time.Hour, "250ms": 250 * time.Millisecond, "0": 0, "0s": 0, "100y": 36500 * day,
	}
	for text, expected := range good {
		var got timetext.Duration
		require.NoError(t, got.UnmarshalText([]byte(text)), text)
		assert.Equal(t, expected, time.Duration(got), text)
	}
	bad := map[string]string{
		"":                                 "a duration is empty: write one such as 10s, 15m or 2h",
		"10":                               `duration "10" needs a unit: s, m, h, d, w or y`,
		"1h30":                             `duration "1h30" needs a unit: s, m, h, d, w or y`,
		"-5m":                              `"-5m" is not a duration such as 10s, 15m, 2h or 7d`,
		"soon":                             `"soon" is not a duration such as 10s, 15m, 2h or 7d`,
		"10 mins":                          `duration "10 mins": unknown unit "mins" (s, m, h, d, w or y)`,
		"1H":                               `duration "1H": unknown unit "H" (s, m, h, d, w or y)`,
		"1..5s":                            `"1..5s" is not a duration such as 10s, 15m, 2h or 7d`,
		"101y":                             `duration "101y" is longer than 100 years`,
		"99y2y":                            `duration "99y2y" is longer than 100 years`,
		"9999999999999999999999999999999y": `duration "9999999999999999999999999999999y" is longer than 100 years`,
		"1µs":                              `duration "1µs" needs a unit: s, m, h, d, w or y`,
	}
	for text, expected := range bad {
		var got timetext.Duration
		assert.EqualError(t, got.UnmarshalText([]byte(text)), expected, text)
	}
}

func FuzzParse(f *testing.F) {
	for _, text := range []string{"2026-07-14T20:00:00Z", "2026-07-14", "2026-03-29 01:30", "90m", "1d 2 h", "0001-01-01", "9999-12-31 23:59", "100y"} {
		f.Add(text)
	}
	lisbon := zone(f, "Europe/Lisbon")
	f.Fuzz(func(t *testing.T, text string) {
		at, err := timetext.Parse(text, lisbon, now)
		if err == nil {
			require.InDelta(t, 1950, at.Time().Year(), 251)
		}
	})
}

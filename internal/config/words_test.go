package config

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/format/timetext"
)

// TestDurationsReadBackWhatIsWritten: a duration in a message can be pasted into the file.
func TestDurationsReadBackWhatIsWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := time.Duration(rapid.Int64Range(0, int64(365*24*time.Hour/time.Millisecond)).Draw(t, "ms")) * time.Millisecond
		got, err := timetext.ParseDuration(formatDuration(d))
		require.NoError(t, err)
		require.Equal(t, d, got)
	})
}

func TestLightHours(t *testing.T) {
	good := map[string]hours{
		"07:00-19:00": {420, 1140}, "7:00 – 19:30": {420, 1170}, "19:00-07:00": {1140, 420}, "00:00-12:00": {0, 720},
		"12:00-24:00": {720, 1440}, "24:00-06:00": {0, 360},
	}
	for text, expected := range good {
		got, err := parseLightHours(text)
		require.NoError(t, err, text)
		assert.Equal(t, expected, got, text)
	}
	for _, text := range []string{"", "07:00", "07:00-", "7-19", "07:00-07:00", "00:00-24:00", "24:00-24:00", "24:00-00:00", "25:00-26:00", "07:60-19:00", "07:0-19:00", "-1:00-19:00", "24:01-06:00", "07:00-19:00-20:00"} {
		_, err := parseLightHours(text)
		assert.Error(t, err, text)
	}
}

// TestDatesBeginWithTheirDay: a date is the first instant of that local day, also where clocks change at midnight. The
// changes are those of the IANA time zone database.
func TestDatesBeginWithTheirDay(t *testing.T) {
	cases := []struct{ zone, date, expected string }{
		{"Europe/Lisbon", "2026-09-01", "2026-09-01T00:00:00+01:00"},
		{"UTC", "2026-01-01", "2026-01-01T00:00:00Z"},
		{"America/Sao_Paulo", "2018-11-04", "2018-11-04T01:00:00-02:00"}, // midnight does not exist
		{"Asia/Beirut", "2022-03-27", "2022-03-27T01:00:00+03:00"},       // likewise
		{"America/Havana", "2024-11-03", "2024-11-03T00:00:00-04:00"},    // 01:00 goes back to 00:00: midnight comes twice
		{"Pacific/Apia", "2011-12-30", "2011-12-31T00:00:00+14:00"},      // this whole day does not exist
	}
	for _, c := range cases {
		location, err := time.LoadLocation(c.zone)
		require.NoError(t, err)
		got, err := parseTime(c.date, location)
		require.NoError(t, err)
		assert.Equal(t, c.expected, got.Format(time.RFC3339), "%s in %s", c.date, c.zone)
	}
	at, err := parseTime("2026-09-01T14:30:00+02:00", time.UTC)
	require.NoError(t, err)
	assert.Equal(t, "2026-09-01T12:30:00Z", at.Format(time.RFC3339))
	for _, text := range []string{"", "2026-9-1", "2026-02-29", "1969-12-31", "2201-01-01", "01.09.2026", "2026-09-01 14:30", "2026-09-01T14:30:00"} {
		_, err := parseTime(text, time.UTC)
		assert.Error(t, err, text)
	}
}

func TestNearest(t *testing.T) {
	words := []string{"temperature", "humidity", "K", "degF", "every", "feeds", "critical-on-delay", "ca-file", "password-file"}
	cases := map[string]string{
		"temprature": "temperature", "tempertaure": "temperature", "Humidity": "humidity", "degf": "degF", "evry": "every",
		"ca_file": "ca-file", "password-file": "password-file", "critical_on_delay": "critical-on-delay", "feed": "feeds",
		"k": "K", "x": "", "wind": "", "": "", "colour": "",
	}
	for word, expected := range cases {
		assert.Equal(t, expected, nearest(word, words), word)
	}
}

func TestDistanceIsADistance(t *testing.T) {
	assert.Equal(t, 1, distance("sht4x", "sth4x"), "two neighbours exchanged")
	assert.Equal(t, 3, distance("kitten", "sitting"), "the classic pair of Levenshtein distance")
	word := rapid.StringMatching(`[a-cé]{0,6}`)
	rapid.Check(t, func(t *rapid.T) {
		a, b := word.Draw(t, "a"), word.Draw(t, "b")
		d := distance(a, b)
		require.Equal(t, a == b, d == 0)
		require.Equal(t, d, distance(b, a))
		la, lb := len([]rune(a)), len([]rune(b))
		require.LessOrEqual(t, d, max(la, lb))
		require.GreaterOrEqual(t, d, max(la, lb)-min(la, lb))
	})
}

// TestOfferedZonesExist: only what can be loaded is offered.
func TestOfferedZonesExist(t *testing.T) {
	for _, zone := range offeredZones {
		_, err := time.LoadLocation(zone)
		assert.NoError(t, err)
	}
}

func TestSplitHostPort(t *testing.T) {
	for text, expected := range map[string]string{
		"127.0.0.1:8420": "127.0.0.1", "[::1]:0": "::1", "localhost:65535": "localhost", ":80": "",
	} {
		host, _, err := splitHostPort(text)
		require.NoError(t, err, text)
		assert.Equal(t, expected, host)
	}
	for _, text := range []string{"", "127.0.0.1", "127.0.0.1:", "::1:80", "[::1:80", "[x]:80", "a:65536", "a:-1", "a:http", "a b:80", "http://a:80", "u@a:80"} {
		_, _, err := splitHostPort(text)
		assert.Error(t, err, text)
	}
	assert.True(t, loopback("127.8.9.1") && loopback("::1") && loopback("localhost"))
	assert.False(t, loopback("") || loopback("0.0.0.0") || loopback("::") || loopback("192.168.1.2") || loopback("localhost.example"))
}

// TestTopics holds topics and filters to MQTT 3.1.1, section 4.7; the examples with sport are the standard's own.
func TestTopics(t *testing.T) {
	for _, filter := range []string{"sport/tennis/player1/#", "sport/#", "#", "+", "+/tennis/#", "sport/+/player1", "/finance", "sport/"} {
		assert.NoError(t, checkTopic(filter, true), filter)
	}
	for _, filter := range []string{"", "sport/tennis#", "sport/tennis/#/ranking", "sport+", "+sport/x"} {
		assert.Error(t, checkTopic(filter, true), filter)
	}
	assert.NoError(t, checkTopic("sensors/tub-1", false))
	assert.Error(t, checkTopic("sensors/+", false))
	assert.Error(t, checkTopic("sensors/#", false))
}

func TestProblems(t *testing.T) {
	problems := Problems{
		{Warning, "b.yaml", 1, 2, "", "w"}, {Error, "a.yaml", 9, 1, "", "late"}, {Error, "a.yaml", 2, 7, "", "early"},
		{Error, "a.yaml", 2, 7, "", "early"}, {Error, "b.yaml", 1, 1, "", "e"},
	}.Sorted("b.yaml")
	assert.Equal(t, "b.yaml:1:1: e\nb.yaml:1:2: warning: w\na.yaml:2:7: early\na.yaml:9:1: late", problems.String())
	assert.EqualError(t, problems.Err(), "b.yaml:1:1: e\na.yaml:2:7: early\na.yaml:9:1: late")
	assert.NoError(t, problems.Only(Warning).Err(), "warnings alone are no error")
	assert.NoError(t, Problems(nil).Err())
}

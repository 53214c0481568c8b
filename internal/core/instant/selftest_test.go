package instant_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
)

func TestLastHourOfTheWeek(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	for _, c := range []struct {
		day       time.Weekday
		minutes   int
		now, want string
	}{
		{time.Sunday, 600, "2026-11-29T10:00:00Z", "2026-11-29T10:00:00Z"},
		{time.Sunday, 600, "2026-11-29T09:59:59Z", "2026-11-22T10:00:00Z"},
		{time.Sunday, 600, "2026-11-28T23:59:59Z", "2026-11-22T10:00:00Z"},
		{time.Saturday, 600, "2026-11-29T09:59:59Z", "2026-11-28T10:00:00Z"},
		{time.Sunday, 600, "2026-07-05T09:00:00Z", "2026-07-05T09:00:00Z"},
		{time.Sunday, 600, "2026-03-29T09:00:00Z", "2026-03-29T09:00:00Z"}, // the clock was set forward in the night
		{time.Sunday, 90, "2026-03-29T12:00:00Z", "2026-03-29T01:30:00Z"},  // it went from 01:00 to 02:00
		{time.Sunday, 600, "2026-10-25T10:00:00Z", "2026-10-25T10:00:00Z"}, // it was set back
		{time.Thursday, 0, "2026-01-01T12:00:00Z", "2026-01-01T00:00:00Z"},
	} {
		w := instant.Weekly{Weekday: c.day, Minutes: c.minutes, Location: lisbon}
		now, err := instant.Parse(c.now)
		require.NoError(t, err)
		want, err := instant.Parse(c.want)
		require.NoError(t, err)
		assert.Equal(t, want, w.Last(now), "%v before %s", w, c.now)
	}
}

// The hour is never ahead, nor more than a week and an hour ago, and it has the name that was asked for.
func TestLawsOfTheLastHour(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		w := instant.Weekly{
			Weekday: time.Weekday(rapid.IntRange(0, 6).Draw(t, "weekday")), Minutes: rapid.IntRange(0, 24*60-1).Draw(t, "minutes"), Location: lisbon,
		}
		now := instant.Of(time.Unix(rapid.Int64Range(1_700_000_000, 1_900_000_000).Draw(t, "now"), 0))
		last := w.Last(now)
		require.LessOrEqual(t, last, now)
		require.LessOrEqual(t, now.Sub(last), 7*24*time.Hour+time.Hour)
		require.Equal(t, w.Weekday, last.Time().In(lisbon).Weekday())
		require.Equal(t, last, w.Last(last))
	})
}

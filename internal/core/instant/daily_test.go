package instant

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Through a year, with a day of 23 and one of 25 hours, each local date has its hour once.
func TestDailyComesOncePerDate(t *testing.T) {
	for _, zone := range []string{"Europe/Lisbon", "Australia/Lord_Howe", "Asia/Kathmandu"} {
		location, err := time.LoadLocation(zone)
		require.NoError(t, err)
		for _, minutes := range []int{0, 90, 19 * 60, 23*60 + 59} {
			daily := Daily{Minutes: minutes, Location: location}
			begin := time.Date(2026, 1, 2, 0, 0, 0, 0, location)
			hours, dates := map[Instant]bool{}, map[string]bool{}
			for at := begin; at.Before(begin.AddDate(1, 0, 0)); at = at.Add(time.Hour) {
				last := daily.Last(Of(at))
				require.LessOrEqual(t, last, Of(at))
				require.Less(t, Of(at).Sub(last), 26*time.Hour, "%s %s", zone, at)
				hours[last], dates[last.Time().In(location).Format(time.DateOnly)] = true, true
			}
			assert.Len(t, dates, len(hours), "%s at minute %d: two hours on one date", zone, minutes)
			assert.GreaterOrEqual(t, len(hours), 365, "%s at minute %d", zone, minutes)
		}
	}
}

package web_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/server/web"
	"dewline/internal/store"
)

// A year is shown by the days that the keeper lived through: one column each, from midnight to midnight, on both days of the year on
// which the clocks change as well.
func TestColumnsOfDaysAreLocalDays(t *testing.T) {
	r := newRig(t)
	o := r.options(t)
	o.History = yearOf{r}
	site := r.serve(t, o)
	at := func(year int, month time.Month, day, hour, minute int) time.Time {
		return time.Date(year, month, day, hour, minute, 0, 0, r.site.Location)
	}
	from, to := at(2025, 9, 1, 9, 0), at(2026, 7, 14, 12, 0)
	trend := get[trendOf](t, site+"/api/trend?point=tub-1/water-temperature&columns=days&"+between(instant.Of(from), instant.Of(to))).Points[0]
	day := at(2025, 9, 1, 0, 0)
	for i, seconds := range trend.T {
		next := day.AddDate(0, 0, 1)
		begin, end := day, next
		if i == 0 {
			begin = from
		}
		if end.After(to) {
			end = to
		}
		require.Equal(t, begin.Add(end.Sub(begin)/2).Unix(), int64(seconds), day)
		day = next
	}
	assert.Equal(t, at(2026, 7, 15, 0, 0), day, "every day, and none after")
}

// The time of an extreme is that of its reading, however wide the columns are.
func TestExtremesHaveTheirOwnTime(t *testing.T) {
	r := newRig(t)
	p := point(t, "tub-1/water-temperature")
	peak := time.Date(2026, 7, 3, 15, 30, 7, 0, r.site.Location)
	readings := slices.Clone(r.readings[p])
	i, _ := slices.BinarySearchFunc(readings, instant.Of(peak), func(x store.Sample, at instant.Instant) int { return int(min(max(x.At-at, -1), 1)) })
	r.readings[p] = slices.Insert(readings, i, store.Sample{At: instant.Of(peak), Value: 35.25, Flag: quantity.Pass})
	site := r.serve(t, r.options(t))
	for _, c := range []struct{ columns, from, to string }{
		{"330", "2026-05-20T00:00:00Z", "2026-07-14T12:00:00Z"}, {"1500", "2026-05-20T00:00:00Z", "2026-07-14T12:00:00Z"},
		{"days", "2026-05-15T00:00:00Z", "2026-07-14T12:00:00Z"}, {"400", "2026-07-03T14:00:00Z", "2026-07-03T15:00:00Z"}, {"2", "2026-07-03T14:00:00Z", "2026-07-03T15:00:00Z"},
	} {
		trend := get[extremesOf](t, fmt.Sprintf("%s/api/trend?point=%s&columns=%s&from=%s&to=%s", site, p, c.columns, c.from, c.to)).Points[0]
		require.NotNil(t, trend.Highest, c)
		assert.Equal(t, instant.Of(peak), trend.Highest.At, c)
		assert.InDelta(t, 35.25, float64(trend.Highest.Value), 1e-6, c)
		low := 100.0
		var lowAt instant.Instant
		from, err := instant.Parse(c.from)
		require.NoError(t, err)
		to, err := instant.Parse(c.to)
		require.NoError(t, err)
		for _, x := range r.readings[p] {
			if x.At >= from && x.At < to && x.Value < low {
				low, lowAt = x.Value, x.At
			}
		}
		assert.Equal(t, lowAt, trend.Lowest.At, c)
	}
	empty := get[extremesOf](t, fmt.Sprintf("%s/api/trend?point=%s&from=2025-01-01T00:00:00Z&to=2025-03-01T00:00:00Z", site, p)).Points[0]
	assert.Nil(t, empty.Highest)
}

// extremesOf is the part of a trend that holds the extremes.
type extremesOf struct {
	Points []struct{ Lowest, Highest *web.Extreme }
}

package web_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/server/web"
)

// Every day has the worst zone of its readings, each against the band of its time; days before the first reading are not known.
func TestDaysHaveTheirWorstZone(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, r.options(t))
	to := instant.Of(r.past.at)
	from := instant.Of(r.past.at.AddDate(-1, 0, 1))
	watched := r.watched()
	rank := []string{"unknown", "no-band", "in-band", "low", "high", "critical-low", "critical-high"}
	for _, place := range []string{"tub-1", "grow-out", "vivarium-1", "tub-2"} {
		want := map[string]string{}
		for p, readings := range r.readings {
			if p.Place != place || !slices.ContainsFunc(r.core.Points(), func(o quantity.Point) bool { return o == p }) {
				continue
			}
			for _, x := range readings {
				day := x.At.Time().In(r.site.Location).Format(time.DateOnly)
				holding := watched.BandAt(p, x.At.Time())
				zone := watch.ZoneIn(&holding.Band, x.Value).String()
				if slices.Index(rank, zone) > slices.Index(rank, want[day]) {
					want[day] = zone
				}
			}
		}
		got := get[web.Days](t, site+"/api/days?place="+place+"&"+between(from, to)).Days
		require.InDelta(t, 365, len(got), 1, place)
		kinds := map[string]int{}
		for i, d := range got {
			kinds[d.Zone]++
			expected := want[d.Day]
			if expected == "" {
				expected = "unknown"
			}
			if i > 0 {
				require.Equal(t, got[i-1].To, d.From, "days follow each other")
			}
			require.Equal(t, expected, d.Zone, "%s on %s", place, d.Day)
			require.Equal(t, slices.Index(rank, d.Zone) > 2, d.Point != nil, "%s on %s", place, d.Day)
		}
		assert.Greater(t, kinds["unknown"], 290, "%s: ten months before the first reading", place)
		if place == "tub-2" {
			assert.Greater(t, kinds["no-band"], 55)
		} else {
			assert.NotZero(t, kinds["critical-high"], "%s: the heat of June and July", place)
		}
	}
}

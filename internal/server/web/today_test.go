package web_test

import (
	"maps"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/today"
	"dewline/internal/server/web"
)

// What is done once a year is remembered for longer than that.
func TestYearlyTaskIsRemembered(t *testing.T) {
	const day = 24 * time.Hour
	r := newRig(t)
	site := r.watched()
	home := &site.Cohorts[1]
	profile := *site.Profiles[home.Profile]
	profile.Care = map[care.Stage]care.Care{}
	for stage, needs := range site.Profiles[home.Profile].Care {
		needs.Tasks = []care.Task{{Do: "check-sensor", Every: 365 * day}}
		profile.Care[stage] = needs
	}
	site.Profiles = maps.Clone(site.Profiles)
	site.Profiles[home.Profile] = &profile
	picture, past := r.current.Get(), r.journal
	for days, want := range map[int]today.State{100: today.Later, 366: today.Due} {
		done := instant.Of(picture.At).Add(-time.Duration(days) * day)
		r.journal = append([]journal.Entry{{Seq: 0, Run: "before", At: done, Kind: journal.CareDone, Task: "check-sensor", Place: home.Place, By: "Ines"}}, past...)
		made := web.DayOf(t.Context(), r, site, picture)
		require.Empty(t, made.Missing)
		var found *today.Task
		for i := range made.Tasks {
			if made.Tasks[i].Place == home.Place {
				found = &made.Tasks[i]
			}
		}
		require.NotNil(t, found)
		assert.Equal(t, want, found.State, days)
		assert.Equal(t, done, found.Last)
		assert.Equal(t, done.Add(365*day), found.Due)
	}
}

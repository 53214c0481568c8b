package setup

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewline/internal/probe"
)

// A board without a battery begins in 1970, and the day would be on record as that since when the animals are there.
func TestNoCohortByAClockThatWasNeverSet(t *testing.T) {
	path := filepath.Join(t.TempDir(), "site.yaml")
	answers := func(now time.Time) Answers {
		cohort, err := ParseCohort("a-2026=tub-1:tropical-forest-floor:larva", now)
		require.NoError(t, err)
		return Answers{Site: "north-loft", Timezone: "Europe/Lisbon", Places: []string{"tub-1"}, Cohorts: []Cohort{cohort}}
	}
	_, err := Create(path, answers(time.Unix(63, 0).UTC()), probe.Result{})
	require.ErrorContains(t, err, "the clock of this board shows 1970-01-01")
	require.NoFileExists(t, path)
	_, err = Create(path, answers(time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)), probe.Result{})
	require.NoError(t, err)
	require.FileExists(t, path)
}

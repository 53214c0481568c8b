package assemble_test

import (
	"fmt"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/quantity"
)

// What the configuration says of places, cohorts and sensors reaches the core.
func TestSite(t *testing.T) {
	site, problems := config.Load("../config/testdata/everything/site.yaml")
	require.NoError(t, problems.Err())
	core := assemble.Site(site)
	assert.Equal(t, site.ID, core.ID)
	assert.Equal(t, site.Location, core.Location)
	assert.Equal(t, site.Light, core.Light)
	assert.Len(t, core.Places, 3)
	assert.True(t, core.Places[0].Latch && core.Places[0].Room)
	assert.Equal(t, "loft", core.Places[1].In)
	require.Len(t, core.Places[1].Bands, len(site.Places[1].Bands))
	for q, both := range site.Places[1].Bands {
		assert.Equal(t, fmt.Sprint(both), fmt.Sprint(core.Places[1].Bands[q]), q) // a limit that is not there is NaN
	}
	assert.Equal(t, site.Profiles, core.Profiles)
	assert.Equal(t, site.Cohorts[0].Stages, core.Cohorts[0].Stages)

	point := func(text string) (gap, stale time.Duration, accuracy float64) {
		for _, p := range core.Points {
			if p.Point.String() == text {
				return p.Gap, p.StaleAfter, p.Accuracy
			}
		}
		t.Fatalf("no point %s", text)
		return 0, 0, 0
	}
	// Two sensors feed it: gap 2m and the default 60s, stale 5m and the default 2m, 0.1 K by calibration and 0.5 K.
	gap, stale, accuracy := point("tub-1/water-temperature")
	assert.Equal(t, 2*time.Minute, gap)
	assert.Equal(t, 5*time.Minute, stale)
	assert.Equal(t, 0.5, accuracy)
	// A message every 60 s: max(3 × 60 s, 60 s), max(5 × 60 s, 2 min, gap), accuracy unknown.
	gap, stale, accuracy = point("tub-2/water-temperature")
	assert.Equal(t, 3*time.Minute, gap)
	assert.Equal(t, 5*time.Minute, stale)
	assert.Zero(t, accuracy)

	seen := map[quantity.Point]bool{}
	for _, p := range core.Points {
		assert.False(t, seen[p.Point], "%s stands there twice", p.Point)
		assert.False(t, p.Point.Quantity.Derived())
		seen[p.Point] = true
	}
	require.Len(t, core.Sensors, len(site.Sensors))
	for i, sensor := range core.Sensors {
		assert.Equal(t, site.Sensors[i].ID, sensor.ID)
		assert.Len(t, sensor.Channels, len(site.Sensors[i].Feeds))
		assert.Positive(t, sensor.FaultAfter)
		assert.Less(t, sensor.FaultAfter, site.Sensors[i].StaleAfterOrDefault(), "the cause ahead of the symptom")
	}
}

// Replay takes a site whose readings come from a file.
func TestSiteWithoutSensors(t *testing.T) {
	site, problems := config.LoadFS(fstest.MapFS{"site.yaml": {Data: []byte(`site: north-loft
timezone: Europe/Lisbon
places: [{id: loft, kind: room}, {id: tub-1, kind: enclosure, in: loft}]
`)}}, "site.yaml")
	require.NoError(t, problems.Err())
	core := assemble.Site(site)
	assert.Empty(t, core.Points)
	assert.Empty(t, core.Sensors)
	assert.Len(t, core.Places, 2)

	bare := assemble.Site(&config.Site{})
	assert.Equal(t, time.UTC, bare.Location)
	assert.NotNil(t, bare.Profiles)
}

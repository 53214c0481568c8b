package config

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A replay reads its values from a file, so a band without a sensor is no mistake there. All other mistakes stay errors.
func TestLoadForReplay(t *testing.T) {
	const unfed = `site: north-loft
timezone: Europe/Lisbon
places:
  - {id: loft, kind: room, bands: {air-temperature: {high: 26 degC}, dew-point: {high: 20 degC}}}
  - {id: tub-1, kind: enclosure, in: loft}
sensors:
  - {id: probe, driver: w1, address: 28-00000b3c5d1e, feeds: {temperature: tub-1/water-temperature}}
`
	folder := t.TempDir()
	path := filepath.Join(folder, "site.yaml")
	require.NoError(t, os.WriteFile(path, []byte(unfed), 0o644))

	site, problems := Load(path)
	require.Nil(t, site)
	require.EqualError(t, problems.Err(), path+`:4:36: nothing will measure loft/air-temperature, so this band watches nothing: no sensor feeds loft/air-temperature
`+path+`:4:70: nothing will measure loft/dew-point, so this band watches nothing: no sensor feeds loft/air-temperature, loft/relative-humidity`)

	site, problems = LoadForReplay(path)
	require.NotNil(t, site)
	assert.Equal(t, path+`:4:36: warning: no sensor feeds loft/air-temperature: this band holds for what the readings file brings
`+path+`:4:70: warning: no sensor feeds loft/air-temperature, loft/relative-humidity: this band holds for what the readings file brings`,
		problems.String())
	assert.Len(t, site.Places[0].Bands, 2)

	require.NoError(t, os.WriteFile(path, []byte(unfed+"  - {id: probe, driver: w2}\n"), 0o644))
	site, problems = LoadForReplay(path)
	require.Nil(t, site)
	require.ErrorContains(t, problems.Err(), `unknown driver "w2"`)
}

// Without a time zone days begin by UTC. One that was given and is wrong stays an error.
func TestTimeZoneIsUTCWhereNoneIsGiven(t *testing.T) {
	for _, line := range []string{"", "timezone:\n", "timezone: \"\"\n"} {
		site, problems := LoadFS(filesOf(t, "site: north-loft\n"+line+"places: [{id: tub-1, kind: enclosure}]\n"), "site.yaml")
		require.NotNil(t, site)
		assert.Equal(t, time.UTC, site.Location)
		assert.Contains(t, problems.String(), "site.yaml:1:1: warning: the site has no time zone for its days and dates, so UTC is assumed: timezone: Europe/Lisbon")
	}

	wrong := filesOf(t, "site: north-loft\ntimezone: Lisbon\nplaces: [{id: tub-1, kind: enclosure}]\n")
	site, problems := LoadFS(wrong, "site.yaml")
	require.Nil(t, site)
	require.ErrorContains(t, problems.Err(), "unknown timezone")
	assert.NotContains(t, problems.String(), "UTC")
}

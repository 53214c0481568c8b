package config

import (
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
)

// Common words, such as "tank", are accepted for those of the configuration.
func TestCommonWords(t *testing.T) {
	site, problems := LoadFS(fstest.MapFS{
		"site.yaml": {Data: []byte(`
site: north-loft
timezone: Europe/Lisbon
display: {temperature: F}
profiles: [pond.yaml]
places:
  - {id: tub-1, kind: tub, bands: {water-temperature: {low: 70 F, high: 24 C}}}
  - {id: vivarium-1, kind: Vivarium}
cohorts:
  - {id: a-2026, profile: pond, place: tub-1, stages: [{stage: tadpole, since: 2026-06-01}, {stage: froglet, since: 2026-07-01}]}
sensors:
  - {id: probe, driver: DS18B20, address: 28-00000b3c60a2, feeds: {temperature: tub-1/water-temperature}}
  - {id: air, driver: sht45, bus: I2C1, feeds: {humidity: vivarium-1/relative-humidity}}
`)},
		"pond.yaml": {Data: []byte("title: Invented\nstages: {tadpole: {notes: [invented]}, froglet: {notes: [invented]}}\n")},
	}, "site.yaml")
	require.Empty(t, problems.Only(Error))
	require.Equal(t, quantity.Fahrenheit, site.Display.Temperature)
	require.False(t, site.Places[0].Room)
	require.False(t, site.Places[1].Room)
	require.Equal(t, care.Larva, site.Cohorts[0].Stages[0].Stage)
	require.Equal(t, care.Juvenile, site.Cohorts[0].Stages[1].Stage)
	require.Equal(t, "w1", site.Sensors[0].Driver)
	require.Equal(t, "sht4x", site.Sensors[1].Driver)
	require.Contains(t, site.Profiles["pond"].Care, care.Larva)
	for name, driver := range driverOfPart() {
		require.NotNil(t, driverOf(driver), name)
	}

	_, problems = LoadFS(fstest.MapFS{"site.yaml": {Data: []byte("site: s\ntimezone: UTC\nplaces: [{id: a, kind: tube}]\n")}}, "site.yaml")
	require.ErrorContains(t, problems.Err(), "unknown kind of place \"tube\"")
}

package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
)

func loadProfile(t *testing.T, path string) (*care.Profile, Problems) {
	t.Helper()
	source, err := os.ReadFile(path)
	require.NoError(t, err)
	return ParseProfile(path, source)
}

// TestShippedProfilesLoad: no shipped profile gives the keeper as much as a warning.
func TestShippedProfilesLoad(t *testing.T) {
	paths, err := filepath.Glob("../../configs/profiles/*.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, paths)
	for _, path := range paths {
		t.Run(filepath.Base(path), func(t *testing.T) {
			profile, problems := loadProfile(t, path)
			require.Empty(t, problems)
			assert.Equal(t, strings.TrimSuffix(filepath.Base(path), ".yaml"), profile.ID)
			assert.NotEmpty(t, profile.Care)
		})
	}
}

func TestProfile(t *testing.T) {
	profile, problems := loadProfile(t, "testdata/example/profiles/tropical-forest-floor.yaml")
	require.Empty(t, problems)
	assert.Equal(t, "tropical-forest-floor", profile.ID)
	assert.Equal(t, "Tropical forest floor (test data)", profile.Title)
	assert.Equal(t, "Invented for a test. Not advice.", profile.Caution)
	require.Len(t, profile.Care, 2)
	larva := profile.Care[care.Larva]
	assert.Equal(t, "25–41", larva.Gosner)
	assert.Equal(t, []string{"one note", "another note"}, larva.Notes)
	water := larva.Bands[quantity.WaterTemperature]
	assert.True(t, sameBand(water.Day, water.Night))
	assert.Equal(t, care.Band{
		Limits:  [care.LimitCount]float64{17, quantity.Fahrenheit.ToCanonical(70), quantity.Fahrenheit.ToCanonical(75), 27},
		OnDelay: 30 * time.Minute, CriticalOnDelay: 5 * time.Minute, OffDelay: 10 * time.Minute,
		Deadband: 0.3, Priority: care.MediumPriority, Foresee: 45 * time.Minute,
	}, water.Day)

	air := profile.Care[care.Adult].Bands[quantity.AirTemperature]
	assert.Equal(t, []float64{22, 26, 28}, air.Day.Limits[care.Low:])
	assert.Equal(t, []float64{18, 22, 28}, air.Night.Limits[care.Low:], "the night overrides key by key")
	assert.Equal(t, map[string]string{
		"stages.larva.water-temperature.high":    "invented",
		"stages.adult.air-temperature.night.low": "invented, night",
	}, profile.Sources)
}

// TestBands compares the problems of one band of a profile; the position is that of the word in the text.
func TestBands(t *testing.T) {
	cases := []struct {
		name, quantity, band string
		expected             []string
	}{
		{"all four limits", "water-temperature", "{critical-low: 63 degF, low: 70 degF, high: 75 degF, critical-high: 81 degF}", nil},
		{"one limit", "water-temperature", "{critical-high: 81 degF}", nil},
		{"only by day", "air-temperature", "{day: {high: 26 °C}}", nil},
		{"swapped", "water-temperature", "{low: 75 degF, high: 70 degF}", []string{"70 high (21.11 °C = 70 °F) must lie above low (23.89 °C = 75 °F)"}},
		{"equal", "water-temperature", "{high: 25 °C, critical-high: 25 °C}", []string{"25 critical-high (25 °C = 77 °F) must lie above high (25 °C = 77 °F)"}},
		{"a critical limit inside", "water-temperature", "{low: 20 °C, critical-high: 15 °C}", []string{"15 critical-high (15 °C = 59 °F) must lie above low (20 °C = 68 °F)"}},
		{"the night breaks the base", "air-temperature", "{low: 20 °C, high: 26 °C, night: {high: 18 °C}}", []string{"18 high (18 °C = 64.4 °F) must lie above low (20 °C = 68 °F) by night"}},
		{"the night breaks the base from below", "air-temperature", "{low: 20 °C, high: 26 °C, night: {low: 27 °C}}", []string{"27 high (26 °C = 78.8 °F) must lie above low (27 °C = 80.6 °F) by night"}},
		{"the base is wrong for both halves", "air-temperature", "{low: 20 °C, high: 19 °C, night: {critical-low: 10 °C}}", []string{"19 high (19 °C = 66.2 °F) must lie above low (20 °C = 68 °F)"}},
		{"day and night mend the base", "air-temperature", "{low: 20 °C, high: 19 °C, day: {high: 26 °C}, night: {low: 15 °C}}", nil},
		{"a bare number", "air-temperature", "{high: 26}", []string{`26 "26" needs a unit…`}},
		{"kelvin as a temperature", "air-temperature", "{high: 299 K}", []string{"299 air-temperature cannot be given in K…"}},
		{"the unit of something else", "relative-humidity", "{high: 80 degF}", []string{"80 …"}},
		{"no unit at all", "relative-humidity", "{high: 80 parsec}", []string{`80 unknown unit "parsec" (units are degF, degC, K, %RH, Pa, hPa, kPa, g/m3, mg/L)`}},
		{"a slip in the unit", "vapour-pressure-deficit", "{high: 0.8 kpa}", []string{`0.8 unknown unit "kpa": did you mean "kPa"?`}},
		{"a slipped digit", "air-temperature", "{high: 780 degF}", []string{"780 high of air-temperature is 415.56 °C = 780 °F: it must lie between -40 °C = -40 °F and 60 °C = 140 °F"}},
		{"more than saturated", "relative-humidity", "{high: 100 %, critical-high: 101 %}", []string{"101 critical-high of relative-humidity is 101 %RH: it must lie between 0 %RH and 100 %RH"}},
		{"out of floating point", "air-temperature", "{high: 1e999 °C}", []string{"1e999 …"}},
		{"not a number", "air-temperature", "{high: .nan}", []string{".nan …"}},
		{"no limit", "air-temperature", "{deadband: 1 K}", []string{"air-temperature this band has no limit: give low, high, critical-low or critical-high"}},
		{"empty", "air-temperature", "{}", []string{"air-temperature this band has no limit: give low, high, critical-low or critical-high"}},
		{"a wide deadband", "air-temperature", "{low: 20 °C, high: 22 °C, deadband: 1.1 K}", []string{"1.1 the deadband of 1.1 K = 1.98 °F is wider than half of the band (1 K = 1.8 °F)"}},
		{"a deadband of just half", "water-temperature", "{low: 70 degF, high: 75 degF, deadband: 2.5 degF}", nil},
		{"a deadband too wide by night", "air-temperature", "{low: 20 °C, high: 26 °C, deadband: 2 K, night: {high: 23 °C}}", []string{"2 the deadband of 2 K = 3.6 °F is wider than half of the band by night (1.5 K = 2.7 °F)"}},
		{"a negative deadband", "air-temperature", "{low: 20 °C, high: 26 °C, deadband: -1 K}", []string{"-1 a deadband must not be negative"}},
		{"a deadband of none", "air-temperature", "{low: 20 °C, high: 26 °C, deadband: 0 K}", nil},
		{"a band too narrow for the usual deadband", "relative-humidity", "{low: 95 %, high: 100 %}", []string{"relative-humidity the usual deadband of relative-humidity, 3 %RH, is wider than half of this band (2.5 %RH): give a smaller deadband"}},
		{"a delay as long as allowed", "air-temperature", "{high: 26 °C, on-delay: 2h}", nil},
		{"a delay too long", "air-temperature", "{high: 26 °C, on-delay: 121m}", []string{"121m on-delay of 2h1m is longer than the 2h within which a person must act on high"}},
		{"a longer delay at a lower priority", "air-temperature", "{high: 26 °C, on-delay: 12h, priority: medium}", nil},
		{"an on-delay that speaks for a critical limit", "air-temperature", "{critical-high: 30 °C, on-delay: 1h}", []string{"1h on-delay of 1h is longer than the 30m within which a person must act on critical-high: give critical-on-delay as well, or a shorter on-delay"}},
		{"a critical limit with a delay of its own", "air-temperature", "{critical-high: 30 °C, on-delay: 1h, critical-on-delay: 30m}", nil},
		{"a critical delay too long", "air-temperature", "{critical-high: 30 °C, critical-on-delay: 1h}", []string{"1h critical-on-delay of 1h is longer than the 30m within which a person must act on critical-high"}},
		{"dryness may not wait an hour", "relative-humidity", "{critical-low: 60 %, critical-on-delay: 1h}", []string{"1h critical-on-delay of 1h is longer than the 30m within which a person must act on critical-low"}},
		{"a profile overrides nothing", "air-temperature", "{high: 26 °C, override: true}", []string{`override unknown key "override": known here are day, night, low, high, critical-low, critical-high, on-delay, critical-on-delay, off-delay, deadband, priority, foresee, source`}},
		{"an off-delay of days", "air-temperature", "{high: 26 °C, off-delay: 2d}", []string{"2d off-delay of 48h is longer than 12h"}},
		{"a far outlook", "air-temperature", "{high: 26 °C, foresee: 13h}", []string{"13h foresee of 13h is longer than the 12h that an outlook can bear"}},
		{"a delay without a unit", "air-temperature", "{high: 26 °C, on-delay: 10}", []string{`10 duration "10" needs a unit: s, m, h, d, w or y`}},
		{"an unknown priority", "air-temperature", "{high: 26 °C, priority: hihg}", []string{`hihg unknown priority "hihg": did you mean "high"?`}},
		{"a key of its own", "air-temperature", "{high: 26 °C, hysteresis: 1 K}", []string{`hysteresis unknown key "hysteresis": known here are day, night, low, high, critical-low, critical-high, on-delay, critical-on-delay, off-delay, deadband, priority, foresee, source`}},
		{"night within night", "air-temperature", "{night: {high: 20 °C, night: {}}}", []string{`night unknown key "night": known here are low, high, critical-low, critical-high, on-delay, critical-on-delay, off-delay, deadband, priority, foresee, source`}},
		{"a source without a value", "air-temperature", "{high: {source: x}}", []string{`high this number has no value: write {value: 72 degF, source: "…"}`}},
		{"a value of values", "air-temperature", "{high: {value: {value: 26 °C}}}", []string{"{ a single value is wanted here, and this is a mapping"}},
		{"a list of limits", "air-temperature", "{high: [26 °C]}", []string{"high a single value is wanted here, and this is a list"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			text := "stages:\n  adult:\n    " + c.quantity + ": " + c.band + "\n"
			_, problems := ParseProfile("p.yaml", []byte(text))
			var got []string
			for _, p := range problems {
				got = append(got, strings.TrimPrefix(withWord(text, p), "3 "))
			}
			require.Len(t, got, len(c.expected), "%s", problems)
			for i, expected := range c.expected {
				if begin, cut := strings.CutSuffix(expected, "…"); cut { // the rest is the wording of another package
					assert.Truef(t, strings.HasPrefix(got[i], begin), "%q does not begin with %q", got[i], begin)
					continue
				}
				assert.Equal(t, expected, got[i])
			}
		})
	}
}

func TestSourceOfABandIsThatOfItsNumbers(t *testing.T) {
	profile, problems := ParseProfile("p.yaml", []byte(`
stages:
  adult:
    air-temperature: {source: book, low: 20 °C, high: {value: 26 °C, source: paper}, night: {low: 18 °C}, day: {source: day book, low: 21 °C}}
`))
	require.Empty(t, problems)
	assert.Equal(t, map[string]string{
		"stages.adult.air-temperature.low":       "book",
		"stages.adult.air-temperature.high":      "paper",
		"stages.adult.air-temperature.night.low": "book",
		"stages.adult.air-temperature.day.low":   "day book",
	}, profile.Sources)
}

func TestProfileID(t *testing.T) {
	const rest = "stages: {egg: {notes: keep calm}}\n"
	profile, problems := ParseProfile("some/folder/pond.yaml", []byte(rest))
	require.Empty(t, problems)
	assert.Equal(t, "pond", profile.ID)
	profile, problems = ParseProfile("some/folder/pond.yml", []byte("profile: other\n"+rest))
	require.Empty(t, problems)
	assert.Equal(t, "other", profile.ID)
	_, problems = ParseProfile("My Pond.yaml", []byte(rest))
	assert.Equal(t, `My Pond.yaml:1:1: the profile takes its id from the name of the file, and id "My Pond": use the letters a to z, digits and inner hyphens only: rename the file or give profile: an-id`, problems.String())
	_, problems = ParseProfile("p.yaml", []byte("profile: p\nstages: {}\n"))
	assert.Equal(t, "p.yaml:2:1: the profile has no stages: give stages: with one or more of egg, larva, metamorph, juvenile, adult", problems.String())
}

func TestGosner(t *testing.T) {
	for text, good := range map[string]bool{
		"25–41": true, "25-41": true, "42": true, "1 – 46": true, "0–5": false, "25–47": false, "41–25": false, "late": false, "25–41–42": false,
	} {
		_, problems := ParseProfile("p.yaml", []byte("stages: {larva: {gosner: \""+text+"\", notes: x}}\n"))
		assert.Equal(t, good, len(problems) == 0, "%s: %s", text, problems)
	}
}

package quantity

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestParsePoint(t *testing.T) {
	point, err := ParsePoint("tub-1/water-temperature")
	require.NoError(t, err)
	assert.Equal(t, Point{Place: "tub-1", Quantity: WaterTemperature}, point)

	for text, complaint := range map[string]string{
		"":                           `point "" is not of the form place/quantity`,
		"tub-1":                      `point "tub-1" is not of the form place/quantity`,
		"/pressure":                  `point "/pressure" is not of the form place/quantity`,
		"tub-1/":                     `point "tub-1/": unknown quantity ""`,
		"tub-1/warmth":               `point "tub-1/warmth": unknown quantity "warmth"`,
		"loft/tub-1/air-temperature": `point "loft/tub-1/air-temperature": unknown quantity "tub-1/air-temperature"`,
		"Tub-1/pressure":             `point "Tub-1/pressure": id "Tub-1": use the letters a to z, digits and inner hyphens only`,
		"tub-1 /pressure":            `point "tub-1 /pressure": id "tub-1 ": use the letters a to z, digits and inner hyphens only`,
		"+/pressure":                 `point "+/pressure": id "+": use the letters a to z, digits and inner hyphens only`,
		"tub-1/pressure\n":           `point "tub-1/pressure\n": unknown quantity "pressure\n"`,
		"\xff/pressure":              `point "\xff/pressure": id "\xff": use the letters a to z, digits and inner hyphens only`,
	} {
		point, err := ParsePoint(text)
		require.EqualError(t, err, complaint)
		assert.Zero(t, point, "no value beside an error")
	}
}

// Ids become levels of MQTT topics, labels of metrics and parts of addresses: nothing that means something there may
// get through.
func TestCheckID(t *testing.T) {
	for _, id := range []string{"a", "7", "loft", "tub-1", "a-2026", "grow-out-shelf", "a--b", strings.Repeat("x", 64)} {
		assert.NoError(t, CheckID(id), id)
	}
	for _, id := range []string{
		"", "-", "-a", "a-", "Loft", "tub_1", "tub 1", "a/b", "#", "+", "$sys", "a.b", "a:b", "..", "é", "ａ", "a\x00", "\"", strings.Repeat("x", 65),
	} {
		assert.Error(t, CheckID(id), "%q", id)
	}
}

var anyID = rapid.StringMatching(`[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?`)

func TestPointRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		point := Point{Place: anyID.Draw(t, "place"), Quantity: rapid.SampledFrom(All()).Draw(t, "quantity")}
		parsed, err := ParsePoint(point.String())
		require.NoError(t, err)
		require.Equal(t, point, parsed)
	})
}

func FuzzParsePoint(f *testing.F) {
	for _, text := range []string{"tub-1/water-temperature", "loft/air-temperature", "/", "a/b/c", "", "tub-1/none", "Ä/pressure", "-/pressure"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		point, err := ParsePoint(text)
		if err != nil {
			require.Zero(t, point)
			return
		}
		require.Equal(t, text, point.String(), "a point is written in one way only")
		require.NoError(t, CheckID(point.Place))
		require.NotEqual(t, None, point.Quantity)
	})
}

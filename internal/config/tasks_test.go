package config

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
)

func TestTasks(t *testing.T) {
	profile, problems := ParseProfile("p.yaml", []byte(`
stages:
  larva:
    care:
      - {do: feed, every: 2d, after: 5d, until: 70d, rotate: [algae, powder, protein], note: "what is gone within the hour", source: paper}
      - {do: tilt, after: 60d}
      - do: stage-check
        every: 1w
        until: 28d
      - {do: stage-check, every: 2 d, after: 28d}
`))
	require.Empty(t, problems)
	const day = 24 * time.Hour
	assert.Equal(t, []care.Task{
		{Do: "feed", Every: 2 * day, After: 5 * day, Until: 70 * day, Rotate: []string{"algae", "powder", "protein"}, Note: "what is gone within the hour", Source: "paper"},
		{Do: "tilt", After: 60 * day},
		{Do: "stage-check", Every: 7 * day, Until: 28 * day},
		{Do: "stage-check", Every: 2 * day, After: 28 * day},
	}, profile.Care[care.Larva].Tasks)
}

// TestMistakesInTasks compares the problems of the tasks of a stage; the position is that of the word in the text.
func TestMistakesInTasks(t *testing.T) {
	cases := []struct {
		name, tasks string
		expected    []string
	}{
		{"nothing to do", "[{every: 2d}]", []string{"{ this task has no word for what to do: give do: feed, mist, look or a word of your own"}},
		{"an empty entry", "[~]", []string{"~ an entry of this list is empty"}},
		{"no list", "{do: feed}", []string{"care a list is wanted here, and this is a mapping"}},
		{"a word alone", "[feed]", []string{"feed a mapping is wanted here, and this is a single value"}},
		{"an unknown key", "[{do: feed, evry: 2d}]", []string{`evry unknown key "evry": did you mean "every"?`}},
		{"no word", "[{do: Feed them}]", []string{`Feed id "Feed them": use the letters a to z, digits and inner hyphens only: "feed-them" would do`}},
		{"a word that may be mistyped", "[{do: chang-water}]", []string{`chang-water warning: "chang-water" is a word of your own: did you mean "change-water"?`}},
		{"too often", "[{do: look, every: 30m}]", []string{"30m 30m is shorter than the 1h that make sense here"}},
		{"too seldom", "[{do: look, every: 2y}]", []string{"2y 17520h is longer than the 8760h that make sense here"}},
		{"never", "[{do: look, every: 0}]", []string{"0 the duration must be longer than 0"}},
		{"without a unit", "[{do: look, every: 2}]", []string{`2 duration "2" needs a unit: s, m, h, d, w or y`}},
		{"over before it begins", "[{do: look, after: 3d, until: 3d}]", []string{"3d until (72h) must be later than after (72h)"}},
		{"a turn twice", "[{do: feed, rotate: [algae, powder, algae]}]", []string{`algae "algae" is there twice`}},
		{"twice at the same time", "[{do: feed, every: 1d, until: 9d}, {do: feed, every: 2d, after: 8d}]", []string{`feed "feed" is there twice for the same time, here and at line 3: give one of them until, the other after`}},
		{"one after the other", "[{do: feed, every: 1d, until: 9d}, {do: feed, every: 2d, after: 9d}]", nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			text := "stages:\n  adult:\n    care: " + c.tasks + "\n    notes: look\n"
			_, problems := ParseProfile("p.yaml", []byte(text))
			var got []string
			for _, p := range problems {
				got = append(got, strings.TrimPrefix(withWord(text, p), "3 "))
			}
			assert.Equal(t, c.expected, got)
		})
	}
}

func TestLasting(t *testing.T) {
	profile, problems := ParseProfile("p.yaml", []byte("stages: {larva: {notes: x, lasts: {for: 60d, at: 75.2 degF, source: paper}}}"))
	require.Empty(t, problems)
	lasts := profile.Care[care.Larva].Lasts
	assert.InDelta(t, 24, lasts.At, 1e-9)
	assert.Equal(t, care.Lasting{For: 60 * 24 * time.Hour, At: lasts.At, Source: "paper"}, lasts)
	for text, expected := range map[string]string{
		"{for: 60d}":                       `lasts this has no at: write {for: 60d, at: 24 °C, source: "…"}`,
		"{at: 24 °C}":                      `lasts this has no for: write {for: 60d, at: 24 °C, source: "…"}`,
		"{for: 60d, at: 24}":               `24 "24" needs a unit, such as "24 °C"`,
		"{for: 0, at: 24 °C}":              "0 the duration must be longer than 0",
		"{for: 60d, at: 240 °C}":           "240 nothing grows at 240 °C = 464 °F: it must lie between 0 °C = 32 °F and 45 °C = 113 °F",
		"60d":                              "60d a mapping is wanted here, and this is a single value",
		"{for: 60d, at: 24 °C, from: egg}": `from unknown key "from": known here are for, at, source`,
	} {
		file := "stages:\n  adult:\n    lasts: " + text + "\n    notes: look\n"
		_, problems := ParseProfile("p.yaml", []byte(file))
		require.Len(t, problems, 1, text)
		assert.Equal(t, "3 "+expected, withWord(file, problems[0]))
	}
}

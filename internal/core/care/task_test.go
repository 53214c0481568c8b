package care

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"dewline/internal/core/quantity"
)

func TestTaskInWords(t *testing.T) {
	const day = 24 * time.Hour
	for want, task := range map[string]Task{
		"feed every 2 d, not before 5 d at this stage, in turn leaf / powder": {Do: "feed", Every: 2 * day, After: 5 * day, Rotate: []string{"leaf", "powder"}},
		"look every 12 h, until 36 h at this stage":                           {Do: "look", Every: 12 * time.Hour, Until: 36 * time.Hour},
		"change water once": {Do: "change-water"},
	} {
		assert.Equal(t, want, task.String())
	}
}

func TestTogether(t *testing.T) {
	const day = 24 * time.Hour
	early, late, always := Task{Until: 9 * day}, Task{After: 9 * day}, Task{}
	for _, c := range []struct {
		a, b *Task
		want bool
	}{{&early, &late, false}, {&early, &always, true}, {&late, &always, true}, {&early, &early, true}} {
		assert.Equal(t, c.want, c.a.Together(c.b))
		assert.Equal(t, c.want, c.b.Together(c.a))
	}
}

func TestProfileSaysHowSoonAndWhy(t *testing.T) {
	needs := Care{Notes: []string{"You see: a tadpole.", "Act within 4 h outside the band."}}
	assert.Equal(t, "within 4 h outside the band.", needs.HowSoon())
	assert.Empty(t, (&Care{Notes: []string{"Do: nothing."}}).HowSoon())

	both := DayNight{Day: NoBand(), Night: NoBand()}
	both.Day.Limits[High], both.Night.Limits[High] = 26, 24
	both.Day.Limits[Low], both.Night.Limits[Low] = 20, 20
	p := Profile{
		Care: map[Stage]Care{Adult: {Bands: map[quantity.Quantity]DayNight{quantity.AirTemperature: both}}},
		Sources: map[string]string{
			"stages.adult.air-temperature.high": "book", "stages.adult.air-temperature.night.high": "paper", "stages.adult.air-temperature.low": "memory",
		},
	}
	assert.Equal(t, "book", p.SourceOf(Adult, quantity.AirTemperature, High, 26))
	assert.Equal(t, "paper", p.SourceOf(Adult, quantity.AirTemperature, High, 24))
	assert.Equal(t, "memory", p.SourceOf(Adult, quantity.AirTemperature, Low, 20))
	assert.Empty(t, p.SourceOf(Adult, quantity.AirTemperature, High, 25), "the limit of somewhere else")
	assert.Empty(t, p.SourceOf(Larva, quantity.AirTemperature, High, 26))
}

func TestGosnerRange(t *testing.T) {
	for text, want := range map[string][2]int{"21–41": {21, 41}, "25-41": {25, 41}, "1 – 20": {1, 20}, "46": {46, 46}, "": {0, 0}, "late": {0, 0}, "4–x": {0, 0}} {
		first, last := (&Care{Gosner: text}).GosnerRange()
		assert.Equal(t, want, [2]int{first, last}, text)
	}
}

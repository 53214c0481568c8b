package main

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/store"
)

// card is what a board has left on its card: entries and readings, all of them invented.
type card struct {
	entries  []*journal.Entry
	readings map[string][]float64 // of each place, a second apart
	begin    instant.Instant      // of the readings
}

var noon = instant.Of(time.Date(2026, 7, 17, 12, 0, 0, 0, time.UTC))

func (c *card) enter(kind journal.Kind, alarm, text string) {
	seq := uint64(len(c.entries) + 1)
	c.entries = append(c.entries, &journal.Entry{
		Seq: seq, Run: "run-1", At: noon.Add(time.Duration(seq) * time.Second), Kind: kind, Alarm: alarm, Text: text,
	})
}

func repeated(value float64, n int) (values []float64) {
	for range n {
		values = append(values, value)
	}
	return values
}

// good is what both lives leave where all went well.
func good() *card {
	c := &card{begin: noon, readings: map[string][]float64{
		"tub-1": append(repeated(23, 15), repeated(29, 15)...), "tub-2": repeated(23, 20), "tub-3": append(repeated(0, 1), repeated(22, 20)...),
		"tub-4": append(repeated(24, 15), repeated(29, 15)...),
	}}
	c.enter(journal.RunStarted, "", "")
	for i, place := range []string{"tub-1", "tub-2", "tub-4", "tub-1", "tub-4"} {
		alarm := place + "/air-temperature/high"
		c.enter(journal.AlarmRaised, alarm, "")
		c.enter(journal.AlarmCleared, alarm, "")
		c.enter(journal.Note, "", fmt.Sprintf("note %d", i))
	}
	c.enter(journal.AlarmRaised, "sensor/tub-3-part/fault", "")
	c.enter(journal.RunStarted, "", "")
	c.enter(journal.RunStopped, "", "")
	return c
}

var console = []string{"step: started", "noted: note 0", "do: something", "noted: note 1"}

// written puts what is left into the file of a history.
func (c *card) written(t *testing.T) string {
	path := filepath.Join(t.TempDir(), "history.db")
	s, err := store.Open(path, store.Options{})
	require.NoError(t, err)
	require.NoError(t, s.Record(t.Context(), c.entries, nil, store.State{}))
	for place, values := range c.readings {
		point := quantity.Point{Place: place, Quantity: quantity.AirTemperature}
		for i, value := range values {
			s.Append("run-1", point, c.begin.Add(time.Duration(i)*time.Second), value, quantity.Pass, 0.0625)
		}
	}
	require.NoError(t, s.Commit(t.Context()))
	require.NoError(t, s.Close(t.Context()))
	return path
}

func TestJudgeIsContent(t *testing.T) {
	assert.NoError(t, judge(t.Context(), good().written(t), console))
}

func TestJudgeFinds(t *testing.T) {
	for want, change := range map[string]func(*card){
		`the confirmed "note 1" is there 0 times`:                               func(c *card) { c.entries[6].Text = "another" },
		`the confirmed "note 0" is there 2 times`:                               func(c *card) { c.enter(journal.Note, "", "note 0") },
		"tub-3/air-temperature/high was raised 1 and cleared 0 times, heated 0": func(c *card) { c.enter(journal.AlarmRaised, "tub-3/air-temperature/high", "") },
		"tub-2/air-temperature/high was raised 1 and cleared 0 times, heated 1": func(c *card) { c.entries[5].Kind = journal.Note },
		"tub-4/air-temperature/high was raised 3 and cleared 2 times, heated 2": func(c *card) { c.enter(journal.AlarmRaised, "tub-4/air-temperature/high", "") },
		"the part that was pulled off once had 2 faults":                        func(c *card) { c.enter(journal.AlarmRaised, "sensor/tub-3-part/fault", "") },
		"2 runs started and 2 stopped":                                          func(c *card) { c.enter(journal.RunStopped, "", "") },
		"1 runs started and 1 stopped":                                          func(c *card) { c.entries[0].Kind = journal.Note },
		"stands in 1970":                                                        func(c *card) { c.entries[0].At = instant.Of(time.Unix(30, 0)) },
		"tub-1 has a reading at 1970":                                           func(c *card) { c.begin = instant.Of(time.Unix(30, 0)) },
		"tub-2 has a reading of 85 at 2026-07-17T12:00:20":                      func(c *card) { c.readings["tub-2"] = append(c.readings["tub-2"], 85) },
		"tub-4 has 19 readings":                                                 func(c *card) { c.readings["tub-4"] = repeated(24, 19) },
		"tub-3 has 0 readings":                                                  func(c *card) { delete(c.readings, "tub-3") },
	} {
		c := good()
		change(c)
		assert.ErrorContains(t, judge(t.Context(), c.written(t), console), want)
	}
	assert.ErrorContains(t, judge(t.Context(), good().written(t), console[:1]), "no note was confirmed")
	assert.Error(t, judge(t.Context(), filepath.Join(t.TempDir(), "no.db"), console))
}

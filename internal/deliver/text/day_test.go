package text

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/today"
)

func local(month time.Month, day, hour, minute int) instant.Instant {
	return instant.Of(time.Date(2026, month, day, hour, minute, 0, 0, time.UTC))
}

// fullDay is an invented day on which there is something to say of everything.
func fullDay() *today.Today {
	point := func(place string, q quantity.Quantity) quantity.Point {
		return quantity.Point{Place: place, Quantity: q}
	}
	none := instant.None
	return &today.Today{
		At: local(7, 17, 18, 0),
		OutOfBand: []today.OutOfBand{
			{Point: point("tub-1", quantity.WaterTemperature), Zone: "high", Since: local(7, 17, 13, 10), Value: new(25.6), Limit: new(24.0)},
			{Point: point("tub-2", quantity.WaterTemperature), Zone: "unknown", Since: local(7, 16, 22, 5)},
		},
		Night: today.Night{From: local(7, 16, 18, 0), To: local(7, 17, 6, 0), Extremes: []today.Extreme{
			{Point: point("tub-1", quantity.WaterTemperature), Min: 21.4, Max: 23.9},
			{Point: point("grow-out", quantity.AirTemperature), Min: 18.2, Max: 27.1, Below: true, Above: true},
			{Point: point("grow-out", quantity.RelativeHumidity), Min: 62, Max: 84, Below: true},
		}},
		Tasks: []today.Task{
			{Do: "change-water", Place: "tub-1", Cohorts: []string{"a-2026", "c-2026"}, State: today.Overdue, Due: local(7, 14, 7, 0), Last: none},
			{Do: "feed", Place: "tub-1", Cohort: "a-2026", Cohorts: []string{"a-2026"}, State: today.Due, Due: local(7, 17, 7, 30), Last: local(7, 15, 7, 30), Turn: "fine powder"},
			{Do: "mist", Place: "grow-out", Cohorts: []string{"b-2026"}, State: today.Later, Due: local(7, 17, 20, 0), Last: local(7, 17, 8, 0)},
			{Do: "check-sensor", Place: "grow-out", Cohorts: []string{"b-2026"}, State: today.Later, Due: local(9, 1, 20, 0), Last: none},
		},
		Windows: []today.Window{
			{Cohort: "a-2026", Place: "tub-1", Stage: care.Larva, Began: local(6, 3, 0, 0), Next: care.Metamorph, Early: local(8, 2, 9, 0), Late: local(8, 24, 3, 0), Then: care.Juvenile, ThenBy: local(8, 6, 20, 0), Measured: true},
			{Cohort: "b-2026", Place: "grow-out", Stage: care.Metamorph, Began: local(7, 14, 0, 0), Next: care.Juvenile, Early: local(7, 17, 8, 0), Late: local(7, 20, 0, 0)},
			{Cohort: "c-2026", Place: "tub-1", Stage: care.Larva, Began: local(3, 1, 0, 0), Next: care.Metamorph, Early: local(5, 2, 0, 0), Late: local(7, 1, 0, 0), Overdue: true, Measured: true},
			{Cohort: "d-2026", Place: "tub-2", Stage: care.Larva, Began: local(7, 1, 0, 0), Next: care.Metamorph, Early: none, Late: none, Measured: true},
			{Cohort: "e-2026", Place: "grow-out", Stage: care.Metamorph, Began: local(7, 3, 0, 0), Next: care.Juvenile, Early: none, Late: none, Overdue: true},
		},
		Calibration: []today.Calibration{{Sensor: "grow-out-air", Channel: "humidity", Last: instant.Of(time.Date(2025, 6, 1, 0, 0, 0, 0, time.UTC)), Due: local(6, 1, 0, 0)}},
	}
}

// TestDigests holds the digest of a full and of a quiet day against golden files.
func TestDigests(t *testing.T) {
	quiet := &today.Today{At: local(7, 17, 18, 0), Night: today.Night{From: local(7, 16, 18, 0), To: local(7, 17, 6, 0)}, Missing: "the history could not be read"}
	for name, day := range map[string]*today.Today{"digest": fullDay(), "digest-quiet": quiet} {
		for suffix, unit := range map[string]quantity.Unit{"f": quantity.Fahrenheit, "c": quantity.Celsius} {
			f := formatter(t, unit, day.At)
			e := &journal.Entry{Seq: 19, Run: "run", At: day.At, Kind: journal.DailyDigest, Priority: "low", By: "notify", Text: f.Digest(day)}
			m := f.Message(e)
			assert.False(t, m.Urgent)
			compare(t, name+"."+suffix+".txt", fmt.Sprintf("Title: %s\nUrgent: %t\n\n%s", m.Title, m.Urgent, m.Text))
		}
	}
}

// Of many tasks the first ones are named and the others counted: a message has to fit on a phone.
func TestManyTasksAreCounted(t *testing.T) {
	day := &today.Today{At: local(7, 17, 18, 0)}
	for range 30 {
		day.Tasks = append(day.Tasks, today.Task{Do: "feed", Place: "tub-1", Cohorts: []string{"a-2026"}, State: today.Due, Due: local(7, 17, 8, 0), Last: instant.None})
	}
	text := formatter(t, quantity.Celsius, day.At).Digest(day)
	assert.Equal(t, maxTasks, strings.Count(text, "- Tub 1 (a-2026): feed"))
	assert.Contains(t, text, "- and 18 more")
	assert.Contains(t, text, "30 to do")
	for i := range day.Tasks {
		day.Tasks[i].State = today.Overdue
	}
	assert.Contains(t, formatter(t, quantity.Celsius, day.At).Digest(day), "nothing out of band, 30 overdue\n")
}

package humidity_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/humidity"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/misting"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

var lisbon = func() *time.Location {
	location, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		panic(err)
	}
	return location
}()

// stretch is an enclosure with a band from 75 to 95 %RH, critical under 60, whose humidity is as at says at each minute of the clock.
func stretch(from, to time.Time, at func(day, minute int) float64) *humidity.Stretch {
	band := care.NoBand()
	band.Limits[care.Low], band.Limits[care.High], band.Limits[care.CriticalLow] = 75, 95, 60
	site := watch.Site{
		ID: "north-loft", Location: lisbon, Light: care.Light{AlwaysDay: true, Location: lisbon},
		Places: []watch.Place{{ID: "vivarium-1", Bands: map[quantity.Quantity]care.DayNight{quantity.RelativeHumidity: {Day: band, Night: band}}}},
	}
	r := &misting.Recording{From: instant.Of(from), To: instant.Of(to), Location: lisbon}
	for t := from; t.Before(to); t = t.Add(time.Minute) {
		local := t.In(lisbon)
		if v := at(local.YearDay(), local.Hour()*60+local.Minute()); !math.IsNaN(v) {
			r.Air = append(r.Air, misting.Sample{At: instant.Of(t), Value: 24})
			r.Humidity = append(r.Humidity, misting.Sample{At: instant.Of(t), Value: v})
		}
	}
	in := humidity.Bands(site.WithRecord(nil), "vivarium-1", r.From, r.To)
	r.Limits = in.Limits()
	return &humidity.Stretch{Analysis: misting.Look(r), InForce: in, Location: lisbon}
}

// A day with six hours below its band, one of them critical, and two hours above, counted by hand.
func TestADay(t *testing.T) {
	from := time.Date(2026, 7, 6, 0, 0, 0, 0, lisbon)
	s := stretch(from, from.AddDate(0, 0, 2), func(_, minute int) float64 {
		switch hour := minute / 60; {
		case hour >= 10 && hour < 15:
			return 70
		case hour == 15:
			return 55
		case hour >= 20 && hour < 22:
			return 97
		}
		return 90
	})
	days := s.Days()
	require.Len(t, days, 2)
	for i := range days {
		d := &days[i]
		assert.Equal(t, 24*time.Hour, d.Known)
		assert.Equal(t, 6*time.Hour, d.Below)
		assert.Equal(t, 2*time.Hour, d.Above)
		assert.Equal(t, 6*time.Hour, d.Dry)
		assert.True(t, d.DriedOut())
		assert.Equal(t, watch.InBand, d.Zones[0])
		assert.Equal(t, watch.LowZone, d.Zones[4*10])
		assert.Equal(t, watch.CriticalLowZone, d.Zones[4*15])
		assert.Equal(t, watch.HighZone, d.Zones[4*20])
	}
	tiles := s.Sum(days)
	assert.Equal(t, 2, tiles.Days)
	assert.InDelta(t, 6, tiles.Below, 1e-9)
	assert.InDelta(t, 2, tiles.Above, 1e-9)
	assert.Equal(t, 2, tiles.DriedOut)
	folded := humidity.Fold(days)
	assert.Equal(t, 2, folded.Days)
	assert.InDelta(t, 70, folded.Median[4*12], 1e-9)
}

// What was not measured is not known: it is in no zone, and a day of which little is known does not count.
func TestAGapIsNotTheBand(t *testing.T) {
	from := time.Date(2026, 7, 6, 0, 0, 0, 0, lisbon)
	s := stretch(from, from.AddDate(0, 0, 1), func(_, minute int) float64 {
		if minute >= 8*60 {
			return math.NaN()
		}
		return 60
	})
	days := s.Days()
	require.Len(t, days, 1)
	assert.Equal(t, 8*time.Hour, days[0].Known)
	assert.Equal(t, watch.UnknownZone, days[0].Zones[4*9])
	assert.False(t, days[0].Counts())
	tiles := s.Sum(days)
	assert.Zero(t, tiles.Days)
	assert.True(t, math.IsNaN(tiles.Below))
	assert.True(t, math.IsNaN(humidity.Fold(days).Median[4*9]))
}

// Days of the clock change have 23 and 25 hours, and each hour of the clock stays in its cells.
func TestDaysOfTheClockChange(t *testing.T) {
	for _, c := range []struct {
		day   time.Time
		hours time.Duration
	}{{time.Date(2026, 3, 29, 0, 0, 0, 0, lisbon), 23 * time.Hour}, {time.Date(2026, 10, 25, 0, 0, 0, 0, lisbon), 25 * time.Hour}} {
		s := stretch(c.day, c.day.AddDate(0, 0, 1), func(_, minute int) float64 { return 70 + float64(minute/60) })
		days := s.Days()
		require.Len(t, days, 1)
		assert.Equal(t, c.hours, days[0].Known)
		assert.InDelta(t, 82, days[0].Means[4*12], 1e-9)
		assert.InDelta(t, 93, days[0].Means[4*23], 1e-9)
	}
}

// The ribbon holds the middle four fifths of the days: of eleven, all but the lowest and the highest.
func TestFoldedDay(t *testing.T) {
	from := time.Date(2026, 7, 1, 0, 0, 0, 0, lisbon)
	first := from.YearDay()
	s := stretch(from, from.AddDate(0, 0, 11), func(day, _ int) float64 { return 70 + float64(day-first) })
	f := humidity.Fold(s.Days())
	assert.Equal(t, 11, f.Days)
	for cell := range humidity.Cells {
		require.InDelta(t, 71, f.Low[cell], 1e-9)
		require.InDelta(t, 75, f.Median[cell], 1e-9)
		require.InDelta(t, 79, f.High[cell], 1e-9)
	}
}

// A change is a note at the place that begins with the words, at the time it is about.
func TestChanges(t *testing.T) {
	at := instant.Of(time.Date(2026, 7, 4, 9, 0, 0, 0, lisbon))
	earlier := at.Add(-time.Hour)
	entries := []*journal.Entry{
		{Kind: journal.Note, Place: "vivarium-1", At: at, Text: "Schedule changed to 07:30"},
		{Kind: journal.Note, Place: "vivarium-1", At: at.Add(time.Hour), Since: &earlier, Text: "schedule changed, back-dated"},
		{Kind: journal.Note, Place: "vivarium-2", At: at, Text: "schedule changed"},
		{Kind: journal.Note, Place: "vivarium-1", At: at, Text: "the schedule changed nothing"},
	}
	changes := humidity.Changes(entries, "vivarium-1")
	require.Len(t, changes, 2)
	assert.Equal(t, earlier, changes[0].At)
	assert.Equal(t, at, changes[1].At)
}

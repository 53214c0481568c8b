package clock_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/journal"
	"dewline/internal/test/harness"
)

// Days of the calendar that are not like others, lived through by the program: the water of 22 °C is in the band of the day and
// above that of the night, so that the time per zone gives the hours of light. The report of the day, and what the running
// program has counted, have them all.
func TestCalendar(t *testing.T) {
	text := begin + `
places:
  - id: tub-1
    kind: enclosure
    bands:
      water-temperature:
        day: {high: 24 °C}
        night: {high: 20 °C}
sensors:
  - {id: probe-1, driver: w1, address: 28-00000b3c5d1e, every: 10m, gap: 4h, stale-after: 12h, feeds: {temperature: tub-1/water-temperature}}
history: {path: HISTORY}
`
	for _, c := range []struct {
		day          string
		hours, night float64
	}{
		{"2026-03-29", 23, 11}, // clocks go forward at 1 h (Directive 2000/84/EC: 01:00 UTC on the last Sunday of March)
		{"2026-10-25", 25, 13}, // and back (01:00 UTC on the last Sunday of October)
		{"2028-02-29", 24, 12},
		{"2027-12-31", 24, 12},
	} {
		t.Run(c.day, func(t *testing.T) {
			lisbon, err := time.LoadLocation("Europe/Lisbon")
			require.NoError(t, err)
			midnight, err := time.ParseInLocation("2006-01-02", c.day, lisbon)
			require.NoError(t, err)
			next := midnight.AddDate(0, 0, 1)
			h := newHouse(t, harness.Options{Site: text, Start: midnight.Add(-14 * time.Hour), Pace: 8000})
			p := h.Start()
			zones := h.balance()
			h.Wait("the day is over", func() bool {
				_, last := h.zoneSeconds()
				return last > float64(next.Unix())+3600
			})
			h.exact(zones)
			require.NoError(t, p.Stop())
			assert.Empty(t, of(h.journal(), journal.ClockStepped), "nothing of this is a step")
			report := h.report("--from", c.day, "--to", next.Format("2006-01-02"))
			require.Len(t, report.Points[0].Days, 1)
			day := report.Points[0].Days[0]
			assert.Equal(t, c.day, day.Day)
			assert.Equal(t, c.hours, day.Hours)
			assert.Equal(t, c.hours*3600, day.ElapsedS)
			assert.Equal(t, map[string]float64{
				"critical-low": 0, "low": 0, "in-band": 12 * 3600, "high": c.night * 3600, "critical-high": 0, "no-band": 0, "unknown": 0,
			}, day.Seconds)
		})
	}
}

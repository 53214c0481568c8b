package watch_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// A board that starts with a wrong clock confuses day and night. Until the clock is set, at most for twelve hours, only a value outside
// both bands raises an alarm; critical limits and ledgers follow the clock, and earlier alarms stay.
func TestUnconfirmedClockUsesTheWiderBand(t *testing.T) {
	day, night := care.NoBand(), care.NoBand()
	day.Limits = [care.LimitCount]float64{16, 22, 26, 30}
	night.Limits = [care.LimitCount]float64{16, 18, 22, 28}
	for _, b := range []*care.Band{&day, &night} {
		b.OnDelay, b.OffDelay = 10*time.Minute, time.Minute
	}
	point := quantity.Point{Place: "vivarium-1", Quantity: quantity.AirTemperature}
	site := watch.Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{From: 7 * 60, To: 19 * 60, Location: time.UTC},
		Places: []watch.Place{{ID: "vivarium-1", Bands: map[quantity.Quantity]care.DayNight{quantity.AirTemperature: {Day: day, Night: night}}}},
		Points: []watch.Point{{Point: point, Gap: 5 * time.Minute}},
	}
	noon := time.Date(2026, 7, 6, 12, 0, 0, 0, time.UTC)
	for name, test := range map[string]struct {
		confirmed    bool
		before       float64 // value of a confirmed run before the start; 0 for none
		celsius      float64
		from, length time.Duration // after noon and the start
		confirm      time.Duration // after the start; 0 for never
		want         []string
		cleared      int
	}{
		"night's air by the light of day, confirmed": {confirmed: true, celsius: 20, length: time.Hour, want: []string{"low"}},
		"night's air by the light of day, in doubt":  {celsius: 20, length: 6 * time.Hour},
		"day's air at night, in doubt":               {celsius: 24, from: 8 * time.Hour, length: 6 * time.Hour},
		"too cold for both":                          {celsius: 17, length: time.Hour, want: []string{"low"}},
		"too warm for both":                          {celsius: 27, from: 8 * time.Hour, length: time.Hour, want: []string{"high"}},
		"critical by the clock":                      {celsius: 29, from: 8 * time.Hour, length: time.Hour, want: []string{"critical-high", "high"}},
		"confirmed after an hour":                    {celsius: 20, length: 2 * time.Hour, confirm: time.Hour, want: []string{"low"}},
		"never confirmed":                            {celsius: 20, length: 24 * time.Hour, want: []string{"low"}},
		"an alarm that stood before stays":           {before: 20, celsius: 20, length: 6 * time.Hour, want: []string{"low"}},
		"an alarm that stood before ends":            {before: 20, celsius: 24, length: time.Hour, want: []string{"low"}, cleared: 1},
	} {
		t.Run(name, func(t *testing.T) {
			c := watch.New(site, "test")
			start := noon.Add(test.from)
			var effects []watch.Effect
			feed := func(from, to time.Time, celsius float64) {
				for at := from; at.Before(to); at = at.Add(time.Minute) {
					effects = c.Step(watch.Event{At: instant.Of(at), Value: celsius, Flag: quantity.Pass}, effects)
				}
			}
			if test.before != 0 {
				effects = c.Step(watch.Event{Kind: watch.StartEvent, At: instant.Of(start.Add(-time.Hour)), Run: "1"}, effects)
				feed(start.Add(-time.Hour), start, test.before)
			}
			effects = c.Step(watch.Event{Kind: watch.StartEvent, At: instant.Of(start), Run: "2", Unconfirmed: !test.confirmed}, effects)
			end := start.Add(test.length)
			if test.confirm > 0 {
				feed(start, start.Add(test.confirm), test.celsius)
				require.Empty(t, entries(effects, journal.AlarmRaised), "in doubt")
				effects = append(effects, c.ClockConfirmed(instant.Of(start.Add(test.confirm)))...)
				start = start.Add(test.confirm)
			}
			feed(start, end, test.celsius)
			var raised []string
			for _, e := range entries(effects, journal.AlarmRaised) {
				raised = append(raised, e.Alarm[len(point.String())+1:])
			}
			assert.ElementsMatch(t, test.want, raised)
			assert.Len(t, entries(effects, journal.AlarmCleared), test.cleared)
			if name == "night's air by the light of day, in doubt" {
				state := c.State(0)
				assert.Equal(t, watch.LowZone, state.Zone, "the ledger goes by the clock")
			}
		})
	}
}

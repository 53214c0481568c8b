package watch

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// Gardner and McKenzie (Management Science 31, 1985, equation from memory) add the trend of each step, smaller by a constant factor φ
// each time: m steps ahead there are φ + φ² + … + φᵐ of it. In small steps that is what a trend does here.
func TestTrendFadesAsPublished(t *testing.T) {
	const foresee = 45 * time.Minute
	n := trend{value: 22, slope: 2.0 / 3600, horizon: fadeHorizons * foresee.Seconds()}
	g := glance{point: &point{band: care.Band{Foresee: foresee}}, trend: n}
	const step = 0.1
	phi, sum, share := math.Exp(-step/n.horizon), 0.0, 1.0
	for k := range maxLook {
		assert.InDelta(t, 22+sum, g.value(k), 1e-4, "%d steps ahead", k)
		for range int(foresee.Seconds() / lookSteps / step) {
			share *= phi
			sum += share * n.slope * step
		}
	}
}

// A trend is compared with the limits that will hold when it meets them.
func TestForesightUsesTheNextLightSwitch(t *testing.T) {
	day, night := care.NoBand(), care.NoBand()
	day.Limits = [care.LimitCount]float64{17, 22, 26, 28}
	night.Limits = [care.LimitCount]float64{17, 18, 22, 28}
	for _, b := range []*care.Band{&day, &night} {
		b.OnDelay, b.OffDelay, b.Deadband, b.Foresee = time.Hour, time.Minute, 0.3, 45*time.Minute
	}
	light := care.Light{From: 7 * 60, To: 19 * 60, Location: time.UTC}
	point := quantity.Point{Place: "vivarium-1", Quantity: quantity.AirTemperature}
	site := Site{
		ID: "north-loft", Location: time.UTC, Light: light,
		Places: []Place{{ID: "vivarium-1", Bands: map[quantity.Quantity]care.DayNight{quantity.AirTemperature: {Day: day, Night: night}}}},
		Points: []Point{{Point: point, Gap: 2 * time.Minute}},
	}
	for _, test := range []struct {
		name     string
		from     string // local time of the first reading
		start    float64
		perHour  float64
		minutes  int
		foreseen string // alarm; "" for none
		atLimit  float64
	}{
		{name: "warm-up before the light goes on", from: "06:35", start: 21, perHour: 4, minutes: 25}, // beyond the night's limit for ten minutes of sixty allowed
		{name: "warm-up in the night", from: "02:00", start: 20, perHour: 4, minutes: 40, foreseen: "rising", atLimit: 22},
		{name: "warm-up before the light goes on, and far beyond", from: "06:35", start: 21, perHour: 10, minutes: 29, foreseen: "rising", atLimit: 28},
		{name: "cooling before the light goes off", from: "18:30", start: 23.5, perHour: -4, minutes: 40},
		{name: "cooling at noon", from: "12:00", start: 23.5, perHour: -4, minutes: 40, foreseen: "falling", atLimit: 22},
		{name: "cooling before the light goes off, and far beyond", from: "18:30", start: 23.5, perHour: -11, minutes: 29, foreseen: "falling", atLimit: 17},
		{name: "rising into the lower limit of the night", from: "18:20", start: 21, perHour: 1.2, minutes: 39, foreseen: "rising", atLimit: 22},
	} {
		t.Run(test.name, func(t *testing.T) {
			from, err := time.Parse("2006-01-02 15:04", "2026-07-06 "+test.from)
			require.NoError(t, err)
			c := New(site, "test")
			var foreseen []string
			var limits []float64
			for m := range test.minutes {
				at := instant.Of(from.Add(time.Duration(m) * time.Minute))
				value := test.start + test.perHour*float64(m)/60
				for _, e := range c.Step(Event{At: at, Value: value, Flag: quantity.Pass}, nil) {
					if e.Kind == Record && e.Entry.Kind == "alarm.raised" {
						foreseen = append(foreseen, e.Entry.Alarm)
						limits = append(limits, *e.Entry.Setpoint)
					}
				}
			}
			if test.foreseen == "" {
				assert.Empty(t, foreseen)
				return
			}
			assert.Equal(t, []string{point.String() + "/" + test.foreseen}, foreseen)
			assert.Equal(t, []float64{test.atLimit}, limits)
		})
	}
}

// A stage that the configuration has for later counts as well.
func TestForesightUsesTheNextStage(t *testing.T) {
	warm, cool := care.NoBand(), care.NoBand()
	warm.Limits = [care.LimitCount]float64{math.NaN(), 18, 26, math.NaN()}
	cool.Limits = [care.LimitCount]float64{math.NaN(), 16, 22, math.NaN()}
	profile := &care.Profile{Care: map[care.Stage]care.Care{}}
	for s, b := range map[care.Stage]*care.Band{care.Larva: &warm, care.Metamorph: &cool} {
		b.OnDelay, b.OffDelay, b.Foresee = time.Hour, time.Minute, 45*time.Minute
		profile.Care[s] = care.Care{Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: {Day: *b, Night: *b}}}
	}
	start := time.Date(2026, 7, 6, 12, 0, 0, 0, time.UTC)
	point := quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}
	site := Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{AlwaysDay: true, Location: time.UTC},
		Places:   []Place{{ID: "tub-1"}},
		Points:   []Point{{Point: point, Gap: 2 * time.Minute}},
		Cohorts:  []Cohort{{ID: "a-2026", Profile: "frog", Place: "tub-1", Stages: []care.Since{{Stage: care.Larva, At: start.Add(-24 * time.Hour)}}}},
		Profiles: map[string]*care.Profile{"frog": profile},
	}
	for name, set := range map[string]bool{"no change": false, "metamorphs in half an hour": true} {
		t.Run(name, func(t *testing.T) {
			site := site
			if set {
				site.Cohorts = []Cohort{site.Cohorts[0]}
				site.Cohorts[0].Stages = append(slices.Clone(site.Cohorts[0].Stages), care.Since{Stage: care.Metamorph, At: start.Add(30 * time.Minute)})
			}
			c := New(site, "test")
			raised := 0
			for m := range 30 {
				at := instant.Of(start.Add(time.Duration(m) * time.Minute))
				for _, e := range c.Step(Event{At: at, Value: 21 + 1.5*float64(m)/60, Flag: quantity.Pass}, nil) {
					if e.Kind == Record && e.Entry.Kind == "alarm.raised" {
						assert.Equal(t, 22.0, *e.Entry.Setpoint)
						raised++
					}
				}
			}
			assert.Equal(t, map[bool]int{false: 0, true: 1}[set], raised)
		})
	}
}

// A trend that slows down as an exponential approach does ends where that ends; a straight line goes on as before, and so does one that
// becomes steeper.
func TestATrendThatSlowsDownEnds(t *testing.T) {
	const foresee, every, lag = 45 * time.Minute, 3 * time.Minute, 15 * time.Minute
	usual := fadeHorizons * foresee.Seconds()
	for name, c := range map[string]struct {
		slope   func(seconds float64) float64
		horizon float64
	}{
		"an approach":       {func(s float64) float64 { return math.Exp(-s / lag.Seconds()) }, 1 / (1/usual + 1/lag.Seconds())},
		"a straight line":   {func(float64) float64 { return 1 }, usual},
		"it gets steeper":   {func(s float64) float64 { return 1 + s/1000 }, usual},
		"it has turned":     {func(s float64) float64 { return 100 - s }, usual},
		"nothing moves now": {func(s float64) float64 { return max(0, 100-s) }, usual},
	} {
		t.Run(name, func(t *testing.T) {
			var seen turning
			n := trend{}
			for k := range 4 {
				seen.pass(every, foresee)
				n = trend{slope: c.slope(float64(k) * every.Seconds()), horizon: usual}
				seen.bend(&n)
				if k < 3 {
					assert.Equal(t, usual, n.horizon, "too little was seen")
				}
			}
			assert.InDelta(t, c.horizon, n.horizon, 1e-6*usual)
			assert.True(t, seen.valid())
		})
	}
}

// A trend must have gone on for a third of the time that is left: what ends after a quarter of an hour is no news, and what goes on is, in time.
func TestAFarLimitIsConfirmed(t *testing.T) {
	for minutes, want := range map[int]bool{14: false, 25: true} {
		c, begin := lookout(t, 45*time.Minute)
		const quiet, perHour = 3*24*60 + 14*60, 7.0
		raised := false
		for m := range quiet + 60 {
			up := min(max(m-quiet, 0), minutes)
			v := 22.5 + perHour*float64(up)/60 // the limit is 26
			if m > quiet+minutes {
				v = max(22.5, v-2*perHour*float64(m-quiet-minutes)/60)
			}
			for _, e := range c.Step(Event{At: begin.Add(time.Duration(m) * time.Minute), Value: v, Flag: quantity.Pass}, nil) {
				raised = raised || e.Kind == Record && e.Entry.Kind == "alarm.raised"
			}
		}
		assert.Equal(t, want, raised, "%d minutes", minutes)
	}
}

// What comes back to the usual day, and passes it a little, has come back; what goes on has not.
func TestAReturnIsNoTrend(t *testing.T) {
	var seen turning
	look := func(deviation float64) bool {
		seen.pass(3*time.Minute, 45*time.Minute)
		return seen.returns(deviation)
	}
	for _, cold := range []float64{-1, -3, -4, -2} {
		assert.False(t, look(cold))
	}
	assert.True(t, look(0.5))
	assert.True(t, look(1))
	assert.False(t, look(2))
	assert.False(t, look(2.5))
	assert.True(t, look(-0.2))
	for range 60 {
		look(0)
	}
	assert.False(t, look(-0.2), "that was hours ago")
}

// While the time of day is in doubt, as after a power cut, a value that comes back from below is not expected beyond what is usual at some
// time of the day; one that is already beyond is.
func TestRangeOfTheUsualDayWhileTheTimeIsInDoubt(t *testing.T) {
	for name, c := range map[string]struct {
		confirmed bool
		from      float64
		raised    bool
	}{
		"the clock is right, and the value comes back": {true, 18, false},
		"the clock is in doubt":                        {false, 18, false},
		"in doubt, and beyond the usual":               {false, 24.2, true},
	} {
		t.Run(name, func(t *testing.T) {
			core, begin := lookout(t, 45*time.Minute)
			minute, raised := 0, 0
			give := func(v float64) {
				for _, e := range core.Step(Event{At: begin.Add(time.Duration(minute) * time.Minute), Value: v, Flag: quantity.Pass}, nil) {
					if e.Kind == Record && e.Entry.Kind == "alarm.raised" && e.Entry.Alarm == "vivarium-1/air-temperature/rising" {
						raised++
					}
				}
				minute++
			}
			for m := range 3 * 24 * 60 {
				give(22 + 2*math.Sin(2*math.Pi*float64(m)/(24*60)))
			}
			core.Step(Event{Kind: StartEvent, At: begin.Add(time.Duration(minute) * time.Minute), Unconfirmed: !c.confirmed, Run: "2"}, nil)
			for m := range 40 {
				give(c.from + 3*float64(m)/60)
			}
			assert.Equal(t, c.raised, raised > 0)
		})
	}
}

package watch

import (
	"encoding/json"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// The usual day is the median of the days before, slot by slot, and unknown where fewer than three of them were seen. A slow look at
// all values says the same, also after the state was written and read.
func TestUsualDayIsTheMedian(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		days := rapid.IntRange(1, 12).Draw(rt, "days")
		means := make([][usualSlots]float64, days)
		var u usual
		for day := range means {
			missing := rapid.Bool().Draw(rt, "a day without readings")
			level := rapid.Float64Range(-10, 40).Draw(rt, "level")
			for slot := range usualSlots {
				means[day][slot] = math.NaN()
				if missing {
					continue
				}
				low, high := level+float64(slot)/10, level+float64(slot)/10+0.5
				u.learn(int64(1000+day), float64(slot*slotLength), low, 0.01)
				u.learn(int64(1000+day), float64(slot*slotLength+slotLength-1), high, 0.01)
				means[day][slot] = (low + high) / 2
			}
		}
		u.learn(int64(1000+days), 0, 20, 0.01)
		text, err := json.Marshal(&u)
		require.NoError(rt, err)
		var again usual
		require.NoError(rt, json.Unmarshal(text, &again))
		require.Equal(rt, u, again)
		require.True(rt, again.valid())
		got := again.course(0.01)
		for slot := range usualSlots {
			var seen []float64
			for day := max(0, days-usualDays+1); day < days; day++ {
				if !math.IsNaN(means[day][slot]) {
					seen = append(seen, means[day][slot])
				}
			}
			if len(seen) < minUsual {
				require.True(rt, math.IsNaN(got[slot]))
				continue
			}
			slices.Sort(seen)
			require.InDelta(rt, (seen[(len(seen)-1)/2]+seen[len(seen)/2])/2, got[slot], 0.006)
		}
	})
}

// Between the middles of the slots it is a line, over midnight as well.
func TestUsualValue(t *testing.T) {
	var c course
	for slot := range c {
		c[slot] = float64(slot)
	}
	assert.Equal(t, 40.0, c.at(40*slotLength+7.5))
	assert.Equal(t, 40.5, c.at(41*slotLength))
	assert.Equal(t, 47.5, c.at(0), "half of the last and half of the first")
	assert.InDelta(t, c.at(10), c.at(24*60+10), 1e-9, "the day after is the same")
	c[3] = math.NaN()
	assert.True(t, math.IsNaN(c.at(3*slotLength)))
}

// The clock on the wall counts, before and after its change: the course is that of local time.
func TestLocalTimeFollowsTheWallClock(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	c := New(Site{ID: "north-loft", Location: lisbon}, "test")
	rapid.Check(t, func(rt *rapid.T) {
		at := time.Unix(rapid.Int64Range(-600_000_000, 4_000_000_000).Draw(rt, "time"), 0)
		day, minute := c.localTime(instant.Of(at))
		local := at.In(lisbon)
		require.Equal(rt, local.Hour()*60+local.Minute(), int(minute))
		require.Equal(rt, local.Format(time.DateOnly), time.Unix(day*24*3600, 0).UTC().Format(time.DateOnly))
	})
}

// A point that warms up every morning as fast as one whose cooling has failed: once its days are known the mornings are not foreseen to
// pass the limit, and an hour that is steep at another time is.
func TestUsualMorningIsNoTrend(t *testing.T) {
	c, begin := lookout(t, 45*time.Minute)
	value := func(minute float64) float64 { // 20 °C by night, 25 °C by day, the limit is 26
		switch {
		case minute < 6*60 || minute >= 20*60:
			return 20
		case minute < 7*60:
			return 20 + 5*(minute-6*60)/60
		case minute >= 19*60:
			return 25 - 5*(minute-19*60)/60
		}
		return 25
	}
	raised := map[int]int{} // by day
	for m := range 9 * 24 * 60 {
		v := value(float64(m % (24 * 60)))
		if m >= (8*24+14)*60 { // on the last day it goes on rising at two in the afternoon
			v = min(25+5*float64(m-(8*24+14)*60)/60, 30)
		}
		for _, e := range c.Step(Event{At: begin.Add(time.Duration(m) * time.Minute), Value: v, Flag: quantity.Pass}, nil) {
			if e.Kind == Record && e.Entry.Kind == "alarm.raised" && e.Entry.Alarm == "vivarium-1/air-temperature/rising" {
				raised[m/(24*60)]++
			}
		}
	}
	assert.Positive(t, raised[0], "nothing is known yet")
	for day := minUsual; day < 8; day++ {
		assert.Zero(t, raised[day], "day %d", day)
	}
	assert.Equal(t, 2, raised[8], "the limit, and the critical one anew")
}

// A conditioner that warms the room at another moment each morning, and fast: nothing beyond where its mornings end is foreseen. The day on
// which it does not stop there is.
func TestUsualMorningThatComesSoonerOrLater(t *testing.T) {
	c, begin := lookout(t, 45*time.Minute)
	const last = 12
	raised := map[int]int{} // by day
	for m := range last*24*60 + 8*60 {
		day, minute := m/(24*60), float64(m%(24*60))
		top := 23.5
		if day == last {
			top = 30
		}
		begins := float64(6*60 + day*17%30) // from 20 °C, 18 K in an hour; the limit is 26
		v := min(max(20, 20+18*(minute-begins)/60), top)
		if minute >= 20*60 {
			v = max(20, top-8*(minute-20*60)/60)
		}
		for _, e := range c.Step(Event{At: begin.Add(time.Duration(m) * time.Minute), Value: v, Flag: quantity.Pass}, nil) {
			if e.Kind == Record && e.Entry.Kind == "alarm.raised" && e.Entry.Alarm == "vivarium-1/air-temperature/rising" {
				raised[day]++
			}
		}
	}
	for day := 3; day < last; day++ {
		assert.Zero(t, raised[day], "day %d", day)
	}
	assert.Positive(t, raised[last])
}

// What moves for the first time is not usual within its own hour, and hardly so on the day after; what does so every day soon is.
func TestAnEventIsNotUsualAtOnce(t *testing.T) {
	const quiet, steep = 0.05 / 3600, 1.5 / 3600 // per second
	var s slopes
	day := func(at14 float64) (left float64) {
		for minute := 0.0; minute < 24*60; minute += 3 {
			slope := quiet
			if minute >= 14*60 && minute < 15*60 {
				slope = at14
			}
			got := s.unusual(minute, slope, 3*time.Minute)
			if minute == 14*60+57 {
				left = got
			}
		}
		return left
	}
	for range 7 {
		day(quiet)
	}
	assert.InDelta(t, steep, day(steep), 0.1*steep, "at the end of the hour in which it began")
	assert.True(t, s.valid())
	for range 7 {
		day(steep)
	}
	assert.Zero(t, day(steep), "it comes every day")
}

// A limit of the band that is foreseen again and again is foreseen three times in a week.
func TestALimitIsNotForeseenEachDay(t *testing.T) {
	c, begin := lookout(t, 45*time.Minute)
	var raised []int
	for m := range 4 * 24 * 60 {
		v := 21.0
		if turn := m % (5 * 60); turn > 3*60 { // it turns around just below the limit, at another time each day
			v = 21 + 4.9*float64(turn-3*60)/(2*60)
		}
		for _, e := range c.Step(Event{At: begin.Add(time.Duration(m) * time.Minute), Value: v, Flag: quantity.Pass}, nil) {
			if e.Kind == Record && e.Entry.Kind == "alarm.raised" && e.Entry.Alarm == "vivarium-1/air-temperature/rising" && *e.Entry.Setpoint == 26 {
				raised = append(raised, m)
			}
		}
	}
	assert.Len(t, raised, oftenAhead, "%v", raised)
}

// On a straight line a limit is foreseen at least four fifths of the time before that the configuration asks for, whatever the
// speed, and no earlier than that time.
func TestStraightLineIsForeseen(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		horizon := time.Duration(rapid.IntRange(30, 120).Draw(rt, "foresee")) * time.Minute
		speed := rapid.Float64Range(0.3, 8).Draw(rt, "kelvin per hour")
		c, begin := lookout(rt, horizon)
		lead := 2 * horizon
		foreseen := -1.0
		start := 26 - speed*lead.Hours()
		for m := 0; m <= int(lead.Minutes()); m++ {
			v := start + speed*float64(m)/60
			for _, e := range c.Step(Event{At: begin.Add(time.Duration(m) * time.Minute), Value: v, Flag: quantity.Pass}, nil) {
				if e.Kind == Record && e.Entry.Kind == "alarm.raised" && e.Entry.Alarm == "vivarium-1/air-temperature/rising" && foreseen < 0 {
					foreseen = lead.Minutes() - float64(m)
					require.Equal(rt, 26.0, *e.Entry.Setpoint)
				}
			}
		}
		require.GreaterOrEqual(rt, foreseen, 0.8*horizon.Minutes()-1)
		require.LessOrEqual(rt, foreseen, horizon.Minutes())
	})
}

// lookout is a core with one point whose air may be at 10 to 26 °C, critical at 5 and 28, from local midnight on.
func lookout(t require.TestingT, horizon time.Duration) (*Core, instant.Instant) {
	band := care.NoBand()
	band.Limits = [care.LimitCount]float64{5, 10, 26, 28}
	band.OnDelay, band.OffDelay, band.Deadband, band.Foresee = 15*time.Minute, 10*time.Minute, 0.5, horizon
	site := Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{AlwaysDay: true, Location: time.UTC},
		Places: []Place{{ID: "vivarium-1", Bands: map[quantity.Quantity]care.DayNight{quantity.AirTemperature: {Day: band, Night: band}}}},
		Points: []Point{{Point: quantity.Point{Place: "vivarium-1", Quantity: quantity.AirTemperature}, Gap: 3 * time.Minute}},
	}
	return New(site, "test"), instant.Of(time.Date(2026, 7, 6, 0, 0, 0, 0, time.UTC))
}

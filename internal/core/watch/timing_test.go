package watch

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// Whatever the lengths are that a point takes for what was expected of it, four of five further ones lie in the interval: the k-th
// smallest of n exceeds another one of their kind with the probability k/(n+1).
func TestFourOfFiveLieInTheInterval(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{minTimings, 18, 25, 38, maxTimings, 3 * maxTimings} {
		const rounds, ahead = 4000, 40 * time.Minute
		inside := 0
		for range rounds {
			draw := func() float64 { return math.Exp(0.2 + 0.6*random.NormFloat64()) }
			var learned timing
			for range n {
				learned.note(math.Log(draw()))
			}
			require.True(t, learned.valid())
			require.LessOrEqual(t, len(learned.Ratios), maxTimings)
			e := learned.expect(care.High, 0, ahead, 0)
			if real := instant.Instant(float64(ahead) * draw()); real >= *e.From && real <= *e.To {
				inside++
			}
		}
		assert.InDelta(t, 0.8, float64(inside)/rounds, 0.025, "%d", n)
	}
	var little timing
	for range minTimings - 1 {
		little.note(0)
	}
	e := little.expect(care.CriticalHigh, 0, time.Hour, 0)
	assert.Equal(t, "critical-high", e.Limit)
	assert.Equal(t, instant.Instant(time.Hour), e.At)
	assert.Nil(t, e.From, "too little is known")
}

// Where only the value may be off, that is what makes the interval: half a kelvin (k = 2) of a value that moves by a kelvin in an hour is a
// quarter of an hour. Beside a larger error of the outlook it counts for little.
func TestUncertaintyOfTheValueWidensTheInterval(t *testing.T) {
	c := New(Site{Location: time.UTC}, "test")
	p := &point{ownAccuracy: 0.5, band: care.Band{Foresee: 45 * time.Minute}}
	for range maxTimings {
		p.Timing.note(0)
	}
	e := c.when(p, care.High, 24, 23, 0, time.Hour)
	assert.InDelta(t, 45, time.Duration(*e.From).Minutes(), 0.1)
	assert.InDelta(t, 75, time.Duration(*e.To).Minutes(), 0.1)
	e = c.when(p, care.High, 24, 24, 0, 0)
	assert.Zero(t, *e.From, "it may be there now, and not before")
	p.Timing = timing{}
	for range maxTimings {
		p.Timing.note(math.Log(2))
	}
	e = c.when(p, care.Low, 22, 23, 0, time.Hour)
	assert.InDelta(t, 120, time.Duration(*e.From).Minutes(), 3)
	assert.InDelta(t, 120, time.Duration(*e.To).Minutes(), 3)
}

// A value that rises at half the speed that is expected of it reaches each level after twice the time: so the interval says. A trend
// gives one level, and what is not reached in time counts for nothing.
func TestTimingLearnsFromLevels(t *testing.T) {
	band := care.NoBand()
	band.Foresee, band.Deadband = 45*time.Minute, 0.5
	p := &point{band: band}
	const look = 3 * time.Minute
	var learned timing
	at, v := instant.Instant(0), 20.0
	follow := func(slope, real float64, looks int) {
		for range looks {
			at, v = at.Add(look), v+real*look.Seconds()
			g := glance{point: p, at: at, trend: trend{value: v, slope: slope, horizon: fadeHorizons * band.Foresee.Seconds()}}
			learned.follow(&g, at, v)
		}
	}
	const kelvinPerHour = 1.0 / 3600
	for n := range minTimings {
		assert.Len(t, learned.Ratios, n)
		follow(2*kelvinPerHour, kelvinPerHour, 40)
		follow(0, 0, 3)
	}
	e := learned.expect(care.High, at, 30*time.Minute, 0)
	assert.InDelta(t, 60, e.From.Sub(at).Minutes(), 9, "a look is three minutes, and trends fade")
	assert.InDelta(t, 60, e.To.Sub(at).Minutes(), 9)

	before := len(learned.Ratios)
	follow(2*kelvinPerHour, 0, 200)
	assert.Len(t, learned.Ratios, before, "it never came")
	follow(0, 0, 3)
	follow(0.1*kelvinPerHour, 0.1*kelvinPerHour, 100)
	assert.Len(t, learned.Ratios, before, "a tenth of a kelvin is no trend worth the name")
}

// An alarm that a limit will be met says which and when, and its state follows as the time comes nearer; it ends with the alarm.
func TestOutlookAlarmSaysWhen(t *testing.T) {
	c, begin := lookout(t, 45*time.Minute)
	const name = "vivarium-1/air-temperature/rising"
	meets := begin.Add(110 * time.Minute) // 2 K in an hour from 22.3 °C; the limit is 26
	said := 0
	for m := 0; m < 100; m++ {
		v := 26 - 2*float64(110-m)/60
		for _, e := range c.Step(Event{At: begin.Add(time.Duration(m) * time.Minute), Value: v, Flag: quantity.Pass}, nil) {
			if e.Kind == Record && e.Entry.Kind == "alarm.raised" && e.Entry.Alarm == name {
				said++
				require.NotNil(t, e.Entry.Expected)
				assert.Equal(t, "high", e.Entry.Expected.Limit)
				assert.InDelta(t, 0, meets.Sub(e.Entry.Expected.At).Minutes(), 10)
			}
		}
	}
	require.Equal(t, 1, said)
	state := func() AlarmState {
		a, known := c.Alarm(name)
		require.True(t, known)
		return a
	}
	require.NotNil(t, state().Expected)
	assert.InDelta(t, 0, meets.Sub(state().Expected.At).Minutes(), 3, "ten minutes before")
	for m := 100; m < 200; m++ { // the air cools again
		c.Step(Event{At: begin.Add(time.Duration(m) * time.Minute), Value: 25.6 - float64(m-100)/60*3, Flag: quantity.Pass}, nil)
	}
	assert.Nil(t, state().Expected)
}

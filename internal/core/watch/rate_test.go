package watch

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// housed is a core with the air of a room and of an enclosure, which is in the room or beside it; both are critical below 15 °C.
func housed(t require.TestingT, in string) (*Core, instant.Instant) {
	band := care.NoBand()
	band.Limits = [care.LimitCount]float64{15, 18, 26, 28}
	band.OnDelay, band.OffDelay, band.Deadband, band.Foresee = 15*time.Minute, 10*time.Minute, 0.5, 45*time.Minute
	bands := map[quantity.Quantity]care.DayNight{quantity.AirTemperature: {Day: band, Night: band}}
	site := Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{AlwaysDay: true, Location: time.UTC},
		Places: []Place{{ID: "loft", Room: true, Bands: bands}, {ID: "vivarium-1", In: in, Bands: bands}},
		Points: []Point{
			{Point: quantity.Point{Place: "loft", Quantity: quantity.AirTemperature}, Gap: 3 * time.Minute},
			{Point: quantity.Point{Place: "vivarium-1", Quantity: quantity.AirTemperature}, Gap: 3 * time.Minute},
		},
	}
	c := New(site, "test")
	require.Equal(t, int32(-1), c.points[0].lead)
	return c, instant.Of(time.Date(2026, 7, 6, 0, 0, 0, 0, time.UTC))
}

// housing gives the core a reading of the room and of the enclosure each minute, and returns when outlook alarms of the enclosure were raised,
// by setpoint, in minutes.
func housing(c *Core, begin instant.Instant, from, to int, value func(m int) (room, enclosure float64)) map[float64]int {
	raised := map[float64]int{}
	for m := from; m < to; m++ {
		room, enclosure := value(m)
		for i, v := range [2]float64{room, enclosure} {
			for _, e := range c.Step(Event{At: begin.Add(time.Duration(m) * time.Minute), Point: int32(i), Value: v, Flag: quantity.Pass}, nil) {
				if _, again := raised[setpoint(&e)]; i == 1 && e.Kind == Record && e.Entry.Kind == "alarm.raised" && e.Entry.Expected != nil && !again {
					raised[*e.Entry.Setpoint] = m
				}
			}
		}
	}
	return raised
}

func setpoint(e *Effect) float64 {
	if e.Kind != Record || e.Entry.Setpoint == nil {
		return math.NaN()
	}
	return *e.Entry.Setpoint
}

const day = 24 * 60 // minutes

// An enclosure that comes back to a room of constant temperature in a pure exponential, whenever its lid was open for a moment, gives its
// rate within 5 %. The jump itself teaches nothing, nor does the hour after it.
func TestRateOfAnExponential(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		perHour := rapid.Float64Range(0.3, 4).Draw(rt, "rate")
		chance := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 0))
		c, begin := housed(rt, "loft")
		apart, left := 0.0, math.Exp(-perHour/60)
		next := 4*day + 1 // the days before are what is usual
		housing(c, begin, 0, 6*day, func(m int) (float64, float64) {
			apart *= left
			if m == next {
				apart += 3
				next += 3*60 + chance.IntN(4*60)
			}
			return 22, 22 + apart
		})
		k, known := c.points[1].Rate.known()
		require.True(rt, known)
		require.InEpsilon(rt, perHour, k*3600, 0.05)
		require.True(rt, c.points[1].Rate.valid())
	})
}

// Where neither moves by more than noise, and where the enclosure moves without its room, no rate is known.
func TestNoRateWithoutAReason(t *testing.T) {
	for name, value := range map[string]func(chance *rand.Rand, m int) (float64, float64){
		"noise": func(chance *rand.Rand, _ int) (float64, float64) {
			return 22 + 0.03*chance.NormFloat64(), 21 + 0.03*chance.NormFloat64()
		},
		"nothing moves": func(*rand.Rand, int) (float64, float64) { return 22, 21 },
		"a life of its own": func(_ *rand.Rand, m int) (float64, float64) {
			return 22, 21 + math.Sin(2*math.Pi*float64(m)/(7*60))
		},
	} {
		t.Run(name, func(t *testing.T) {
			c, begin := housed(t, "loft")
			chance := rand.New(rand.NewPCG(1, 2))
			housing(c, begin, 0, 6*day, func(m int) (float64, float64) { return value(chance, m) })
			_, known := c.points[1].Rate.known()
			assert.False(t, known)
		})
	}
}

// A jump, as at a change of water, is left out with the hour after it; a gap as well.
func TestJumpsTeachNoRate(t *testing.T) {
	for name, jump := range map[string]bool{"nothing": false, "a jump": true} {
		t.Run(name, func(t *testing.T) {
			c, begin := housed(t, "loft")
			housing(c, begin, 0, day+6*60, func(int) (float64, float64) { return 22, 21 })
			before := c.points[1].Rate.N
			housing(c, begin, day+6*60, day+7*60, func(int) (float64, float64) {
				if jump {
					return 22, 23
				}
				return 22, 21
			})
			assert.Equal(t, !jump, c.points[1].Rate.N > before)
		})
	}
}

// drifting moves the room up and down by 2 K in the first ten hours of each day, for forty minutes or so each time, and lets the enclosure
// follow it.
func drifting(perHour float64) func(m int) (float64, float64) {
	chance := rand.New(rand.NewPCG(3, 4))
	room, enclosure := 22.0, 22.0
	return func(m int) (float64, float64) {
		if m%day > 10*60 {
			room = 22
		} else if chance.IntN(40) == 0 {
			room = 20 + 4*chance.Float64()
		}
		enclosure += (room - enclosure) * (1 - math.Exp(-perHour/60))
		return room, enclosure
	}
}

// Once it is known how an enclosure follows its room, the course that is drawn for it is the one that it takes: here half an hour after the
// room has lost 7 K within minutes. A trend alone would have it fall on.
func TestAnEnclosureIsExpectedToFollowItsRoom(t *testing.T) {
	const perHour, noon = 1.2, 4*day + 12*60
	for name, in := range map[string]string{"in the room": "loft", "beside it": ""} {
		t.Run(name, func(t *testing.T) {
			c, begin := housed(t, in)
			housing(c, begin, 0, 4*day, drifting(perHour))
			room, enclosure := 22.0, 22.0
			live := func(m int) (float64, float64) {
				if m > noon {
					room = 15 + (room-15)*math.Exp(-1./5)
				}
				enclosure += (room - enclosure) * (1 - math.Exp(-perHour/60))
				return room, enclosure
			}
			raised := housing(c, begin, 4*day, noon+30, live)
			require.Contains(t, raised, 18.0)
			p := &c.points[1]
			look := c.look(p, p.Last, 12*60+29, 3*time.Minute, true)
			require.Equal(t, in != "", look.follows)
			if !look.follows {
				return
			}
			for k := 1; k < 2*lookSteps; k++ {
				for m := range 3 {
					live(noon + 27 + 3*k + m)
				}
				assert.InDelta(t, enclosure, look.drawn[k], 0.4, "after %d min", 3*k)
			}
		})
	}
}

// The critical limit is foreseen after that of the band, and both before they are met.
func TestCriticalLimitIsForeseenByTheRoom(t *testing.T) {
	c, begin := housed(t, "loft")
	const perHour, noon = 1.2, 4*day + 12*60
	housing(c, begin, 0, 4*day, drifting(perHour))
	room, enclosure, met := 22.0, 22.0, 0
	raised := housing(c, begin, 4*day, noon+4*60, func(m int) (float64, float64) {
		if m > noon {
			room = 12 + (room-12)*math.Exp(-1./15)
		}
		if enclosure += (room - enclosure) * (1 - math.Exp(-perHour/60)); enclosure < 15 && met == 0 {
			met = m
		}
		return room, enclosure
	})
	require.Contains(t, raised, 15.0)
	require.Contains(t, raised, 18.0)
	assert.Less(t, raised[18], raised[15])
	assert.Less(t, raised[15], met-30, "half an hour before")
}

// A cause of its own is no matter of the room: where the enclosure falls in a straight line in a room that stays as it is, the critical
// limit is foreseen four fifths of the time before, also once the rate is known.
func TestStraightLineInACalmRoomIsForeseen(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		speed := rapid.Float64Range(2, 6).Draw(rt, "kelvin per hour")
		c, begin := housed(rt, "loft")
		housing(c, begin, 0, 4*day, drifting(1.2))
		_, known := c.points[1].Rate.known()
		require.True(rt, known)
		const noon = 4*day + 12*60
		housing(c, begin, 4*day, noon, func(int) (float64, float64) { return 22, 22 })
		meets := noon + 7/speed*60
		raised := housing(c, begin, noon, int(meets)+1, func(m int) (float64, float64) {
			return 22, 22 - speed*float64(m-noon)/60
		})
		require.Contains(rt, raised, 15.0)
		ahead := meets - float64(raised[15])
		require.GreaterOrEqual(rt, ahead, 0.8*45-1)
		require.LessOrEqual(rt, ahead, 1.3*45+1)
	})
}

// Which of two points that are read in turn comes first changes nothing: neither what is learned nor when a limit is foreseen.
func TestRoomAndEnclosureAreReadInTurn(t *testing.T) {
	run := func(order [2]int32) (float64, map[float64]instant.Instant) {
		c, begin := housed(t, "loft")
		follow, enclosure := drifting(1.2), 0.0
		raised := map[float64]instant.Instant{}
		for m := range 4*day + 16*60 {
			room := 13 + 9*math.Exp(-float64(m-4*day-12*60)/20)
			if m < 4*day+12*60 {
				room, enclosure = follow(m)
			} else {
				enclosure += (room - enclosure) * (1 - math.Exp(-1.2/60))
			}
			for _, i := range order {
				v := [2]float64{room, enclosure}[i]
				for _, e := range c.Step(Event{At: begin.Add(time.Duration(m) * time.Minute), Point: i, Value: v, Flag: quantity.Pass}, nil) {
					if i == 1 && e.Kind == Record && e.Entry.Kind == "alarm.raised" && e.Entry.Expected != nil {
						raised[*e.Entry.Setpoint] = e.Entry.At
					}
				}
			}
		}
		k, known := c.points[1].Rate.known()
		require.True(t, known)
		return k, raised
	}
	k1, one := run([2]int32{0, 1})
	k2, two := run([2]int32{1, 0})
	assert.Equal(t, k1, k2)
	assert.Equal(t, one, two)
	assert.NotEmpty(t, one)
}

// What a snapshot holds of it goes on as if there had been none; a state of before has no rate, and learns it.
func TestRateSurvivesARestart(t *testing.T) {
	c, begin := housed(t, "loft")
	housing(c, begin, 0, 3*day, drifting(1.2))
	state, err := c.Snapshot()
	require.NoError(t, err)
	again, _ := housed(t, "loft")
	require.NoError(t, again.Restore(state))
	assert.Equal(t, c.points[1].Rate, again.points[1].Rate)
	assert.Equal(t, c.points[0].Leads, again.points[0].Leads)
	assert.Equal(t, c.points[1].Turning, again.points[1].Turning)
	fall := func(m int) (float64, float64) { return 22 - float64(m-3*day)/20, 22 - float64(m-3*day)/25 }
	assert.Equal(t, housing(c, begin, 3*day, 3*day+3*60, fall), housing(again, begin, 3*day, 3*day+3*60, fall))

	for _, m := range []*pointMemory{{Rate: rate{N: math.NaN()}}, {Rate: rate{Slot: usualSlots}}, {Turning: turning{Peak: math.Inf(1)}}, {Leads: [2]lead{{Known: true}}}} {
		assert.False(t, m.Rate.valid() && m.Turning.valid() && m.Leads[0].valid())
	}
}

package trial

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/isa"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// The little worlds of these tests begin in the morning of a day in June and last some hours: the light is on, larvae are in tub-3.
var morning = time.Date(2026, 6, 15, 8, 0, 0, 0, time.UTC)

var (
	tub3 = quantity.Point{Place: "tub-3", Quantity: quantity.WaterTemperature}
	viv1 = quantity.Point{Place: "vivarium-1", Quantity: quantity.AirTemperature}
	air  = roomAir
)

// comfort is what everything is like where nothing is said.
func comfort(p quantity.Point) float64 {
	switch p.Quantity {
	case quantity.WaterTemperature:
		return 22.5
	case quantity.AirTemperature:
		if p.Place == "loft" {
			return 22
		}
		return 24
	case quantity.RelativeHumidity:
		switch p.Place {
		case "loft":
			return 50
		case "grow-out":
			return 88
		}
		return 80
	}
	return 300 // vapour-pressure deficit, Pa
}

// script is a world that follows a script.
type script struct {
	points []pointOf
	values map[quantity.Point]func(step int) float64
}

func (s script) advance(step int, values []float64) {
	for i, p := range s.points {
		values[i] = comfort(p.name)
		if f := s.values[p.name]; f != nil {
			values[i] = f(step)
		}
	}
}

// during is one value in a stretch of steps and another one outside.
func during(from, to int, inside, outside float64) func(int) float64 {
	return func(step int) float64 {
		if step >= from && step < to {
			return inside
		}
		return outside
	}
}

// little makes a game in a little world, with exact sensors; change may spoil it.
func little(t require.TestingT, values map[quantity.Point]func(int) float64, change func(*game)) *game {
	s, err := loadSetting()
	require.NoError(t, err)
	m := &misdeeds{}
	for _, p := range s.parts {
		m.sensors = append(m.sensors, sensorFaults{drift: make([]drift, len(p.channels))})
	}
	g, err := newGame(s, morning, script{s.points, values}, m, func(what int) *rand.Rand { return rand.New(rand.NewPCG(7, uint64(what))) })
	require.NoError(t, err)
	for _, p := range g.probes {
		clear(p.bias)
	}
	if change != nil {
		change(g)
	}
	return g
}

// spoil sets something of the sensor with an id.
func spoil(id string, how func(*probe)) func(*game) {
	return func(g *game) {
		for i := range g.probes {
			if g.setting.parts[i].id == id {
				how(g.probes[i])
			}
		}
	}
}

func bias(id string, by float64) func(*game) {
	return spoil(id, func(p *probe) {
		for k, c := range p.part.channels {
			if c.Channel == "temperature" {
				p.bias[k] = by
			}
		}
	})
}

func played(t require.TestingT, g *game, steps int) *game {
	require.NoError(t, g.play(context.Background(), steps))
	return g
}

var larva = Group{"larva", "water-temperature", false, 30 * time.Minute}

// Limits of larvae in the shipped profile: 70–75 °F (21.1–23.9 °C) with 30 min, critical from 27 °C on with 5 min.
func TestFound(t *testing.T) {
	g := played(t, little(t, map[quantity.Point]func(int) float64{tub3: during(60, 180, 25, 22.5)}, nil), 300)
	for player, tally := range g.scorer.tallies {
		assert.Equal(t, map[Group]*[kindCount]Stays{larva: {Clear: {Found: 1}}}, tally.Stays, PlayerNames[player])
		assert.Equal(t, [verdictCount]int{True: 1}, tally.Phone.Verdicts, PlayerNames[player])
	}
	assert.Equal(t, map[bool][]Delay{false: {{0, 30}}}, g.scorer.tallies[playerBare].Delays)
	for _, player := range []int{playerDewline, playerHold, playerGrouped} {
		require.Len(t, g.scorer.tallies[player].Delays[false], 1, PlayerNames[player])
		assert.InDelta(t, 31, g.scorer.tallies[player].Delays[false][0].Minutes, 1.1, "on-delay, lag and a reading a minute")
	}
	tally := g.scorer.tallies[playerDewline]
	assert.Zero(t, tally.Phone.Over, "the end of an incident makes no sound")
	assert.Empty(t, g.scorer.misses)
}

func TestBothLimitsOfAHotTub(t *testing.T) {
	g := played(t, little(t, map[quantity.Point]func(int) float64{tub3: during(60, 180, 28, 22.5)}, nil), 240)
	critical := Group{"larva", "water-temperature", true, 5 * time.Minute}
	tally := g.scorer.tallies[playerDewline]
	assert.Equal(t, Stays{Found: 1}, tally.Stays[critical][Clear])
	assert.Equal(t, Stays{Found: 1}, tally.Stays[larva][Clear])
	assert.Equal(t, 1, tally.Phone.Verdicts[True], "what is critical is heard first, and the band belongs to the same incident")
	require.Len(t, tally.Delays[true], 1)
	assert.InDelta(t, 6, tally.Delays[true][0].Minutes, 2)
}

// A shelved alarm notifies no one: the stay is missed, and the goal with it.
func TestMissed(t *testing.T) {
	g := little(t, map[quantity.Point]func(int) float64{tub3: during(60, 180, 28, 22.5)}, func(g *game) {
		for _, limit := range []string{"high", "critical-high"} {
			g.dewline.command(watch.Command{Verb: watch.Shelve, Alarm: tub3.String() + "/" + limit, For: 2 * time.Hour, By: "keeper"})
		}
	})
	played(t, g, 100) // the shelf has not ended yet
	tally := g.scorer.tallies[playerDewline]
	assert.Equal(t, Stays{Missed: 1}, tally.Sum(Clear, true))
	require.Len(t, g.scorer.misses, 2)
	assert.Equal(t, "tub-3/water-temperature", g.scorer.misses[0].Point)
	assert.Equal(t, morning.Add(time.Hour), g.scorer.misses[0].From)
	assert.Equal(t, Stays{Found: 1}, g.scorer.tallies[playerHold].Sum(Clear, true))
	r := Result{RoomYears: 1, Players: g.scorer.tallies, Misses: g.scorer.misses}
	assert.False(t, r.GoalsMet())
	assert.False(t, r.Goals()[0].Met)
	var text strings.Builder
	require.NoError(t, r.WriteText(&text))
	assert.Contains(t, text.String(), "MISSED: critical-missed: 1")
	assert.Contains(t, text.String(), "missed in room-year 0: tub-3/water-temperature/")
}

// The trace of a stay has its minutes, what the rules decided, and what made a sound.
func TestTrace(t *testing.T) {
	var text strings.Builder
	g := little(t, map[quantity.Point]func(int) float64{tub3: during(60, 180, 28, 22.5)}, nil)
	critical := limitOf{g.setting.order[tub3], care.CriticalHigh}
	g.trace = &tracer{w: &text, stays: []Miss{{Point: tub3.String(), Limit: "critical-high", From: morning.Add(time.Hour), Group: Group{Allowed: 5 * time.Minute}, at: critical}}}
	g.dewline.trace = g.trace
	played(t, g, 240)
	assert.Regexp(t, `(?m)^\S+ \S+ call alarm.raised tub-3/water-temperature/critical-high true, in truth beyond by 1.00`, text.String())
	assert.Regexp(t, `(?m)^    \S+ \S+ alarm.raised tub-3/water-temperature/critical-high B was A, .*silent false`, text.String())
	assert.Regexp(t, `(?m)^  \S+ 10:00 true 28.00, beyond critical-high by 1.00 .*reading \S+ flag . critical-high [BC]; it knows dewline bare-threshold hold-time grouped-hold-time$`, text.String())
	assert.NotContains(t, text.String(), " 12:00 true", "long after it was decided")
}

// A short stay, by little more than the accuracy of a sensor that reads too low by just that: no reading is beyond the limit, and
// no program can find. It counts as missed all the same, comes first in the list, and the list says so.
func TestMissedInNoReading(t *testing.T) {
	g := played(t, little(t, map[quantity.Point]func(int) float64{tub3: during(60, 72, 27.505, 23.5)}, spoil("tub-3-probe", func(p *probe) {
		p.noise[0], p.bias[0] = 0, -p.part.channels[0].Accuracy
	})), 120)
	for player, tally := range g.scorer.tallies {
		assert.Equal(t, Stays{Missed: 1}, tally.Sum(Clear, true), PlayerNames[player])
	}
	require.Len(t, g.scorer.misses, 1)
	miss := g.scorer.misses[0]
	assert.False(t, miss.Shown)
	band := miss
	band.Group.Critical, band.Shown = false, true
	r := Result{RoomYears: 1, Players: g.scorer.tallies}
	for range 30 {
		r.Misses = append(r.Misses, band)
	}
	r.Misses = append(r.Misses, miss)
	var text strings.Builder
	require.NoError(t, r.WriteText(&text))
	_, list, _ := strings.Cut(text.String(), "missed in room-year 0: ")
	assert.Contains(t, strings.SplitN(list, "\n", 2)[0], "critical, 5 min, in no reading)")
	assert.Equal(t, 1, strings.Count(list, "in no reading"))
	assert.Contains(t, list, "and 11 more")
}

func TestStaysThatCannotBeCalled(t *testing.T) {
	cases := []struct {
		name     string
		value    func(int) float64
		change   func(*game)
		kind     Kind
		reported bool
	}{
		{"near the limit", during(60, 180, 24.1, 22.5), nil, Close, true},
		{"near the limit, on the other side for the sensor", during(60, 180, 24.1, 22.5), bias("tub-3-probe", -0.4), Close, false},
		{"hardly longer than allowed", during(60, 92, 25, 22.5), nil, Close, true},
		{"the sensor does not answer", during(60, 180, 25, 22.5), spoil("tub-3-probe", func(p *probe) { p.faults.dropout = []span{{50, 190}} }), Blind, false},
		{"the sensor is wrong", during(60, 180, 25, 22.5), bias("tub-3-probe", -2), Blind, false},
		{"no power", during(80, 180, 25, 22.5), func(g *game) {
			g.misdeeds.cuts = []cut{{span: span{75, 190}, behind: 10 * time.Minute, synced: 5}}
		}, Powerless, false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			g := played(t, little(t, map[quantity.Point]func(int) float64{tub3: c.value}, c.change), 300)
			want := Stays{Missed: 1}
			if c.reported {
				want = Stays{Found: 1}
			}
			tally := g.scorer.tallies[playerDewline]
			require.NotNil(t, tally.Stays[larva])
			got := tally.Stays[larva][c.kind]
			assert.Equal(t, want, got)
			assert.Empty(t, tally.Delays, "only clear stays have a delay")
		})
	}
}

// A dead sensor is reported, once, and so the keeper knows that the tub is not watched.
func TestDeadSensorIsReported(t *testing.T) {
	g := played(t, little(t, map[quantity.Point]func(int) float64{tub3: during(60, 180, 25, 22.5)},
		spoil("tub-3-probe", func(p *probe) { p.faults.dropout = []span{{50, 190}} })), 300)
	tally := g.scorer.tallies[playerDewline]
	assert.Equal(t, [verdictCount]int{FaultTrue: 1}, tally.Phone.Verdicts)
	assert.Equal(t, 1, tally.BlindNotified)
	assert.Zero(t, tally.Phone.Over)
}

func TestFalseAndTooCloseToCall(t *testing.T) {
	cases := []struct {
		name  string
		value float64
		bias  float64
		want  Verdict
	}{
		{"the sensor is wrong by more than it states", 23, 2, False},
		{"the sensor is wrong within what it states", 23.6, 0.45, TooClose},
		{"right", 24.5, 0, True},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			g := played(t, little(t, map[quantity.Point]func(int) float64{tub3: during(60, 180, c.value, 22.5)}, func(g *game) {
				spoil("tub-3-probe", func(p *probe) { p.bias[0] = c.bias })(g)
			}), 120)
			for player, tally := range g.scorer.tallies {
				assert.Equal(t, 1, tally.Phone.Verdicts[c.want], PlayerNames[player])
			}
		})
	}
}

// A simple program believes the power-on value; dewline does not.
func TestPowerOnValue(t *testing.T) {
	g := played(t, little(t, nil, spoil("tub-3-probe", func(p *probe) { p.faults.brownOut = []span{{60, 61}} })), 120)
	assert.Equal(t, 2, g.scorer.tallies[playerBare].Phone.Verdicts[False], "high and critical-high")
	assert.Zero(t, g.scorer.tallies[playerHold].Phone.All())
	assert.Zero(t, g.scorer.tallies[playerDewline].Phone.All())
}

// A probe that was left out of its tub measures the air of the room, and does not live; in the water again it does.
func TestProbeOutOfTheWater(t *testing.T) {
	g := played(t, little(t, map[quantity.Point]func(int) float64{tub3: during(60, 180, 25, 22.5), air: during(0, 300, 20, 20)},
		spoil("tub-3-probe", func(p *probe) { p.faults.out = []span{{50, 190}} })), 300)
	for player, tally := range g.scorer.tallies {
		assert.Equal(t, 1, tally.stays(larva)[Blind].Missed, PlayerNames[player])
		assert.Positive(t, tally.Phone.Verdicts[False], PlayerNames[player])
	}
	assert.InDelta(t, 22.5, g.probes[g.setting.points[g.setting.order[tub3]].sensors[0]].seen[0], 0.01)
}

// Of the values of a sensor that raves two thirds are anything; single spikes are rare. Neither changes what comes after them.
func TestRavingSensor(t *testing.T) {
	wild := func(f sensorFaults) (n, after int) {
		g := little(t, nil, func(g *game) {
			spoil("tub-3-probe", func(p *probe) { p.faults.erratic, p.faults.spikes = f.erratic, f.spikes })(g)
		})
		tub := g.setting.points[g.setting.order[tub3]].sensors[0]
		for step := range 6000 {
			g.truth.step = step
			g.world.advance(step, g.truth.values)
			g.truth.powered = true
			g.read(false)
			switch value := g.samples[tub].Reading.Values[0].Value; {
			case value > 60:
				n++
				assert.False(t, g.probes[tub].right[0])
			default:
				assert.InDelta(t, 22.5, value, 0.2)
			}
		}
		return n, int(g.probes[tub].chance.Uint64() >> 1)
	}
	none, calm := wild(sensorFaults{})
	assert.Zero(t, none)
	raves, afterwards := wild(sensorFaults{erratic: []span{{1000, 3000}}})
	assert.InDelta(t, 1300, raves, 100)
	assert.Equal(t, calm, afterwards)
	spikes, afterwards := wild(sensorFaults{spikes: 0.01})
	assert.InDelta(t, 60, spikes, 30)
	assert.Equal(t, calm, afterwards)
}

// A humidity sensor whose word does not move for two hours is called stuck; in a world whose air is still that is a false alarm.
func TestFalseFault(t *testing.T) {
	g := little(t, nil, nil)
	for _, p := range g.probes {
		clear(p.noise)
	}
	played(t, g, 170)
	tally := g.scorer.tallies[playerDewline]
	assert.Positive(t, tally.Phone.Verdicts[FaultFalse])
	assert.Equal(t, tally.Phone.Verdicts[FaultFalse], tally.Phone.False())
}

func TestRoomHeatSpeaksForEnclosures(t *testing.T) {
	hot := map[quantity.Point]func(int) float64{air: during(60, 240, 29.5, 22), viv1: during(70, 240, 29.5, 24)}
	g := played(t, little(t, hot, nil), 230)
	tally := g.scorer.tallies[playerDewline]
	assert.Positive(t, tally.Suppressed.Rightly)
	assert.Zero(t, tally.Suppressed.Wrongly)
	vivarium := Group{"enclosure", "air-temperature", true, 3 * time.Minute}
	assert.Equal(t, Stays{Found: 1}, tally.Stays[vivarium][Clear], "found by the room's alarm")
	assert.Equal(t, 1, tally.Phone.Verdicts[True], "the room, which is critical before it is too warm for its band's delay, and no other")

	// The same with a room that is not hot at all: both its sensors lie.
	cool := map[quantity.Point]func(int) float64{viv1: during(70, 240, 29.5, 24)}
	g = played(t, little(t, cool, func(g *game) {
		bias("loft-air", 8)(g)
		bias("loft-second", 8)(g)
	}), 230)
	tally = g.scorer.tallies[playerDewline]
	assert.Positive(t, tally.Suppressed.Wrongly)
	assert.Equal(t, 1, tally.Phone.Verdicts[False], "and the keeper is woken once for it")
}

// After a power cut with a clock that is behind, an alarm stays as before and is not sent a second time.
func TestPowerCutAndWrongClock(t *testing.T) {
	g := played(t, little(t, map[quantity.Point]func(int) float64{tub3: during(60, 300, 25, 22.5)}, func(g *game) {
		g.misdeeds.cuts = []cut{{span: span{150, 160}, behind: 5 * time.Minute, synced: 7}}
		g.misdeeds.clock = []clockStep{{220, time.Hour}, {240, -time.Hour}}
	}), 360)
	tally := g.scorer.tallies[playerDewline]
	assert.Equal(t, 1, tally.Phone.Verdicts[True])
	assert.Zero(t, tally.Phone.Over+tally.Phone.Again)
	assert.Equal(t, 2, g.scorer.tallies[playerBare].Phone.Verdicts[True], "a simple program has forgotten it")
	assert.Equal(t, map[Group]*[kindCount]Stays{larva: {Clear: {Found: 1}}}, tally.Stays)
}

// What is critical and not acknowledged is sent again, five times at most, and no more afterwards.
func TestRepetition(t *testing.T) {
	g := little(t, map[quantity.Point]func(int) float64{tub3: during(10, 300, 28, 22.5)}, nil)
	played(t, g, 200)
	require.Empty(t, g.scorer.keepers[playerDewline].due, "acknowledged by now")
	again := g.scorer.tallies[playerDewline].Phone.Again
	assert.LessOrEqual(t, again, 5)
	v := g.dewline.limit[g.setting.order[tub3]*care.LimitCount+int(care.CriticalHigh)]
	assert.Equal(t, isa.Acknowledged, v.letter)
}

// A power cut in between makes no difference to that: after the start the journal says when it was sent last.
func TestRepetitionOverAPowerCut(t *testing.T) {
	again := func(steps int) int {
		g := little(t, map[quantity.Point]func(int) float64{tub3: during(10, 300, 28, 22.5)}, func(g *game) {
			g.scorer.keepers[playerDewline].chance = sameDay(10) // he takes his time
			g.misdeeds.cuts = []cut{{span: span{50, 52}, behind: time.Minute, synced: 2}}
		})
		played(t, g, steps)
		require.NotEmpty(t, g.scorer.keepers[playerDewline].due, "not acknowledged yet")
		return g.scorer.tallies[playerDewline].Phone.Again
	}
	called := 17 // on-delay, lag and a reading a minute; the repetitions come after 10, 20 and 40 minutes
	assert.Equal(t, 2, again(called+38))
	assert.Equal(t, 3, again(called+46))
}

func TestSameSeedSameTable(t *testing.T) {
	play := func(seed uint64, workers int) string {
		r, err := Play(t.Context(), Options{RoomYears: 3, Seed: seed, Faults: AllFaults(), Workers: workers, steps: 4 * 24 * 60, rush: 60})
		require.NoError(t, err)
		var text strings.Builder
		require.NoError(t, r.WriteText(&text))
		require.NoError(t, r.WriteJSON(&text))
		return text.String()
	}
	one := play(3, 1)
	assert.Equal(t, one, play(3, 3))
	assert.NotEqual(t, one, play(4, 2))
}

// A room-year is the same whichever others are played, so that one can be played again to see what happened in it.
func TestARoomYearAgain(t *testing.T) {
	o := Options{RoomYears: 3, Seed: 3, Faults: AllFaults(), steps: 4 * 24 * 60, rush: 60}
	all, err := Play(t.Context(), o)
	require.NoError(t, err)
	o.First, o.RoomYears = 2, 1
	last, err := Play(t.Context(), o)
	require.NoError(t, err)
	assert.Equal(t, all.Years[2:], last.Years)
	of := slices.DeleteFunc(slices.Clone(all.Misses), func(m Miss) bool { return m.Year != 2 })
	assert.ElementsMatch(t, of, last.Misses)
	var text strings.Builder
	require.NoError(t, Explain(t.Context(), o, last, &text))
	if last.Years[0][playerDewline].False > 0 {
		assert.Contains(t, text.String(), "room-year 2\n")
		assert.Contains(t, text.String(), "FALSE")
	}
}

func TestStopsWhenItsContextEnds(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := Play(ctx, Options{RoomYears: 1, Seed: 1})
	assert.ErrorIs(t, err, context.Canceled)
}

// Who stops a long run gets the table of what was finished: the same one as of a run of that length.
func TestStoppedHalfway(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	o := Options{RoomYears: 5, Seed: 9, Faults: AllFaults(), Workers: 1, steps: 24 * 60}
	whole := o
	whole.RoomYears = 2
	want, err := Play(ctx, whole)
	require.NoError(t, err)
	o.Progress = func(done int) {
		if done == 2 {
			cancel()
		}
	}
	got, err := Play(ctx, o)
	require.NoError(t, err)
	assert.Equal(t, want, got)
}

// A year of an untroubled room holds its bands: what the table shows comes of faults. Two weeks of each season stand for it.
func TestUntroubledRoomKeepsItsBands(t *testing.T) {
	s, err := loadSetting()
	require.NoError(t, err)
	for _, month := range []time.Month{1, 4, 7, 10} {
		start := time.Date(2026, month, 10, 0, 0, 0, 0, s.watch.Location)
		m := drawFaults(s, rand.New(rand.NewPCG(1, 1)), start, stepsPerYear, nil, Standard, 1)
		world, known := newRoom(s, start, rand.New(rand.NewPCG(2, 2)), m, Standard), newTruth(s, start)
		for step := range 14 * 24 * 60 {
			known.step = step
			world.advance(step, known.values)
			known.enter()
			known.follow()
		}
		for _, stay := range known.active {
			assert.False(t, stay.long && s.scored(stay.point), "%s beyond %s from step %d to %d in month %d",
				s.points[stay.point].name, stay.limit, stay.from, stay.to, month)
		}
		require.NotEmpty(t, known.values)
		require.False(t, math.IsNaN(known.values[0]))
	}
}

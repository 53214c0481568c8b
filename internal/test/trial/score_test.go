package trial

import (
	"encoding/json"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

// plain plays a little world in which only the points that a test names do anything.
func plain(t require.TestingT, steps int, values map[quantity.Point]func(int) float64, change func(*game)) *game {
	return played(t, little(t, values, change), steps)
}

// The score of a stay whose hour is known, by the minute at which a player's message arrives.
func TestScoreOfAKnownStay(t *testing.T) {
	cases := []struct {
		name    string
		arrives int // step; the stay lasts from 60 to 300, and 30 min are allowed
		found   bool
		delay   int
	}{
		{"at the crossing", 60, true, 0},
		{"an alarm that was there before", 20, true, 0},
		{"when it was due", 90, true, 30},
		{"half an hour later", 120, true, 60},
		{"a minute too late", 121, false, 0},
		{"long afterwards", 290, false, 0},
		{"never", nowhere, false, 0},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			g := little(t, map[quantity.Point]func(int) float64{tub3: during(60, 300, 25, 22.5)}, nil)
			point := g.setting.order[tub3]
			for step := range 320 {
				g.truth.step, g.truth.powered = step, true
				g.world.advance(step, g.truth.values)
				g.truth.enter()
				for i := range g.truth.lived {
					g.truth.lived[i] = step
				}
				g.truth.follow()
				g.scorer.settle(func(player int, s *stay) bool { return s.point == point && step >= c.arrives }, func(int) bool { return false }, step == 319)
			}
			tally := g.scorer.tallies[playerHold]
			want := Stays{Missed: 1}
			if c.found {
				want = Stays{Found: 1}
				assert.Equal(t, []Delay{{c.delay, 30}}, tally.Delays[false])
			}
			assert.Equal(t, want, tally.Sum(Clear, false))
			assert.Zero(t, tally.Sum(Clear, true))
		})
	}
}

// A delay does not count the time in which the board had no power.
func TestDelayBeginsWithThePower(t *testing.T) {
	g := plain(t, 400, map[quantity.Point]func(int) float64{tub3: during(80, 330, 25, 22.5)}, func(g *game) {
		g.misdeeds.cuts = []cut{{span: span{70, 190}, behind: time.Minute, synced: 2}}
	})
	for player, tally := range g.scorer.tallies {
		require.Equal(t, Stays{Found: 1}, tally.Sum(Clear, false), PlayerNames[player])
		assert.Less(t, tally.Delays[false][0].Minutes, 36, PlayerNames[player])
	}
	tally := g.scorer.tallies[playerDewline]
	assert.Equal(t, 1, tally.Heartbeats)
	assert.Equal(t, Stays{Found: 1}, tally.Silences)
	assert.Equal(t, tally.Phone.All()+1, tally.Audible())
}

// A stay of which the keeper could not hear in time is neither found nor missed by anybody; one of which he could is.
func TestUnheard(t *testing.T) {
	for _, c := range []struct {
		name string
		off  span
		kind Kind
	}{
		{"off until it is too late", span{80, 160}, Unheard},
		{"on again in time", span{80, 110}, Clear},
		{"off at the beginning only", span{40, 80}, Clear},
	} {
		g := plain(t, 400, map[quantity.Point]func(int) float64{tub3: during(60, 300, 25, 22.5)}, func(g *game) { g.scorer.path.phoneOff = []span{c.off} })
		for _, player := range []int{playerDewline, playerHold, playerGrouped} {
			for kind := range kindCount {
				want := Stays{}
				if kind == c.kind {
					want.Found = 1
				}
				got := g.scorer.tallies[player].Sum(kind, false)
				if kind == Unheard {
					want.Missed, want.Found = want.Found, 0
				}
				assert.Equal(t, want, got, "%s: %s of %s", c.name, kind, PlayerNames[player])
			}
		}
	}
}

// What a forecast of a known stay is worth, and how long before the end of its allowed time it came.
func TestScoreOfAForecast(t *testing.T) {
	cases := []struct {
		name      string
		at, until int // steps of the stay beyond 23.9 °C; 30 min are allowed
		said      int
		want      Verdict
		foreseen  bool
		lead      int
	}{
		{"half an hour before", 60, 180, 30, True, true, 60},
		{"the limit is crossed, and the time not yet over", 60, 180, 85, True, true, 5},
		{"too late", 60, 180, 95, True, false, 0},
		{"the stay begins too late", 130, 250, 60, False, false, 0},
		{"it does not last", 60, 80, 40, TooClose, false, 0},
		{"nothing comes", 300, 310, 40, False, false, 0},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			g := little(t, map[quantity.Point]func(int) float64{tub3: during(c.at, c.until, 25, 22.5)}, nil)
			rises := &view{point: g.setting.order[tub3], sensor: -1, kind: rising}
			for step := range 300 {
				g.truth.step, g.truth.powered = step, true
				g.world.advance(step, g.truth.values)
				g.truth.enter()
				for i := range g.truth.lived {
					g.truth.lived[i] = step
				}
				g.truth.follow()
				if step == c.said {
					at := instant.Of(g.truth.now())
					g.dewline.foresee(rises, fahrenheit(75), &journal.Entry{At: at, Expected: &journal.Expectation{
						At: at.Add(30 * time.Minute), From: new(at.Add(20 * time.Minute)), To: new(at.Add(35 * time.Minute)),
					}})
					rises.forecast.channels = []*Channel{&g.scorer.tallies[playerDewline].Notices}
				}
				g.dewline.settleForecasts(step == 299)
				g.scorer.settle(func(int, *stay) bool { return false }, func(int) bool { return false }, step == 299)
			}
			tally := g.scorer.tallies[playerDewline]
			var counted [verdictCount]int
			counted[c.want] = 1
			assert.Equal(t, counted, tally.Forecasts)
			assert.Equal(t, tally.Forecasts, tally.Notices.Verdicts)
			assert.Equal(t, counted[True], tally.Timed)
			if ahead := c.at - c.said; c.want == True && ahead >= 20 && ahead <= 35 {
				assert.Equal(t, 1, tally.InTime)
			} else {
				assert.Zero(t, tally.InTime)
			}
			want := Stays{Missed: 1}
			if c.foreseen {
				want = Stays{Found: 1}
				assert.Equal(t, []int{c.lead}, tally.Leads[false])
			}
			if c.until-c.at > 35 {
				assert.Equal(t, want, *tally.Foreseen[false])
			}
		})
	}
}

// Which stays could be foreseen is known from the truth alone: none after a jump, after darkness or blindness, and none of humidity, of which no
// forecast is asked. All of them count in the goal.
func TestWhichStaysCouldBeForeseen(t *testing.T) {
	ramp := func(step int) float64 { // beyond 23.9 °C from step 84 on
		return 22.5 + min(float64(max(step-14, 0))/50, 3)
	}
	humid := quantity.Point{Place: "vivarium-1", Quantity: quantity.RelativeHumidity}
	for name, c := range map[string]struct {
		point       quantity.Point
		value       func(int) float64
		dark, blind [2]int // steps
		want        Stays  // that could be foreseen
		unasked     int
	}{
		"it comes slowly":                         {point: tub3, value: ramp, want: Stays{Missed: 1}},
		"a jump":                                  {point: tub3, value: during(84, 300, 25, 22.5)},
		"the board had no power":                  {point: tub3, value: ramp, dark: [2]int{40, 80}},
		"it had, for a quarter of an hour":        {point: tub3, value: ramp, dark: [2]int{40, 68}, want: Stays{Missed: 1}},
		"no sensor lived":                         {point: tub3, value: ramp, blind: [2]int{40, 80}},
		"a jump, and a slow way from there":       {point: tub3, value: func(step int) float64 { return 22.5 + min(float64(step)/100, 3) + during(0, 60, 0, 0.5)(step) }, want: Stays{Missed: 1}},
		"humidity, of which no forecast is asked": {point: humid, value: func(step int) float64 { return max(80-float64(step)/4, 50) }, unasked: 1},
	} {
		t.Run(name, func(t *testing.T) {
			g := little(t, map[quantity.Point]func(int) float64{c.point: c.value}, nil)
			const steps = 400
			for step := range steps {
				g.truth.step, g.truth.powered = step, step < c.dark[0] || step >= c.dark[1]
				g.world.advance(step, g.truth.values)
				g.truth.enter()
				for i := range g.truth.lived {
					if step < c.blind[0] || step >= c.blind[1] {
						g.truth.lived[i] = step
					}
				}
				g.truth.follow()
				g.scorer.settle(func(int, *stay) bool { return false }, func(int) bool { return false }, step == steps-1)
			}
			tally := g.scorer.tallies[playerDewline]
			assert.Equal(t, Stays{Missed: 1}, *tally.Foreseen[false])
			assert.Equal(t, c.want, *tally.Foreseeable[false])
			assert.Equal(t, c.unasked, tally.Unasked[false])
			sum := newTally()
			sum.add(tally)
			sum.add(tally)
			assert.Equal(t, Stays{Missed: 2 * c.want.Missed}, *sum.Foreseeable[false])
			assert.Equal(t, 2*c.unasked, sum.Unasked[false])
		})
	}
}

// After a switch of the light the air has an hour to follow it, for all players and for the truth.
func TestAirFollowsTheLight(t *testing.T) {
	const evening = 10 * 60 // steps from the morning, 9:00 by local time, to 19:00
	at := func(place string, q quantity.Quantity) quantity.Point {
		return quantity.Point{Place: place, Quantity: q}
	}
	warm := func(until int) *game { // vivarium-1 at 24 °C: by day within 72–79 °F, by night above 72 °F
		cool, moist := during(0, evening, 24, 21), during(0, evening, 80, 88)
		return plain(t, evening+200, map[quantity.Point]func(int) float64{
			viv1: during(0, evening+until, 24, 21), at("vivarium-2", quantity.AirTemperature): cool, at("grow-out", quantity.AirTemperature): cool,
			at("vivarium-1", quantity.RelativeHumidity): moist, at("vivarium-2", quantity.RelativeHumidity): moist,
		}, nil)
	}
	for player, tally := range warm(50).scorer.tallies {
		assert.Zero(t, tally.Sum(Clear, false), PlayerNames[player])
		if player != playerBare {
			assert.Zero(t, tally.Phone.Calls(), PlayerNames[player])
		}
	}
	for player, tally := range warm(120).scorer.tallies {
		assert.Equal(t, Stays{Found: 1}, tally.Sum(Clear, false), PlayerNames[player])
	}
}

// A message that is sent while the uplink is away waits for it, or is gone; a phone that is off sounds later; a lost one never.
func TestPath(t *testing.T) {
	p := path{uplink: []span{{100, 200}}, phoneOff: []span{{190, 260}, {250, 300}}}
	assert.Equal(t, 99, p.arrives(99, false))
	assert.Equal(t, nowhere, p.arrives(150, false))
	assert.Equal(t, 300, p.arrives(150, true), "the uplink is back at 200, and the phone on at 300")
	assert.Equal(t, 150, p.reaches(150), "what comes from outside needs no uplink")
	lossy := path{loss: 0.05, seed: 3}
	lost := 0
	for step := range 20_000 {
		if lossy.arrives(step, true) == nowhere {
			lost++
		}
	}
	assert.InDelta(t, 1000, lost, 130)
}

// Silences of the board are known a quarter of an hour later; short ones are none.
func TestHeartbeat(t *testing.T) {
	cases := []struct {
		name   string
		away   span
		off    []span
		calls  int
		scored Stays
	}{
		{"short", span{101, 108}, nil, 0, Stays{}},
		{"too short to be scored", span{100, 125}, nil, 1, Stays{}},
		{"long", span{100, 200}, nil, 1, Stays{Found: 1}},
		{"the phone is off", span{100, 200}, []span{{90, 180}}, 1, Stays{Found: 1}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			h := heartbeat{path: &path{phoneOff: c.off}, heard: nowhere}
			calls := 0
			for step := range 400 {
				if h.follow(step, !c.away.holds(step)) {
					calls++
					assert.InDelta(t, c.away.from+16, step, 5)
				}
			}
			assert.Equal(t, c.calls, calls)
			assert.Equal(t, c.scored, Stays{Found: h.Found, Missed: h.Silences - h.Found})
		})
	}
}

// What the grouped hold time makes of known traces: how often it wakes the keeper, and how often it updates silently.
func TestGrouping(t *testing.T) {
	hot := func(from, to int, inside float64) func(int) float64 { return during(from, to, inside, comfort(viv1)) }
	viv2 := quantity.Point{Place: "vivarium-2", Quantity: quantity.AirTemperature}
	cases := []struct {
		name            string
		values          map[quantity.Point]func(int) float64
		change          func(*game)
		audible, silent int
	}{
		{"a band", map[quantity.Point]func(int) float64{viv1: hot(60, 100, 27)}, nil, 1, 1},
		{"shorter than allowed", map[quantity.Point]func(int) float64{viv1: hot(60, 70, 27)}, nil, 0, 0},
		{"it becomes critical", map[quantity.Point]func(int) float64{viv1: func(step int) float64 {
			switch {
			case step >= 100 && step < 106:
				return 29
			case step >= 60 && step < 120:
				return 27
			}
			return 24
		}}, nil, 2, 2},
		{"critical at once: the band follows silently", map[quantity.Point]func(int) float64{viv1: hot(60, 100, 29)}, quick, 1, 3},
		{"two enclosures within half an hour", map[quantity.Point]func(int) float64{viv1: hot(60, 160, 27), viv2: hot(70, 160, 27)}, nil, 1, 3},
		{"two enclosures hours apart", map[quantity.Point]func(int) float64{viv1: hot(60, 300, 27), viv2: hot(200, 300, 27)}, nil, 2, 2},
		{"hot and cold", map[quantity.Point]func(int) float64{viv1: hot(60, 160, 27), viv2: hot(70, 160, 20)}, nil, 2, 2},
		{"they follow their room, critical as well", map[quantity.Point]func(int) float64{air: during(60, 160, 29, 22), viv1: hot(100, 160, 29)}, quick, 1, 7},
		{"critical again after an hour, still beyond the band", map[quantity.Point]func(int) float64{viv1: func(step int) float64 {
			switch {
			case step >= 80 && step < 90 || step >= 150 && step < 160:
				return 29
			case step >= 60 && step < 200:
				return 27
			}
			return 24
		}}, quick, 3, 3},
		{"critical again within twenty minutes", map[quantity.Point]func(int) float64{viv1: func(step int) float64 {
			switch {
			case step >= 80 && step < 84 || step >= 97 && step < 101:
				return 29
			case step >= 60 && step < 200:
				return 27
			}
			return 24
		}}, quick, 2, 4},
		{"two that are critical without the room", map[quantity.Point]func(int) float64{viv1: hot(60, 160, 29), viv2: hot(100, 160, 29)}, quick, 2, 6},
		{"two that are critical speak for their room", map[quantity.Point]func(int) float64{
			viv1: hot(60, 200, 29), viv2: hot(80, 200, 29), air: during(100, 200, 29, 22),
		}, quick, 2, 10},
		{"not where they are back by then", map[quantity.Point]func(int) float64{
			viv1: hot(60, 100, 29), viv2: hot(70, 100, 29), air: during(130, 200, 29, 22),
		}, quick, 3, 9},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			g := plain(t, 400, c.values, c.change)
			tally := g.scorer.tallies[playerGrouped]
			assert.Equal(t, c.audible, tally.Phone.Calls(), "audible")
			assert.Equal(t, c.silent, tally.Notices.All(), "silent")
		})
	}
}

// quick has everybody acknowledge at once.
func quick(g *game) {
	for _, k := range g.scorer.keepers {
		k.chance = func(time.Time) *rand.Rand { return rand.New(calm{}) }
	}
}

// A keeper answers the first message on an occurrence that arrives, also where its alarm had joined an incident without a sound, and answers it
// once. Where it calls anew, with its room no longer in front of it, he answers that as well.
func TestTheKeeperAnswersTheFirstMessage(t *testing.T) {
	g := little(t, nil, func(g *game) { g.scorer.path.uplink = nil })
	k, v := g.scorer.keepers[playerDewline], &view{point: 0, kind: onLimit, heard: 3}
	g.dewline.views["loft/air-temperature/critical-high"] = v
	answers := func() (list []string) {
		for _, e := range k.due {
			if e.occurrence != "" {
				list = append(list, e.occurrence)
			}
		}
		return list
	}
	g.dewline.hear(v, "first")
	g.dewline.hear(v, "first")
	assert.Equal(t, []string{"first"}, answers())
	g.dewline.note(&journal.Entry{Kind: journal.AlarmReturned, State: isa.Unacknowledged, Alarm: "loft/air-temperature/critical-high"})
	g.dewline.hear(v, "first")
	assert.Equal(t, []string{"first", "first"}, answers())
}

// calm is a source of chance that always gives the same.
type calm struct{}

func (calm) Uint64() uint64 { return 1 << 62 }

// What is critical is repeated until it is acknowledged, less and less often; the third time in a week that the same band is left makes no
// sound but that of one advice, and no later one does until it has stayed away for a week.
func TestRepetitionAndWeekOfTheGroupedHoldTime(t *testing.T) {
	g := plain(t, 400, map[quantity.Point]func(int) float64{viv1: during(60, 390, 29, 24)}, func(g *game) {
		g.misdeeds.phoneOff = nil
		g.scorer.path.phoneOff = []span{{0, 1000}} // he does not hear
	})
	tally := g.scorer.tallies[playerGrouped]
	assert.Equal(t, 5, tally.Phone.Again, "after 10, 20, 40, 80 and 160 minutes")

	g = plain(t, 5*120, map[quantity.Point]func(int) float64{viv1: func(step int) float64 {
		if step%120 >= 60 && step%120 < 90 {
			return 27
		}
		return 24
	}}, nil)
	tally = g.scorer.tallies[playerGrouped]
	assert.Equal(t, 2, tally.Phone.Calls())
	assert.Equal(t, 1, tally.Phone.Advice)

	limit := &groupedLimit{}
	var silent []int
	for _, day := range []int{0, 1, 4, 10, 16, 23, 29} {
		if limit.count(day * 24 * 60); limit.silent {
			silent = append(silent, day)
		}
	}
	assert.Equal(t, []int{4, 10, 16}, silent, "until it has stayed away for a week")
}

// A point that gives no value is reported after half an hour, once a week, and each message of it is worth what the sensor was.
func TestSilentPointOfTheGroupedHoldTime(t *testing.T) {
	g := plain(t, 400, nil, spoil("tub-3-probe", func(p *probe) { p.faults.dropout = []span{{20, 45}, {60, 120}, {200, 300}} }))
	tally := g.scorer.tallies[playerGrouped]
	assert.Equal(t, 1, tally.Phone.Verdicts[FaultTrue])
	assert.Equal(t, 1, tally.Notices.Verdicts[FaultTrue])
	assert.Equal(t, map[string]int{soundSensor: 1}, tally.Sounds)

	g = plain(t, 400, nil, spoil("vivarium-1-air", func(p *probe) { p.faults.dropout = []span{{60, 120}, {200, 300}} }))
	tally = g.scorer.tallies[playerGrouped]
	assert.Equal(t, 1, tally.Phone.Verdicts[FaultTrue], "a part that measures two quantities fails once")
	assert.Equal(t, 3, tally.Notices.Verdicts[FaultTrue])
}

// He who has the phone in his hand acknowledges all that has arrived, and goes to all those places; what comes later waits for the next time.
func TestTheKeeperAcknowledgesAllThatHasArrived(t *testing.T) {
	minute := func(m int) time.Time { return morning.Add(time.Duration(m) * time.Minute) }
	k := &keeper{due: []errand{
		{heard: minute(0), at: minute(10), occurrence: "first"}, {heard: minute(0), at: minute(30), place: "tub-1"},
		{heard: minute(5), at: minute(300), occurrence: "second"}, {heard: minute(5), at: minute(320), place: "tub-2"},
		{heard: minute(11), at: minute(40), occurrence: "third"}, {heard: minute(11), at: minute(60), place: "tub-3"},
	}}
	done := map[int][]string{}
	for m := range 400 {
		for _, e := range k.errands(minute(m)) {
			done[m] = append(done[m], e.occurrence+e.place)
		}
	}
	assert.Equal(t, map[int][]string{10: {"first", "second"}, 30: {"tub-1", "tub-2"}, 40: {"third"}, 60: {"tub-3"}}, done)
}

// Whoever sends a message within the same hour, the keeper of each player acknowledges it after the same time; at another hour he may need longer.
func TestKeepersOfAllPlayersLiveTheSameDay(t *testing.T) {
	g := little(t, nil, nil)
	waits := map[time.Duration]bool{}
	for hour := range 24 {
		at := morning.Add(time.Duration(hour) * time.Hour)
		for player, k := range g.scorer.keepers {
			heard := at.Add(time.Duration(10*player) * time.Minute)
			k.due = nil
			k.hear(heard, "", "loft")
			require.Equal(t, g.scorer.keepers[0].due[0].at.Sub(at), k.due[0].at.Sub(heard))
		}
		waits[g.scorer.keepers[0].due[0].at.Sub(at)] = true
	}
	assert.Len(t, waits, 24)
}

// A caring keeper ends what he was notified of, in the world of that player only, and compares what has strayed.
func TestCaringKeeper(t *testing.T) {
	g := little(t, map[quantity.Point]func(int) float64{tub3: during(60, 180, 25, 22.5)}, func(g *game) {
		g.lead = playerHold
		spoil("tub-3-probe", func(p *probe) { p.faults.dropout = []span{{300, 1000}}; p.bias[0] = 1.2 })(g)
		spoil("tub-1-probe", func(p *probe) { p.bias[0] = 0.9 })(g)
		quick(g)
	})
	played(t, g, 600)
	probe := g.probes[g.setting.points[g.setting.order[tub3]].sensors[0]]
	assert.Zero(t, probe.bias[0], "compared at the visit to the tub")
	assert.Equal(t, 1000, probe.faults.dropout[0].to, "a simple program notifies of no fault")
	assert.Equal(t, 0.9, g.probes[0].bias[0], "within twice its accuracy, and not compared yet")
	g.probes[0].bias[0] = 1.1
	g.compareAll()
	assert.Zero(t, g.probes[0].bias[0])

	o := Options{RoomYears: 2, Seed: 2, Keeper: Caring, Faults: AllFaults(), steps: 10 * 24 * 60, rush: 30}
	caring, err := Play(t.Context(), o)
	require.NoError(t, err)
	o.Keeper = Asleep
	asleep, err := Play(t.Context(), o)
	require.NoError(t, err)
	sum := func(r *Result) (n int) {
		for kind := range kindCount {
			s := r.Players[playerDewline].Sum(kind, false)
			n += s.Found + s.Missed
		}
		return n
	}
	assert.Less(t, sum(caring), sum(asleep))
}

// The worst year, the goals and their bound, on results of known figures.
func TestGoals(t *testing.T) {
	result := func(audible, falsely []int) *Result {
		r := &Result{World: Standard, Keeper: Asleep, RoomYears: len(audible)}
		for i := range r.Players {
			r.Players[i] = newTally()
		}
		d, other := r.Players[playerDewline], r.Players[playerGrouped]
		for year, n := range audible {
			d.Phone.Verdicts[True] += n - falsely[year]
			d.Phone.Verdicts[False] += falsely[year]
			other.Phone.Verdicts[False] += 100
			r.Years = append(r.Years, [playerCount]Year{playerDewline: {n, falsely[year]}, playerGrouped: {100, 100}})
		}
		return r
	}
	good := result([]int{20, 30, 25, 25}, []int{0, 1, 2, 1})
	assert.True(t, good.GoalsMet(), good.Goals())
	assert.Empty(t, good.Failures(nil, false))
	assert.Equal(t, 30, good.worst(playerDewline, func(y Year) int { return y.Audible }))

	chance := result([]int{10, 50, 20, 30}, []int{0, 4, 1, 0})
	assert.Equal(t, []string{"audible", "audible-worst-year", "false"}, chance.Failures(nil, false))
	assert.Empty(t, chance.Failures(nil, true), "27.5 with a standard error of 8.5 may be chance")
	assert.Equal(t, []string{"false"}, chance.Failures([]string{"false", "critical-missed"}, false))

	unlucky := result([]int{20, 20}, []int{0, 0})
	unlucky.Faults = AllFaults()
	unlucky.Players[playerDewline].stays(Group{Critical: true})[Clear] = Stays{Found: 78, Missed: 2}
	assert.Equal(t, []string{"critical-missed"}, unlucky.Failures(nil, false))
	assert.Empty(t, unlucky.Failures(nil, true), "of 80 messages one in a hundred is lost: up to two in 95 % of draws")
	unlucky.Players[playerDewline].stays(Group{Critical: true})[Clear] = Stays{Found: 77, Missed: 3}
	assert.Equal(t, []string{"critical-missed"}, unlucky.Failures(nil, true))

	bad := result([]int{60, 62, 61, 80}, []int{9, 9, 9, 13})
	assert.Equal(t, []string{"audible", "audible-worst-year", "false", "false-worst-year"}, bad.Failures(nil, true))
	bad.World = Harsh
	assert.Empty(t, bad.Failures(nil, false), "the absolute goals are of the standard world")

	late := result([]int{20}, []int{0})
	for range 100 {
		late.Players[playerDewline].Delays[false] = append(late.Players[playerDewline].Delays[false], Delay{26, 15})
		late.Players[playerDewline].Delays[true] = append(late.Players[playerDewline].Delays[true], Delay{16, 5})
	}
	late.Players[playerDewline].FaultWeek = 3
	late.Players[playerDewline].stays(larva)[Clear].Missed = 1 // of a band: no goal
	assert.Equal(t, []string{"critical-delay", "band-delay", "fault-week"}, late.Failures(nil, false))
}

// The JSON has what configs/formats.md promises.
func TestJSON(t *testing.T) {
	r, err := Play(t.Context(), Options{RoomYears: 2, Seed: 5, Faults: AllFaults(), steps: 24 * 60, rush: 20})
	require.NoError(t, err)
	var text strings.Builder
	require.NoError(t, r.WriteJSON(&text))
	var got struct {
		GoalsMet *bool `json:"goals_met"`
		Goals    []struct {
			Name, Goal string
			Figure     *float64
			Met        *bool
		}
		Players map[string]map[string]any
		World   string
		Keeper  string
	}
	require.NoError(t, json.Unmarshal([]byte(text.String()), &got))
	require.NotNil(t, got.GoalsMet)
	assert.Equal(t, r.GoalsMet(), *got.GoalsMet)
	require.Len(t, got.Goals, len(GoalNames()))
	for i, g := range got.Goals {
		assert.Equal(t, GoalNames()[i], g.Name)
		assert.NotEmpty(t, g.Goal)
		assert.NotNil(t, g.Figure)
		assert.NotNil(t, g.Met)
	}
	require.Len(t, got.Players, playerCount)
	for name, p := range got.Players {
		for _, field := range []string{"audible", "audible_worst_year", "false", "false_worst_year", "critical_found", "critical_missed", "band_found", "band_missed", "delays", "messages", "not_clear"} {
			assert.Contains(t, p, field, name)
		}
	}
	assert.Equal(t, float64(r.Players[playerDewline].Audible())/2, got.Players["dewline"]["audible"])
	assert.Equal(t, "standard", got.World)
	assert.Equal(t, "asleep", got.Keeper)
}

// What the forecasts were worth is in the JSON as it was counted: rates of a room-year, the middle lead, and null where there was none.
func TestJSONOfForecasts(t *testing.T) {
	r := &Result{RoomYears: 2, Seed: 1, World: Standard, Keeper: Asleep}
	for i := range r.Players {
		r.Players[i] = newTally()
	}
	d := r.Players[playerDewline]
	d.Forecasts = [verdictCount]int{True: 7, TooClose: 3, False: 5}
	d.Timed, d.InTime = 6, 5
	*d.Foreseen[true], *d.Foreseeable[true], d.Leads[true] = Stays{Found: 3, Missed: 2}, Stays{Found: 3, Missed: 1}, []int{50, 20, 41}
	*d.Foreseen[false], d.Unasked[false] = Stays{Missed: 4}, 4
	var text strings.Builder
	require.NoError(t, r.WriteJSON(&text))
	var got struct{ Forecasts json.RawMessage }
	require.NoError(t, json.Unmarshal([]byte(text.String()), &got))
	assert.JSONEq(t, `{
		"true": 3.5, "too_close": 1.5, "false": 2.5, "with_interval": 6, "in_interval": 5,
		"critical": {"foreseen": 3, "missed": 2, "lead_median": 41, "no_forecast_asked": 0, "foreseeable": {"foreseen": 3, "missed": 1}},
		"band": {"foreseen": 0, "missed": 4, "lead_median": null, "no_forecast_asked": 4, "foreseeable": {"foreseen": 0, "missed": 0}}
	}`, string(got.Forecasts))
}

// Whatever values come, the grouped hold time wakes the keeper no more often than the plain one, repetitions and silent points apart, and
// an alarm that is over has left its incident.
func TestGroupingWakesLess(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		trace := func(name string, usual, low, high float64) func(int) float64 {
			levels := rapid.SliceOfN(rapid.Float64Range(low, high), 1, 8).Draw(rt, name)
			return func(step int) float64 {
				if at := step / 30; at < len(levels) {
					return levels[at]
				}
				return usual
			}
		}
		g := little(rt, map[quantity.Point]func(int) float64{viv1: trace("vivarium", 24, 14, 31), air: trace("room", 22, 12, 30), tub3: trace("tub", 22.5, 15, 30)}, nil)
		for step := range 400 {
			g.truth.step = step
			g.world.advance(step, g.truth.values)
			g.truth.enter()
			for i := range g.setting.points {
				if g.setting.scored(i) {
					g.bases[1].take(i, g.truth.values[i])
					g.grouped.take(i, g.truth.values[i])
				}
			}
			g.grouped.tick()
		}
		plainly, grouped := g.scorer.tallies[playerHold], g.scorer.tallies[playerGrouped]
		require.LessOrEqual(rt, grouped.Phone.Calls(), plainly.Phone.Calls())
		for i := range g.grouped.limits {
			l := &g.grouped.limits[i]
			require.Equal(rt, l.active, l.in != nil && l.in.active[i])
		}
		require.Equal(rt, care.LimitCount*len(g.setting.points), len(g.grouped.limits))
	})
}

package trial

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// The truth against a slow look at the whole trace.
func TestStaysOfATrace(t *testing.T) {
	s, err := loadSetting()
	require.NoError(t, err)
	point := s.order[tub3]
	rapid.Check(t, func(rt *rapid.T) {
		levels := rapid.SliceOfN(rapid.SampledFrom([]float64{22.5, 24.0, 25, 28}), 1, 8).Draw(rt, "levels")
		lengths := rapid.SliceOfN(rapid.IntRange(1, 50), len(levels), len(levels)).Draw(rt, "lengths")
		var trace []float64
		for i, level := range levels {
			for range lengths[i] {
				trace = append(trace, level)
			}
		}
		trace = append(trace, 22.5)
		known := newTruth(s, morning)
		known.powered = true
		for step, value := range trace {
			known.step = step
			for i := range known.values {
				known.values[i] = comfort(s.points[i].name)
			}
			known.values[point] = value
			known.lived[point] = step
			known.enter()
			known.follow()
		}
		type seen struct {
			from, to    int
			long, clear bool
		}
		for limit, rule := range map[care.Limit]struct {
			level   float64
			minutes int
		}{care.High: {(75 - 32) * 5. / 9, 30}, care.CriticalHigh: {27, 5}} {
			var want, got []seen
			for step := 0; step < len(trace); step++ {
				from, sure, longest := step, 0, 0
				for ; step < len(trace) && trace[step] > rule.level; step++ {
					sure++
					if trace[step] <= rule.level+0.5 {
						sure = 0
					}
					longest = max(longest, sure)
				}
				if step > from { // so many steps hold one interval less
					want = append(want, seen{from, step, step-1-from > rule.minutes, longest-1 > rule.minutes+2})
				}
			}
			for _, stay := range known.active {
				if stay.point == point && stay.limit == limit {
					got = append(got, seen{stay.from, stay.to, stay.long, stay.kind() == Clear})
				}
			}
			require.Equal(rt, want, got, "%s of %v", limit, trace)
		}
	})
}

// Whatever happens, each message is counted once; play fails where it is not.
func TestEveryMessageIsCountedOnce(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		draw := func(name string, low, high float64) func(int) float64 {
			from := rapid.IntRange(5, 120).Draw(rt, name+" from")
			to := from + rapid.IntRange(1, 120).Draw(rt, name+" lasts")
			value := rapid.Float64Range(low, high).Draw(rt, name)
			usual := 23.0
			return during(from, to, value, usual)
		}
		values := map[quantity.Point]func(int) float64{tub3: draw("tub", 15, 30), air: draw("room", 12, 31), viv1: draw("vivarium", 14, 31)}
		g := little(rt, values, func(g *game) {
			bias("tub-3-probe", rapid.Float64Range(-1, 1).Draw(rt, "bias"))(g)
			from := rapid.IntRange(5, 200).Draw(rt, "dropout")
			spoil("vivarium-1-air", func(p *probe) { p.faults.dropout = []span{{from, from + 20}} })(g)
			if rapid.Bool().Draw(rt, "power cut") {
				at := rapid.IntRange(61, 150).Draw(rt, "cut")
				g.misdeeds.cuts = []cut{{span: span{at, at + 9}, behind: 3 * time.Minute, synced: 4}}
			}
		})
		played(rt, g, 240)
		tally := g.scorer.tallies[playerDewline]
		require.Equal(rt, g.dewline.delivered, tally.Phone.All()+tally.Notices.All())
		for group, kinds := range g.scorer.tallies[playerBare].Stays { // all players are asked of the same stays
			for player := range playerCount {
				other := g.scorer.tallies[player].Stays[group]
				for k := range kinds {
					require.Equal(rt, kinds[k].Found+kinds[k].Missed, other[k].Found+other[k].Missed)
				}
			}
		}
	})
}

// The two simple programs on traces by hand: the limit of larvae is 23.9 °C with 30 min.
func TestBaselines(t *testing.T) {
	none := math.NaN()
	repeat := func(n int, values ...float64) (list []float64) {
		for range n {
			list = append(list, values...)
		}
		return list
	}
	cases := []struct {
		name       string
		trace      []float64
		bare, hold int
	}{
		{"inside", repeat(100, 23), 0, 0},
		{"the limit itself is inside", repeat(100, (75-32)*5./9), 0, 0},
		{"one long stay", append(repeat(5, 23), repeat(60, 25)...), 1, 1},
		{"chatter", repeat(40, 24, 23), 40, 0},
		{"thirty minutes are thirty-one readings", append(repeat(30, 25), 23), 1, 0},
		{"and then it is reported", append(repeat(31, 25), 23), 1, 1},
		{"what is lacking is not missed", append(append(repeat(20, 25), repeat(20, none)...), repeat(5, 25)...), 1, 1},
		{"both limits", repeat(40, 28), 2, 2},
		{"from below", repeat(40, 20), 1, 1},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			g := little(t, nil, nil)
			for step, value := range c.trace {
				g.truth.step = step
				g.world.advance(step, g.truth.values)
				g.truth.enter()
				for _, b := range g.bases {
					b.take(g.setting.order[tub3], value)
				}
			}
			assert.Equal(t, c.bare, g.scorer.tallies[playerBare].Phone.Calls())
			assert.Equal(t, c.hold, g.scorer.tallies[playerHold].Phone.Calls())
		})
	}
}

// The shipped profile and the configuration of the room have the limits of the yardsticks, at each hour of the year. Their delays may
// differ: the yardsticks do not follow them.
func TestYardsticksAreTheLimitsOfTheProfile(t *testing.T) {
	s, err := loadSetting()
	require.NoError(t, err)
	start := time.Date(2026, 1, 1, 0, 0, 0, 0, s.watch.Location)
	core := watch.New(s.watch, "test")
	known := newTruth(s, start)
	for hour := 0; hour < 365*24; hour += 7 {
		known.step = hour * 60
		known.enter()
		for _, p := range s.points {
			if index, ok := core.Index(p.name); ok && !p.name.Quantity.Derived() {
				core.Step(watch.Event{At: instant.Of(known.now()), Point: index, Value: comfort(p.name), Flag: quantity.Pass}, nil)
			}
		}
		for i, p := range s.points {
			index, ok := core.Index(p.name)
			require.True(t, ok)
			in := core.State(index).Band
			assert.Equal(t, fmt.Sprint(in.Limits), fmt.Sprint(known.bands[i].limits), "%s at %s", p.name, known.now())
		}
	}
}

func TestDrawnFaultsAreOfTheirYear(t *testing.T) {
	s, err := loadSetting()
	require.NoError(t, err)
	start := time.Date(2026, 1, 1, 0, 0, 0, 0, s.watch.Location)
	cuts, clocks, cooling, dark, tripped := 0, 0, 0, 0, 0
	const years = 200
	for year := range years {
		m := drawFaults(s, rand.New(rand.NewPCG(uint64(year), 0)), start, stepsPerYear, AllFaults(), Standard, 1)
		last := 0
		for _, c := range m.cuts {
			require.Greater(t, c.from, last)
			require.GreaterOrEqual(t, c.to, c.from)
			last = c.to + c.synced
		}
		for _, f := range m.cooling {
			at := start.Add(time.Duration(f.from) * stepTime)
			require.True(t, at.Month() >= 5 && at.Month() <= 10, "%s is not warm", at)
		}
		sum := time.Duration(0)
		for _, c := range m.clock {
			sum += c.by
		}
		require.Zero(t, sum, "each step is corrected")
		for i, f := range m.sensors {
			require.Len(t, f.drift, len(s.parts[i].channels))
			require.True(t, s.parts[i].misted || len(f.film) == 0, "water falls where it is misted")
		}
		for _, place := range tubs {
			require.GreaterOrEqual(t, len(m.changes[place]), 52, "once a week")
			for i, c := range m.changes[place] {
				require.True(t, c.share > 0 && c.share < 0.7)
				require.True(t, i == 0 || m.changes[place][i-1].at <= c.at, "oldest first")
			}
		}
		for _, s := range m.tripped {
			require.True(t, slices.ContainsFunc(m.dark, func(o span) bool { return o.to == s.from }), "a conditioner stays off after a power cut")
		}
		require.Subset(t, m.uplink, m.dark, "the router is dark with the room")
		dark, tripped = dark+len(m.dark), tripped+len(m.tripped)
		cuts, clocks, cooling = cuts+len(m.cuts), clocks+len(m.clock), cooling+len(m.cooling)
	}
	assert.InDelta(t, 1.7, float64(cuts)/years, 0.4, "a few overlap and are dropped")
	assert.InDelta(t, 2, float64(clocks)/years, 0.5)
	assert.InDelta(t, 0.8, float64(cooling)/years, 0.25)
	assert.InDelta(t, 1.5, float64(dark)/years, 0.4, "three quarters of the cuts take the mains")
	assert.InDelta(t, 0.45, float64(tripped)/years, 0.15)
	harsh := drawFaults(s, rand.New(rand.NewPCG(1, 0)), start, stepsPerYear, AllFaults(), Harsh, 1)
	assert.Greater(t, harsh.loss, 0.01)
	assert.Greater(t, harsh.sensors[0].noise, 1.0)
	none := drawFaults(s, rand.New(rand.NewPCG(1, 0)), start, stepsPerYear, nil, Standard, 1)
	assert.Empty(t, none.cuts)
	assert.Empty(t, none.cooling)
	for _, f := range none.sensors {
		assert.Empty(t, f.dropout)
	}
}

func TestParseFaults(t *testing.T) {
	all, err := ParseFaults("all")
	require.NoError(t, err)
	assert.Equal(t, AllFaults(), all)
	none, err := ParseFaults("none")
	require.NoError(t, err)
	assert.Empty(t, none)
	some, err := ParseFaults("door, drift,door")
	require.NoError(t, err)
	assert.Equal(t, []Fault{Door, Drift}, some)
	_, err = ParseFaults("door,flood")
	assert.ErrorContains(t, err, `there is no fault "flood"`)
}

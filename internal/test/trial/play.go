package trial

import (
	"cmp"
	"context"
	"fmt"
	"math/rand/v2"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/watch"
)

// Options say what is to be played.
type Options struct {
	RoomYears int
	First     int // the first of them; each room-year is the same whichever others are played
	Seed      uint64
	World     World      // "" means [Standard]
	Keeper    KeeperKind // "" means [Asleep]
	Faults    []Fault
	Workers   int       // 0 means one for each processor; it changes nothing but the time it takes
	Progress  func(int) // receives the number of finished room-years, from any goroutine; may be nil

	steps int     // of each room-year; 0 means all of them
	rush  float64 // how many times more frequent faults are; 0 means once
}

// Result is what came of it.
type Result struct {
	RoomYears int
	Seed      uint64
	World     World
	Keeper    KeeperKind
	Faults    []Fault
	Players   [playerCount]*Tally
	Years     [][playerCount]Year // of each room-year
	Misses    []Miss
	late      []Miss // critical stays that dewline found, later than the goal asks
}

// Year is what a player has done in one room-year.
type Year struct{ Audible, False int }

// Play plays room-years and scores the players. The result depends on the options only, not on the number of workers. Where ctx
// ends before all is played, the result is that of as many room-years as were finished from the first one on without a gap.
func Play(ctx context.Context, o Options) (*Result, error) {
	s, err := loadSetting()
	if err != nil {
		return nil, err
	}
	years := make([]*scorer, o.RoomYears)
	failures := make([]error, o.RoomYears)
	var next, done atomic.Int64
	var workers sync.WaitGroup
	count := o.Workers
	if count <= 0 {
		count = runtime.NumCPU()
	}
	for range min(count, max(o.RoomYears, 1)) {
		workers.Go(func() {
			for year := int(next.Add(1)) - 1; year < o.RoomYears && ctx.Err() == nil; year = int(next.Add(1)) - 1 {
				years[year], failures[year] = playYear(ctx, s, o.First+year, o, nil)
				if o.Progress != nil {
					o.Progress(int(done.Add(1)))
				}
			}
		})
	}
	workers.Wait()
	finished := 0
	for finished < o.RoomYears && years[finished] != nil && failures[finished] == nil {
		finished++
	}
	if err := ctx.Err(); err != nil {
		if finished == 0 {
			return nil, err
		}
		years = years[:finished]
	}
	r := &Result{RoomYears: len(years), Seed: o.Seed, World: cmp.Or(o.World, Standard), Keeper: cmp.Or(o.Keeper, Asleep), Faults: o.Faults}
	for i := range r.Players {
		r.Players[i] = newTally()
	}
	for year, c := range years {
		if failures[year] != nil {
			return nil, fmt.Errorf("room-year %d: %w", o.First+year, failures[year])
		}
		var counts [playerCount]Year
		for i := range r.Players {
			r.Players[i].add(c.tallies[i])
			counts[i] = Year{c.tallies[i].Audible(), c.tallies[i].Phone.False()}
		}
		r.Years = append(r.Years, counts)
		for from, to := range map[*[]Miss]*[]Miss{&c.misses: &r.Misses, &c.late: &r.late} {
			for _, m := range *from {
				m.Year = o.First + year
				*to = append(*to, m)
			}
		}
	}
	return r, nil
}

// streams of chance: each thing has its own, so that what one does shifts nothing of another's.
const (
	chanceFaults = iota
	chanceWeather
	chancePath
	chanceKeeper
	chanceSensors = chanceKeeper + 4 // and one for each sensor
)

// playYear plays one room-year. A caring keeper changes the world, so that it is played once for each player.
func playYear(ctx context.Context, s *setting, year int, o Options, trace *tracer) (*scorer, error) {
	if cmp.Or(o.Keeper, Asleep) != Caring {
		return playFor(ctx, s, year, o, everyone, trace)
	}
	var all *scorer
	for player := range playerCount {
		follows := trace
		if player != playerDewline {
			follows = nil
		}
		c, err := playFor(ctx, s, year, o, player, follows)
		if err != nil {
			return nil, err
		}
		if all == nil {
			all = c
		}
		all.tallies[player] = c.tallies[player]
	}
	return all, nil
}

// everyone as the lead of a game: all play, and no one's keeper changes the world.
const everyone = -1

// playFor plays one room-year, in the world that the keeper of one player makes.
func playFor(ctx context.Context, s *setting, year int, o Options, lead int, trace *tracer) (*scorer, error) {
	steps := cmp.Or(o.steps, stepsPerYear)
	stream := func(what int) *rand.Rand {
		return rand.New(rand.NewPCG(o.Seed, uint64(year)<<16|uint64(what)))
	}
	start := time.Date(2026, 1, 1, 0, 0, 0, 0, s.watch.Location)
	w := cmp.Or(o.World, Standard)
	m := drawFaults(s, stream(chanceFaults), start, steps, o.Faults, w, cmp.Or(o.rush, 1))
	g, err := newGame(s, start, newRoom(s, start, stream(chanceWeather), m, w), m, stream)
	if err != nil {
		return nil, err
	}
	g.lead, g.trace, g.dewline.trace = lead, trace, trace
	// f-2025 is set to adult on the first of October.
	g.moves = []move{{time.Date(2026, 10, 1, 9, 0, 0, 0, s.watch.Location), "f-2025", care.Adult}}
	return g.scorer, g.play(ctx, steps)
}

// move is a stage that is set by command.
type move struct {
	at     time.Time
	cohort string
	to     care.Stage
}

// game is a room-year as it is played.
type game struct {
	setting  *setting
	world    world
	misdeeds *misdeeds
	truth    *truth
	probes   []*probe
	scorer   *scorer
	lead     int // the player whose keeper cares, or everyone
	dewline  *dewline
	bases    [2]*baseline
	grouped  *grouped
	moves    []move
	samples  []intake.Sample
	trace    *tracer      // nil for none
	naives   [][]*float64 // of each point, what its sensors gave last, NaN for nothing
}

func newGame(s *setting, start time.Time, w world, m *misdeeds, stream func(what int) *rand.Rand) (*game, error) {
	g := &game{setting: s, world: w, misdeeds: m, truth: newTruth(s, start), lead: everyone}
	for i := range s.parts {
		g.probes = append(g.probes, newProbe(&s.parts[i], m.sensors[i], stream(chanceSensors+i), s.order[roomAir]))
	}
	g.scorer = newScorer(s, g.truth, g.probes, &path{uplink: m.uplink, phoneOff: m.phoneOff, loss: m.loss, seed: stream(chancePath).Uint64()})
	day := sameDay(stream(chanceKeeper).Uint64())
	for i := range g.scorer.keepers {
		g.scorer.keepers[i] = &keeper{chance: day}
	}
	g.bases = [2]*baseline{newBaseline(playerBare, false, g.scorer), newBaseline(playerHold, true, g.scorer)}
	g.grouped = newGrouped(g.scorer)
	g.samples = make([]intake.Sample, len(s.parts))
	g.naives = make([][]*float64, len(s.points))
	for _, p := range g.probes {
		for k, point := range p.part.feeds {
			g.naives[point] = append(g.naives[point], &p.naive[k])
		}
	}
	var err error
	g.dewline, err = newDewline(s, g.scorer, start)
	return g, err
}

// play plays all steps.
func (g *game) play(ctx context.Context, steps int) error {
	cuts, clock := g.misdeeds.cuts, g.misdeeds.clock
	started := true
	synced := -1 // when the clock of a board that has started without the right time will be set
	for step := range steps {
		if step%(24*60) == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		t := g.truth
		t.step = step
		g.world.advance(step, t.values)
		t.enter()
		if len(cuts) > 0 {
			c := &cuts[0]
			switch step {
			case max(c.from-1-c.from%30, 0): // some time within the half hour before it
				g.dewline.expectCut()
			case c.from:
				g.dewline.cut()
			case c.to:
				if err := g.dewline.boot(g.dewline.offset - time.Duration(c.to-c.from)*stepTime - c.behind); err != nil {
					return err
				}
				for _, b := range g.bases {
					b.boot()
				}
				g.grouped.boot()
				started, synced = true, c.to+c.synced
				cuts = cuts[1:]
			}
		}
		for ; len(clock) > 0 && clock[0].at == step; clock = clock[1:] {
			g.dewline.set(clock[0].by)
		}
		if step == synced && g.dewline.on {
			g.dewline.confirm()
		}
		t.powered = g.dewline.on
		g.read(started)
		started = started && !g.dewline.on
		t.follow()
		if g.dewline.on {
			g.live()
		}
		g.trace.step(g)
		g.scorer.followHeartbeat()
		if g.lead != everyone && step%compareEvery == compareEvery-1 {
			g.compareAll()
		}
		g.errands()
		g.dewline.settleForecasts(step == steps-1)
		g.scorer.settle(g.knows, g.dewline.faultNotified, step == steps-1)
		if g.dewline.err != nil {
			return g.dewline.err
		}
	}
	return g.dewline.balance()
}

// read reads all sensors, where the board is on.
func (g *game) read(started bool) {
	t := g.truth
	for i, p := range g.probes {
		p.follow(t.step, t.values)
		if !t.powered {
			p.unread()
			continue
		}
		p.read(t.step, started, &g.samples[i])
		for k, point := range p.part.feeds {
			if p.right[k] {
				t.lived[point] = t.step
			}
		}
	}
}

// live gives all players their readings, and people their say.
func (g *game) live() {
	t := g.truth
	for i := range g.setting.points {
		if value, ok := g.naive(i); ok {
			for _, b := range g.bases {
				b.take(i, value)
			}
			g.grouped.take(i, value)
		}
	}
	g.grouped.tick()
	now := g.dewline.wall()
	for i := range g.samples {
		if g.lead != everyone && g.lead != playerDewline {
			break // it is another one's world, and this takes the most time
		}
		g.samples[i].At = now
		g.dewline.take(&g.samples[i])
	}
	for len(g.moves) > 0 && !t.now().Before(g.moves[0].at) {
		m := g.moves[0]
		g.moves = g.moves[1:]
		g.dewline.command(watch.Command{Verb: watch.SetStage, Cohort: m.cohort, Stage: m.to.String(), By: "keeper", At: instant.None})
		t.move(m.cohort, m.to)
	}
	g.dewline.tick()
}

// errands lets people act on what they have heard.
func (g *game) errands() {
	for player, k := range g.scorer.keepers {
		for _, e := range k.errands(g.truth.now()) {
			switch {
			case e.occurrence == "":
				if player == g.lead {
					g.visit(e.place)
				}
			case player == playerDewline && !g.dewline.on: // he tries again later
				k.due = append(k.due, errand{e.heard, g.truth.now().Add(10 * time.Minute), e.occurrence, e.place})
			case player == playerDewline:
				g.dewline.command(watch.Command{Verb: watch.Acknowledge, Occurrence: e.occurrence, By: "keeper"})
			case player == playerGrouped:
				g.grouped.acknowledge(e.occurrence)
			}
		}
	}
}

// naive returns what a simple program takes for the value of a measured point: that of the first sensor that gives one.
func (g *game) naive(point int) (float64, bool) {
	for _, value := range g.naives[point] {
		if *value == *value {
			return *value, true
		}
	}
	return 0, false
}

// knows reports whether a player has notified the keeper of a stay and not taken that back.
func (g *game) knows(player int, s *stay) bool {
	switch player {
	case playerBare, playerHold:
		return g.bases[player-playerBare].knows(s.limitOf)
	case playerGrouped:
		return g.grouped.knows(s.limitOf)
	}
	return g.dewline.knows(s.limitOf)
}

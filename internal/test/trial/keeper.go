package trial

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// KeeperKind is what the keeper does with what he hears.
type KeeperKind string

// The keepers.
const (
	Asleep KeeperKind = "asleep" // acknowledges and cures nothing: faults last as drawn, and all players see the same world
	Caring KeeperKind = "caring" // cures what he is notified of, and compares his probes once a month
)

// keeper is a person with a phone: he acknowledges, late. Each player has one of its own, and all of them live the same day.
type keeper struct {
	chance func(now time.Time) *rand.Rand // of what he hears at a time
	due    []errand
}

// sameDay returns the chance by which keepers acknowledge: it depends on the hour only, so that whoever is away is so for each player,
// and two players that send the same are acknowledged at the same time.
func sameDay(seed uint64) func(time.Time) *rand.Rand {
	return func(now time.Time) *rand.Rand { return rand.New(rand.NewPCG(seed, uint64(now.Unix()/3600))) }
}

// errand is an acknowledgement that he will make, or a visit to a place.
type errand struct {
	heard, at  time.Time
	occurrence string // "" for a visit
	place      string
}

// visitAfter is how long after his acknowledgement he is at the place; invented.
const visitAfter = 20 * time.Minute

// hear decides when he will acknowledge: after ten minutes in the middle, forty at night, and one time in twenty he is away for
// hours. Invented.
func (k *keeper) hear(now time.Time, occurrence, place string) {
	median := 10.0
	if hour := now.Hour(); hour >= 23 || hour < 7 {
		median = 40
	}
	chance := k.chance(now)
	minutes := median * math.Exp(0.8*chance.NormFloat64())
	if chance.Float64() < 0.05 {
		minutes += 60 * (2 + 10*chance.Float64())
	}
	at := now.Add(time.Duration(minutes * float64(time.Minute)))
	if occurrence != "" {
		k.due = append(k.due, errand{heard: now, at: at, occurrence: occurrence})
	}
	k.due = append(k.due, errand{heard: now, at: at.Add(visitAfter), place: place})
}

// errands returns what he does now, in the order in which he heard of it. With the phone in his hand he acknowledges all that has arrived, and
// goes to all those places.
func (k *keeper) errands(now time.Time) (list []errand) {
	looks := slices.ContainsFunc(k.due, func(e errand) bool { return e.occurrence != "" && !e.at.After(now) })
	for i := range k.due {
		e := &k.due[i]
		if !looks || e.heard.After(now) {
			continue
		}
		latest := now
		if e.occurrence == "" {
			latest = now.Add(visitAfter)
		}
		if e.at.After(latest) {
			e.at = latest
		}
	}
	k.due = slices.DeleteFunc(k.due, func(e errand) bool {
		if e.at.After(now) {
			return false
		}
		list = append(list, e)
		return true
	})
	return list
}

// visit ends what goes wrong at a place, in the air around it and with its sensors.
func (g *game) visit(place string) {
	if room, ok := g.world.(*room); ok {
		room.cure(place, g.truth.now())
		room.cure("loft", g.truth.now())
	}
	for _, p := range g.probes {
		if slices.ContainsFunc(p.part.feeds, func(point int) bool { return g.setting.points[point].name.Place == place }) {
			p.cure(g.truth.step)
			p.compare(g.truth.step)
		}
	}
}

// compareEvery is how often a caring keeper compares his probes with a thermometer and a hygrometer that are right.
const compareEvery = 30 * 24 * 60

// compareAll compares all probes.
func (g *game) compareAll() {
	for _, p := range g.probes {
		p.compare(g.truth.step)
	}
}

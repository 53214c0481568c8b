package trial

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// keeper is a person with a phone: he acknowledges, late. He sets nothing right sooner for a notification: faults last as long as
// they were drawn to last, so that all players see the same world.
type keeper struct {
	chance *rand.Rand
	due    []errand
}

// errand is an acknowledgement that he will make.
type errand struct {
	at         time.Time
	occurrence string
}

// hear decides when he will acknowledge: after ten minutes in the middle, forty at night, and one time in twenty he is away for
// hours. Invented.
func (k *keeper) hear(now time.Time, occurrence string) {
	median := 10.0
	if hour := now.Hour(); hour >= 23 || hour < 7 {
		median = 40
	}
	minutes := median * math.Exp(0.8*k.chance.NormFloat64())
	if k.chance.Float64() < 0.05 {
		minutes += 60 * (2 + 10*k.chance.Float64())
	}
	k.due = append(k.due, errand{now.Add(time.Duration(minutes * float64(time.Minute))), occurrence})
}

// errands returns what he does now, in the order in which he heard of it.
func (k *keeper) errands(now time.Time) (list []string) {
	k.due = slices.DeleteFunc(k.due, func(e errand) bool {
		if e.at.After(now) {
			return false
		}
		list = append(list, e.occurrence)
		return true
	})
	return list
}

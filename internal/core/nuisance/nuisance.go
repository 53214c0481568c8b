// Package nuisance defines what counts as an annunciation, an alarm flood, chattering and fleeting. The rules of notification and
// the report on how the alarms have served count by these same definitions.
//
// A flood is defined by EEMUA 191 and ANSI/ISA-18.2-2016 clause 16 (read through public digests) in bins of ten minutes that are
// fixed to whole multiples of their length in UTC. For chattering the standard gives no number: three raise and clear pairs
// within a minute is common practice, no published source. Fleeting likewise.
package nuisance

import (
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
)

// The numbers of the definitions.
const (
	Bin           = 10 * time.Minute
	FloodBegins   = 10               // a flood begins with a bin of more annunciations than this
	FloodEnds     = 5                // and ends before the first bin of fewer than this
	ChatterPairs  = 3                // raises and clears of one alarm; common practice, no published source
	ChatterWithin = time.Minute      // from the first raise to the last clear; likewise
	FleetingBelow = 10 * time.Second // from the raise to the clear; likewise
)

// Calls reports whether an entry calls for a person: the alarm enters the state unacknowledged, or alarms once more, or with a higher priority, in it. Only
// that is an annunciation.
func Calls(e *journal.Entry) bool {
	return e.Alarm != "" && e.State == isa.Unacknowledged && (e.Was != isa.Unacknowledged || e.Kind == journal.AlarmRepeated || e.Kind == journal.AlarmWorsened)
}

// BinOf numbers the bins.
func BinOf(t instant.Instant) int64 {
	n := int64(t) / int64(Bin)
	if int64(t)%int64(Bin) < 0 {
		n--
	}
	return n
}

// BinStart is the first instant of a bin.
func BinStart(n int64) instant.Instant { return instant.Instant(n * int64(Bin)) }

// InFlood decides from whether the bin before belonged to a flood, and from the annunciations of a bin, whether that bin does.
func InFlood(before bool, annunciations int) bool {
	switch {
	case annunciations > FloodBegins:
		return true
	case annunciations < FloodEnds:
		return false
	}
	return before
}

// Stay is a raise of an alarm and the clear that ended it; Cleared is [instant.None] while it is active. Both come from the
// condition, never from a person.
type Stay struct{ Raised, Cleared instant.Instant }

// Chatters reports whether the alarm chatters from stay i of all its stays on, given in the order of time.
func Chatters(stays []Stay, i int) bool {
	k := i + ChatterPairs - 1
	if i < 0 || k >= len(stays) || stays[i].Cleared.IsNone() || stays[k].Cleared.IsNone() {
		return false
	}
	return stays[k].Cleared.Sub(stays[i].Raised) <= ChatterWithin
}

// Fleeting reports whether stay i was fleeting: short, and not repeated.
func Fleeting(stays []Stay, i int) bool {
	s := stays[i]
	if s.Cleared.IsNone() || s.Cleared.Sub(s.Raised) >= FleetingBelow {
		return false
	}
	after := i+1 < len(stays) && stays[i+1].Raised.Sub(s.Cleared) <= ChatterWithin
	before := i > 0 && !stays[i-1].Cleared.IsNone() && s.Raised.Sub(stays[i-1].Cleared) <= ChatterWithin
	return !after && !before
}

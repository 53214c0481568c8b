package notify

import (
	"fmt"
	"strings"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/nuisance"
	"dewline/internal/core/watch"
)

// flood counts alarms in fixed bins, each alarm once in a bin: one probe that swings is no flood. A flood has begun as soon as its first
// bin holds too many, and is over at the end of the first bin that holds few enough.
type flood struct {
	active bool
	since  instant.Instant // start of its first bin; None while there has been none
	total  int             // alarms of all its bins
	bin    int64
	alarms map[string]bool // of this bin
	// What belongs to it: the points, and of each kind of alarm ("water-temperature/high") how many of them. It grows from the first bin
	// on, and begins again with a bin that is in no flood.
	points map[string]bool
	kinds  map[string]int
	// The journal does not know yet that it has begun, or ended.
	owesBegin, owesEnd bool
	last               instant.Instant // start of the bin that was too quiet
}

// manyAlike is how many points make a kind of alarm a part of the flood: what so many have in common has one cause, and one more of
// them is no news. The first alarm of a point that is no part of it always goes out at once.
const manyAlike = nuisance.FloodEnds

func noFlood() flood {
	return flood{since: instant.None, last: instant.None, alarms: map[string]bool{}, points: map[string]bool{}, kinds: map[string]int{}}
}

// roll closes the bins that have ended by a time.
func (f *flood) roll(now instant.Instant) {
	b := nuisance.BinOf(now)
	if b <= f.bin { // an entry may be a few seconds late
		return
	}
	ended := nuisance.BinStart(f.bin)
	was := f.active
	if f.active = nuisance.InFlood(f.active, len(f.alarms)); f.active && b > f.bin+1 { // nothing at all has happened since
		f.active, ended = nuisance.InFlood(true, 0), nuisance.BinStart(f.bin+1)
	}
	if was && !f.active {
		f.owesEnd, f.last = true, ended
	}
	f.bin = b
	clear(f.alarms)
	if !f.active {
		clear(f.points)
		clear(f.kinds)
	}
}

// count takes note of an annunciation, and reports whether it is part of a flood.
func (f *flood) count(alarm string, at instant.Instant) (part bool) {
	f.roll(at)
	point, kind := pointAndKind(alarm)
	known := f.points[point]
	part = known || f.kinds[kind] >= manyAlike
	if !known {
		f.points[point] = true
	}
	if f.alarms[alarm] {
		return part && f.active
	}
	f.alarms[alarm] = true
	if !known {
		f.kinds[kind]++
	}
	f.total++
	if !f.active && nuisance.InFlood(false, len(f.alarms)) {
		f.active, f.owesBegin, f.owesEnd = true, true, false
		f.since, f.total = nuisance.BinStart(f.bin), len(f.alarms)
	}
	return part && f.active
}

// pointAndKind parts the name of an alarm: the point or sensor, and what other points or sensors can have as well.
func pointAndKind(alarm string) (point, kind string) {
	i := strings.LastIndexByte(alarm, '/')
	point, limit := alarm[:max(i, 0)], alarm[i+1:]
	place, quantity, _ := strings.Cut(point, "/")
	if place == watch.FaultPlace {
		return point, limit
	}
	return point, quantity + "/" + limit
}

// recorded takes note of an entry on a flood.
func (f *flood) recorded(entry *journal.Entry) {
	if entry.Kind == journal.FloodEnded {
		f.roll(entry.At)
		f.owesEnd = false
		return
	}
	f.owesBegin = false
	if !f.active && entry.Since != nil { // its beginning lies before what has come by
		f.active, f.since, f.bin = true, *entry.Since, nuisance.BinOf(entry.At)
	}
}

// reports returns what the journal must know.
func (f *flood) reports() (commands []watch.Command) {
	if !f.owesBegin && !f.owesEnd {
		return nil
	}
	since := f.since
	if f.owesBegin {
		commands = append(commands, watch.Command{
			Verb: watch.Report, Kind: journal.FloodBegan, By: By, Since: &since,
			Text: fmt.Sprintf("more than %d alarms within ten minutes: until it is over they are told in summaries, the critical ones one by one", nuisance.FloodBegins),
		})
	}
	if f.owesEnd {
		commands = append(commands, watch.Command{
			Verb: watch.Report, Kind: journal.FloodEnded, By: By, Since: &since,
			Text: fmt.Sprintf("%d alarms within %d minutes", f.total, int(f.last.Sub(since).Minutes())),
		})
	}
	return commands
}

func (f *flood) shift(by time.Duration) {
	f.bin = shiftBin(f.bin, by)
	for _, at := range []*instant.Instant{&f.since, &f.last} {
		if !at.IsNone() {
			*at = at.Add(by)
		}
	}
}

func shiftBin(bin int64, by time.Duration) int64 {
	return nuisance.BinOf(nuisance.BinStart(bin).Add(by))
}

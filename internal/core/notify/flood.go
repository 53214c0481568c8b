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
	// The points that belong to the flood, and the number of them per kind of alarm ("water-temperature/high"). Both grow from the
	// first bin on, and are reset at the end of a bin that is in no flood.
	points map[string]bool
	kinds  map[string]int
	// The journal does not have the entry of the beginning, or of the end, yet.
	beginPending, endPending bool
	last                     instant.Instant // start of the bin that was too quiet
}

// minAlike is how many points with the same kind of alarm make that kind part of the flood: so many have one cause in common, and
// one more of them is no news. The first alarm of a point outside the flood is always sent at once.
const minAlike = nuisance.FloodEnds

func noFlood() flood {
	return flood{since: instant.None, last: instant.None, alarms: map[string]bool{}, points: map[string]bool{}, kinds: map[string]int{}}
}

// roll closes the bins that have ended by now.
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
		f.endPending, f.last = true, ended
	}
	f.bin = b
	clear(f.alarms)
	if !f.active {
		clear(f.points)
		clear(f.kinds)
	}
}

// count counts an annunciation, and reports whether it is part of a flood.
func (f *flood) count(alarm string, at instant.Instant) (part bool) {
	f.roll(at)
	point, kind := pointAndKind(alarm)
	known := f.points[point]
	part = known || f.kinds[kind] >= minAlike
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
		f.active, f.beginPending, f.endPending = true, true, false
		f.since, f.total = nuisance.BinStart(f.bin), len(f.alarms)
	}
	return part && f.active
}

// pointAndKind splits the name of an alarm into its point or sensor and its kind, which other points or sensors can have as well.
func pointAndKind(alarm string) (point, kind string) {
	i := strings.LastIndexByte(alarm, '/')
	point, limit := alarm[:max(i, 0)], alarm[i+1:]
	place, quantity, _ := strings.Cut(point, "/")
	if place == journal.FaultPlace {
		return point, limit
	}
	return point, quantity + "/" + limit
}

// recorded folds in a journal entry about a flood.
func (f *flood) recorded(entry *journal.Entry) {
	if entry.Kind == journal.FloodEnded {
		f.roll(entry.At)
		f.endPending = false
		return
	}
	f.beginPending = false
	if !f.active && entry.Since != nil { // it began before the first entry that was read
		f.active, f.since, f.bin = true, *entry.Since, nuisance.BinOf(entry.At)
	}
}

// reports returns the commands that record the beginning and the end of a flood.
func (f *flood) reports() (commands []watch.Command) {
	if !f.beginPending && !f.endPending {
		return nil
	}
	since := f.since
	if f.beginPending {
		commands = append(commands, watch.Command{
			Verb: watch.Report, Kind: journal.FloodBegan, By: By, Since: &since,
			Text: fmt.Sprintf("more than %d alarms within ten minutes: until it is over they are reported in summaries, the critical ones one by one", nuisance.FloodBegins),
		})
	}
	if f.endPending {
		commands = append(commands, watch.Command{
			Verb: watch.Report, Kind: journal.FloodEnded, By: By, Since: &since,
			Text: fmt.Sprintf("%d alarms within %d minutes", f.total, int(f.last.Sub(since).Minutes())),
		})
	}
	return commands
}

func (f *flood) shift(by time.Duration) {
	f.bin = shiftBin(f.bin, by)
	instant.Shift(by, &f.since, &f.last)
}

func shiftBin(bin int64, by time.Duration) int64 {
	return nuisance.BinOf(nuisance.BinStart(bin).Add(by))
}

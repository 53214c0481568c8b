package notify

import (
	"fmt"
	"time"

	"dewline/internal/instant"
	"dewline/internal/journal"
	"dewline/internal/nuisance"
	"dewline/internal/watch"
)

// flood counts annunciations in fixed bins. A flood has begun as soon as its first bin holds too many, and is over at the end of
// the first bin that holds few enough.
type flood struct {
	active bool
	since  instant.Instant // start of its first bin; None while there has been none
	total  int             // annunciations since then
	bin    int64
	n      int // annunciations of this bin
	// The journal does not know yet that it has begun, or ended.
	owesBegin, owesEnd bool
	last               instant.Instant // start of the bin that was too quiet
}

func noFlood() flood { return flood{since: instant.None, last: instant.None} }

// roll closes the bins that have ended by a time.
func (f *flood) roll(now instant.Instant) {
	b := nuisance.BinOf(now)
	if b <= f.bin { // an entry may be a few seconds late
		return
	}
	ended := nuisance.BinStart(f.bin)
	was := f.active
	if f.active = nuisance.InFlood(f.active, f.n); f.active && b > f.bin+1 { // nothing at all has happened since
		f.active, ended = nuisance.InFlood(true, 0), nuisance.BinStart(f.bin+1)
	}
	if was && !f.active {
		f.owesEnd, f.last = true, ended
	}
	f.bin, f.n = b, 0
}

// count takes note of an annunciation.
func (f *flood) count(at instant.Instant) {
	f.roll(at)
	f.n++
	f.total++
	if !f.active && nuisance.InFlood(false, f.n) {
		f.active, f.owesBegin, f.owesEnd = true, true, false
		f.since, f.total = nuisance.BinStart(f.bin), f.n
	}
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

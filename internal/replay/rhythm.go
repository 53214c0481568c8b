package replay

import (
	"fmt"
	"math"
	"math/bits"
	"slices"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/watch"
)

// rhythm follows how far apart the readings of a point are.
type rhythm struct {
	known    bool
	last     instant.Instant
	count    [rhythmClasses]int64
	duration [rhythmClasses]float64 // sum, in s
}

// rhythmClasses are eight to each doubling of a number of milliseconds, up to some years.
const rhythmClasses = 8 * 40

func rhythmClass(d time.Duration) int {
	ms := uint64(d.Milliseconds())
	if ms < 8 {
		return int(ms)
	}
	shift := bits.Len64(ms) - 4
	return min(8*(shift+1)+int(ms>>shift&7), rhythmClasses-1)
}

func (r *rhythm) note(at instant.Instant) {
	if r.known {
		d := at.Sub(r.last)
		class := rhythmClass(d)
		r.count[class]++
		r.duration[class] += d.Seconds()
	}
	r.known, r.last = true, at
}

// apart returns how many pairs there are, how many of them are further apart than gap, and how far apart the middle one of them
// is.
func (r *rhythm) apart(gap time.Duration) (pairs, beyond int64, middle time.Duration) {
	for class, n := range r.count {
		pairs += n
		if n > 0 && r.duration[class]/float64(n) > gap.Seconds() {
			beyond += n
		}
	}
	half := (pairs + 1) / 2
	for class, n := range r.count {
		if half -= n; half <= 0 && n > 0 {
			return pairs, beyond, time.Duration(r.duration[class] / float64(n) * float64(time.Second))
		}
	}
	return pairs, beyond, 0
}

// fitting are the gaps that are offered.
var fitting = []time.Duration{
	2 * time.Minute, 3 * time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 20 * time.Minute, 30 * time.Minute, 45 * time.Minute,
	time.Hour, 90 * time.Minute, 2 * time.Hour, 3 * time.Hour, 4 * time.Hour, 6 * time.Hour, 8 * time.Hour, 12 * time.Hour, 24 * time.Hour,
}

// fittingGap returns a gap that joins readings of an interval, though one or two of them fail.
func fittingGap(interval time.Duration) time.Duration {
	want := time.Duration(math.Round(2.95 * float64(interval))) // a logger whose clock is slow by a little needs no more
	if i := slices.IndexFunc(fitting, func(d time.Duration) bool { return d >= want }); i >= 0 {
		return fitting[i]
	}
	return want.Round(time.Hour) + time.Hour
}

// warnings are about points most of whose readings are too far apart to be joined: they are unknown, and raise no alarm.
func (r *run) warnings(site watch.Site) []string {
	var all []string
	for i, p := range r.core.Points() {
		gap := time.Minute
		if k := slices.IndexFunc(site.Points, func(s watch.Point) bool { return s.Point == p }); k >= 0 && site.Points[k].Gap > 0 {
			gap = site.Points[k].Gap
		}
		pairs, beyond, middle := r.rhythm[i].apart(gap)
		if 2*beyond <= pairs {
			continue
		}
		all = append(all, fmt.Sprintf("%s: %d of %d readings come more than %s after the one before, so that what lies between is not known and "+
			"raises no alarm; they are mostly %s apart: replay them with --gap %s",
			p, beyond, pairs, short(gap), short(middle.Round(time.Second)), short(fittingGap(middle))))
	}
	return all
}

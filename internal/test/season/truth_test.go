package season

import (
	"math"
	"slices"
	"time"
)

// What the test knows by itself: the limits of the invented frog, where it was, and an integrator over readings. Nothing here is the
// program's.

// stay is a stretch of the life of the cohort.
type stay struct {
	place, stage string
	from, to     time.Time
}

// bounds are the limits of a quantity, NaN where there is none: critical low, low, high, critical high.
type bounds [4]float64

var none = math.NaN()

// boundsOf returns the limits of a stage by day or night; false where the stage has none of that quantity.
func boundsOf(stage, quantity string, day bool) (bounds, bool) {
	switch {
	case quantity == "water-temperature" && stage == "egg":
		return bounds{16, 20, 24, 28}, true
	case quantity == "water-temperature" && stage == "larva":
		return bounds{17, 20, 25, 28}, true
	case quantity == "water-temperature" && stage == "metamorph":
		return bounds{18, 20, 24, 27}, true
	case quantity == "air-temperature" && stage == "juvenile" && day:
		return bounds{15, 21, 26, 30}, true
	case quantity == "air-temperature" && stage == "juvenile":
		return bounds{15, 18, 24, 30}, true
	case quantity == "relative-humidity" && stage == "juvenile":
		return bounds{60, 75, none, none}, true
	}
	return bounds{}, false
}

// sample is a reading.
type sample struct {
	at    time.Time
	value float64
}

// piece is a stretch in which a value runs along a line inside one zone.
type piece struct {
	from, to time.Time
	zone     string
	a, b     float64 // the value at both ends
	bounds   bounds
}

func (p piece) seconds() float64 { return p.to.Sub(p.from).Seconds() }

// pieces splits what the readings say of a stay into stretches of one zone each. Readings further apart than gap leave the time between
// them unknown.
func pieces(samples []sample, quantity string, s stay, gap time.Duration) (list []piece) {
	add := func(from, to time.Time, known bool, at func(time.Time) float64) {
		for _, cut := range cuts(from, to, s) {
			middle := cut[0].Add(cut[1].Sub(cut[0]) / 2)
			hour := middle.In(s.from.Location()).Hour()
			limits, has := boundsOf(s.stage, quantity, hour >= 7 && hour < 19)
			switch {
			case !known:
				list = append(list, piece{from: cut[0], to: cut[1], zone: "unknown"})
			case !has:
				list = append(list, piece{from: cut[0], to: cut[1], zone: "no-band"})
			default:
				list = append(list, crossings(cut[0], cut[1], at(cut[0]), at(cut[1]), limits)...)
			}
		}
	}
	for i := 1; i < len(samples); i++ {
		a, b := samples[i-1], samples[i]
		add(a.at, b.at, b.at.Sub(a.at) <= gap, func(t time.Time) float64 {
			return a.value + (b.value-a.value)*t.Sub(a.at).Seconds()/b.at.Sub(a.at).Seconds()
		})
	}
	return list
}

// cuts returns what of a stretch lies in the stay, cut at the switches of the light and at each midnight that begins a week.
func cuts(from, to time.Time, s stay) (parts [][2]time.Time) {
	if from.Before(s.from) {
		from = s.from
	}
	if to.After(s.to) {
		to = s.to
	}
	for from.Before(to) {
		local := from.In(s.from.Location())
		next := to
		for _, hour := range []int{7, 19, 24} {
			at := time.Date(local.Year(), local.Month(), local.Day(), hour, 0, 0, 0, local.Location())
			if at.After(from) && at.Before(next) {
				next = at
			}
		}
		parts = append(parts, [2]time.Time{from, next})
		from = next
	}
	return parts
}

// crossings cuts a line where it crosses a limit.
func crossings(from, to time.Time, a, b float64, limits bounds) (list []piece) {
	shares := []float64{0, 1}
	for _, l := range limits {
		if share := (l - a) / (b - a); share > 0 && share < 1 {
			shares = append(shares, share)
		}
	}
	slices.Sort(shares)
	at := func(share float64) time.Time { return from.Add(time.Duration(share * float64(to.Sub(from)))) }
	for i := 1; i < len(shares); i++ {
		p := piece{from: at(shares[i-1]), to: at(shares[i]), a: a + (b-a)*shares[i-1], b: a + (b-a)*shares[i], bounds: limits}
		p.zone = zoneOf((p.a+p.b)/2, limits)
		list = append(list, p)
	}
	return list
}

func zoneOf(v float64, limits bounds) string {
	switch { // a comparison with a limit that there is not is false
	case v < limits[0]:
		return "critical-low"
	case v < limits[1]:
		return "low"
	case v > limits[3]:
		return "critical-high"
	case v > limits[2]:
		return "high"
	}
	return "in-band"
}

// sums are what the pieces add up to.
type sums struct {
	seconds      map[string]float64
	above, below float64 // degree-hours
	outside      []outing
}

// outing is one time outside the band.
type outing struct {
	from, to time.Time
	side     string
	extreme  float64
}

func (o outing) seconds() float64 { return o.to.Sub(o.from).Seconds() }

// sumUp adds up the pieces of a time.
func sumUp(list []piece, from, to time.Time) sums {
	s := sums{seconds: map[string]float64{}}
	for _, p := range list {
		if p.from.Before(from) || p.to.After(to) {
			continue
		}
		s.seconds[p.zone] += p.seconds()
		side, limit, sign := "", 0.0, 1.0
		switch p.zone {
		case "high", "critical-high":
			side, limit = "high", p.bounds[2]
			s.above += ((p.a+p.b)/2 - limit) * p.seconds() / 3600
		case "low", "critical-low":
			side, limit, sign = "low", p.bounds[1], -1
			s.below += (limit - (p.a+p.b)/2) * p.seconds() / 3600
		default:
			continue
		}
		far := sign * max(sign*p.a, sign*p.b)
		touches := sign*(p.a-limit) < 1e-9 // a value on a limit is within it, which ends the time outside
		if n := len(s.outside); n > 0 && !touches && s.outside[n-1].side == side && s.outside[n-1].to.Equal(p.from) {
			last := &s.outside[n-1]
			last.to, last.extreme = p.to, sign*max(sign*last.extreme, sign*far)
			continue
		}
		s.outside = append(s.outside, outing{p.from, p.to, side, far})
	}
	return s
}

func (s sums) longest() (longest float64) {
	for _, o := range s.outside {
		longest = max(longest, o.seconds())
	}
	return longest
}

package misting

import (
	"math"
	"time"

	"dewline/internal/core/instant"
)

// Verdict is what the humidity says of a misting that was due, or that is on record.
type Verdict uint8

// The verdicts.
const (
	// Unseen is a misting of which nothing can be said: the air was wet already or was let out, readings are missing, or the value never moved.
	Unseen Verdict = iota
	Came
	Missed
)

// How many minutes before and after a misting a verdict looks at. Before: how far a rise may come early, and what distinguishes it from the
// air that comes back after a door. After: how far a rise may come late, and the minutes of the rise itself.
const (
	verdictBefore = matchWithin + beforeMinutes + doorFall + 2
	verdictAfter  = missedWithin + riseMinutes + 2

	// stillPct is by how much a working sensor moves in that time, at least, in %RH. One that moves less is taken for frozen.
	// Engineering judgement: the coarsest of the drivers resolves 0.1 %RH.
	stillPct = 0.1
)

// JudgedAfter is how long after its time a misting can be judged.
const JudgedAfter = verdictAfter * time.Minute

// around returns the part of a series that a verdict on minute i looks at, and the index of that minute in it.
func (s *series) around(i int) (part *series, at int) {
	from, to := max(0, min(i-verdictBefore, s.len())), max(0, min(i+verdictAfter, s.len()))
	return &series{from: s.at(from), humidity: s.humidity[from:to], sat: s.sat[from:to], vapour: s.vapour[from:to]}, i - from
}

// verdict judges the misting at minute i by the minutes around it alone, so that the daemon, which keeps no more of them, and the page of the
// humidity come to the same one. Where it came, rise is its minute.
func (s *series) verdict(i int) (v Verdict, rise int) {
	part, at := s.around(i)
	from := i - at
	best := -1
	for _, m := range part.recognise() {
		if m >= at-matchWithin && m <= at+missedWithin && (best < 0 || absolute(m-at) < absolute(best-at)) {
			best = m
		}
	}
	if best >= 0 {
		return Came, from + best
	}
	if part.silentOn(at) {
		return Missed, 0
	}
	return Unseen, 0
}

// silentOn reports whether a humidity that did not rise after minute i says that no water came. It does not where the air was nearly
// saturated before, where minutes are missing, where air was let out, and where the sensor never moved.
func (s *series) silentOn(i int) bool {
	known, before, wettest := 0, 0, 0.0
	lowest, highest := math.Inf(1), math.Inf(-1)
	for j, h := range s.humidity {
		if math.IsNaN(h) || math.IsNaN(s.vapour[j]) {
			continue
		}
		lowest, highest = min(lowest, h), max(highest, h)
		if j < max(0, i-5) || j >= i+missedWithin {
			continue
		}
		known++
		if j <= i+2 {
			before, wettest = before+1, max(wettest, h)
		}
	}
	return known >= missedWithin && before > 0 && wettest <= nearlyWet+5 && highest-lowest > stillPct && !s.letOut(i)
}

// letOut reports whether the humidity fell as after a door, from beforeMinutes before minute i until missedWithin after it: what came
// then may have gone with the air.
func (s *series) letOut(i int) bool {
	h := smooth(s.humidity)
	for j := max(doorFall, i-beforeMinutes); j < min(len(h), i+missedWithin); j++ {
		if h[j-doorFall]-h[j] > doorDrop {
			return true
		}
	}
	return false
}

// plateau is a time over which a humidity was saturated. It begins at saturatedPct, and ends plateauDeadband under it, or where the humidity
// is not known for longer than maxJoin.
type plateau struct {
	On          bool
	Since, Last instant.Instant // its first and its latest minute; meaningless unless On
}

// plateauDeadband is that of the alarms on humidity, in %RH.
const plateauDeadband = 3.0

// WetPct is where air that was saturated no longer is, in %RH.
const WetPct = saturatedPct - plateauDeadband

// take folds in a minute; NaN is unknown.
func (p *plateau) take(at instant.Instant, percent float64) {
	if p.On && at.Sub(p.Last) > maxJoin {
		*p = plateau{}
	}
	switch {
	case percent >= saturatedPct || p.On && percent >= WetPct:
		if !p.On {
			p.On, p.Since = true, at
		}
		p.Last = at
	case !math.IsNaN(percent):
		*p = plateau{}
	}
}

// lasted reports whether the plateau is as long as that.
func (p *plateau) lasted(d time.Duration) bool { return p.On && p.Last.Sub(p.Since) >= d }

// wetWithin is how long after a misting the air becomes saturated if it does because of it.
const wetWithin = time.Hour

// StuckAfter is how long the air of an enclosure may stay saturated after a misting until its mister is taken for stuck, where nothing
// else is given. Engineering judgement: a film of water dries in less.
const StuckAfter = 4 * time.Hour

// stuck reports whether the humidity became saturated after the misting at minute i and stayed so for that long before minute end.
func (s *series) stuck(i, end int, after time.Duration) bool {
	var p plateau
	for j := i; j < end; j++ {
		was := p.On
		p.take(s.at(j), s.humidity[j])
		if p.lasted(after) {
			return true
		}
		if !p.On && (was || s.at(j).Sub(s.at(i)) > wetWithin) {
			return false
		}
	}
	return false
}

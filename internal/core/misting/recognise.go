package misting

import "math"

const (
	// A misting lets the humidity rise within riseMinutes by minRise %RH, or minRiseWet where the air is nearly saturated, and by minRiseNoise
	// times the noise. Most of the rise must be vapour: lamps that go out raise the relative humidity and bring no water. Engineering
	// judgement, tried on simulated enclosures.
	riseMinutes  = 8
	minRise      = 4.0
	minRiseWet   = 2.5
	nearlyWet    = 88.0
	minRiseNoise = 6
	vapourShare  = 0.6
	apartMinutes = 25
	// Air that comes back after a door was opened rises, too: the humidity fell fast not long before and does not get beyond
	// where it was.
	beforeMinutes = 45
	beforeShare   = 0.45
	beyond        = 1.5
)

// recognise returns the minutes at which the humidity rose as after a misting.
func (s *series) recognise() (found []int) {
	h, v := smooth(s.humidity), smooth(s.vapour)
	noise := s.noise()
	n := s.len()
	rise := func(i int) float64 {
		if i < 0 || i+riseMinutes >= n {
			return 0
		}
		d := h[i+riseMinutes] - h[i]
		water := 100 * (v[i+riseMinutes] - v[i]) / s.sat[i]
		least := minRise
		if h[i] > nearlyWet {
			least = minRiseWet
		}
		if !(d >= max(least, minRiseNoise*noise)) || !(water >= vapourShare*d) {
			return 0
		}
		return d
	}
	for i := 0; i+riseMinutes < n; i++ {
		d := rise(i)
		if d == 0 {
			continue
		}
		best := i
		for j := i; j < min(i+apartMinutes, n-riseMinutes); j++ {
			if r := rise(j); r > d {
				best, d = j, r
			}
		}
		i = best + apartMinutes
		if s.comesBack(h, best, d) {
			continue
		}
		// The misting is where the rise is steepest.
		steepest, at := 0.0, best
		for j := max(1, best-1); j < best+riseMinutes; j++ {
			if step := h[j+1] - h[j]; step > steepest {
				steepest, at = step, j
			}
		}
		found = append(found, at)
	}
	return found
}

// comesBack reports whether a rise of d from minute i on is the air of an enclosure that recovers after a door.
func (s *series) comesBack(h []float64, i int, d float64) bool {
	highest := 0.0
	for j := i; j < min(len(h), i+apartMinutes); j++ {
		highest = math.Max(highest, h[j])
	}
	for j := max(doorFall, i-beforeMinutes); j <= i; j++ {
		before := h[j-doorFall]
		if before-h[j] >= beforeShare*d && highest <= before+beyond {
			return true
		}
	}
	return false
}

// smooth returns means of three minutes.
func smooth(values []float64) []float64 {
	out := make([]float64, len(values))
	for i, v := range values {
		sum, count := v, 1.0
		for _, j := range [2]int{i - 1, i + 1} {
			if j >= 0 && j < len(values) && !math.IsNaN(values[j]) {
				sum += values[j]
				count++
			}
		}
		out[i] = sum / count
	}
	return out
}

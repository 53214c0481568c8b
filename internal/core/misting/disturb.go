package misting

import "math"

const (
	// A door: within doorFall minutes the humidity falls by at least doorDrop more than the model says, in %RH; it is closed when the
	// humidity has been lowest, doorLongest minutes later at most. Engineering judgement.
	doorFall     = 6
	doorDrop     = 5.0
	doorLongest  = 30
	doorRecovers = 20 // minutes in which doorShare of the fall must have come back
	doorShare    = 0.2
	doorSettles  = 4 // minutes until the sensor has seen the lowest
)

// door is a door that was open.
type door struct {
	opened, closed int // minutes; from closed on the fall is over and the air of the enclosure recovers
}

// doors finds the doors in the difference between measurement and model. What comes after a door that has been closed is the best
// witness of how fast the enclosure exchanges its air: no mist is about then.
func (s *series) doors(shown []float64, doses []float64) (all []door) {
	quiet := 0
	for i := doorFall; i < s.len(); i++ {
		if doses[i] > 0 {
			quiet = i + doorFall
		}
		if i < quiet {
			continue
		}
		fell := (s.humidity[i-doorFall] - shown[i-doorFall]) - (s.humidity[i] - shown[i])
		if !(fell > doorDrop) || !(s.humidity[i-doorFall]-s.humidity[i] > doorDrop/2) {
			continue
		}
		lowest := i
		for j := i; j < min(s.len(), i+doorLongest); j++ {
			if doses[j] > 0 || math.IsNaN(s.vapour[j]) {
				break
			}
			if s.vapour[j] < s.vapour[lowest] {
				lowest = j
			}
		}
		closed := lowest + doorSettles
		if closed+2 >= s.len() || math.IsNaN(s.vapour[closed-1]+s.vapour[closed]+s.vapour[closed+1]) {
			continue
		}
		highest := s.humidity[lowest]
		for j := lowest; j < min(s.len(), lowest+doorRecovers) && doses[j] == 0; j++ {
			highest = math.Max(highest, s.humidity[j])
		}
		if !(highest-s.humidity[lowest] > doorShare*(s.humidity[i-doorFall]-s.humidity[lowest])) {
			continue // it goes on drying: a film that ended
		}
		all = append(all, door{i - doorFall, closed})
		quiet = closed + doorFall
	}
	return all
}

// shut makes the model go through the doors: their own minutes are not judged, and where a door has been closed the model begins again at
// what is measured.
func (s *series) shut(all []door, mask []bool) {
	clear(mask)
	s.reset = unknowns(s.len())
	for _, d := range all {
		for i := d.opened; i <= d.closed; i++ {
			mask[i] = true
		}
		s.reset[d.closed] = (s.vapour[d.closed-1] + s.vapour[d.closed] + s.vapour[d.closed+1]) / 3
	}
}

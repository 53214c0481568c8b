package quality

import (
	"time"

	"dewline/internal/instant"
)

// steady finds, value by value, for how long the values have stayed within a range of tolerance. It keeps only those
// values that may still become the lowest or the highest of the rest, so that a day of a word that flickers between two
// codes costs two entries.
type steady struct {
	tolerance float64
	since     instant.Instant // time of the oldest value within the range
	count     int             // values seen
	lowest    []mark          // rising: the first is the minimum since then
	highest   []mark          // falling: the first is the maximum since then
}

// mark is a value, its place in the series, and the time of the value after it.
type mark struct {
	value float64
	place int
	end   instant.Instant
}

// maxMarks bounds the memory for a series that drifts by ever new values inside the tolerance: beyond it the oldest are
// forgotten, which makes the span shorter, never longer.
const maxMarks = 4096

// push takes the next value and returns the time since the oldest value of the steady stretch that it ends, and the
// number of values since the beginning.
func (s *steady) push(at instant.Instant, value float64) (span time.Duration, count int) {
	if s.count == 0 {
		s.since = at
	}
	s.count++
	// The newest value is always the last of both.
	if n := len(s.lowest); n > 0 {
		s.lowest[n-1].end = at
	}
	if n := len(s.highest); n > 0 {
		s.highest[n-1].end = at
	}
	for n := len(s.lowest); n > 0 && s.lowest[n-1].value >= value; n-- {
		s.lowest = s.lowest[:n-1]
	}
	for n := len(s.highest); n > 0 && s.highest[n-1].value <= value; n-- {
		s.highest = s.highest[:n-1]
	}
	s.lowest = append(s.lowest, mark{value, s.count, at})
	s.highest = append(s.highest, mark{value, s.count, at})
	for s.highest[0].value-s.lowest[0].value > max(s.tolerance, 0) || len(s.lowest) > maxMarks || len(s.highest) > maxMarks {
		if s.lowest[0].place < s.highest[0].place {
			s.since, s.lowest = s.lowest[0].end, s.lowest[1:]
		} else {
			s.since, s.highest = s.highest[0].end, s.highest[1:]
		}
	}
	return at.Sub(s.since), s.count
}

// shift moves all times by a step of the clock.
func (s *steady) shift(by time.Duration) {
	s.since = s.since.Add(by)
	for _, marks := range [][]mark{s.lowest, s.highest} {
		for i := range marks {
			marks[i].end = marks[i].end.Add(by)
		}
	}
}

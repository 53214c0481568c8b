package quality

import (
	"time"

	"dewline/internal/core/instant"
)

// steady finds, value by value, for how long the values have stayed within a range of tolerance. It keeps only those
// values that may still become the lowest or the highest of the rest, so that a day of a word that flickers between two
// codes costs two entries.
type steady struct {
	tolerance float64
	since     instant.Instant // time of the oldest value within the range
	count     int             // values seen
	lowest    marks           // rising: the first is the minimum since then
	highest   marks           // falling: the first is the maximum since then
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
	now := mark{value, s.count, at}
	s.lowest.enter(now, func(before float64) bool { return before >= value })
	s.highest.enter(now, func(before float64) bool { return before <= value })
	for s.highest.first().value-s.lowest.first().value > max(s.tolerance, 0) || s.lowest.len() > maxMarks || s.highest.len() > maxMarks {
		if s.lowest.first().place < s.highest.first().place {
			s.since = s.lowest.leave()
		} else {
			s.since = s.highest.leave()
		}
	}
	return at.Sub(s.since), s.count
}

// shift moves all times by a step of the clock.
func (s *steady) shift(by time.Duration) {
	instant.Shift(by, &s.since)
	for _, m := range []*marks{&s.lowest, &s.highest} {
		for i := range m.list {
			instant.Shift(by, &m.list[i].end)
		}
	}
}

// marks is a queue of marks that needs no new memory as it moves on.
type marks struct {
	list []mark
	gone int // so many at the front of the list have left
}

func (m *marks) first() *mark { return &m.list[m.gone] }

func (m *marks) len() int { return len(m.list) - m.gone }

// enter appends the newest mark, in place of those before it that it outdoes: they can not become the first any more.
func (m *marks) enter(now mark, outdone func(before float64) bool) {
	n := len(m.list)
	if n > m.gone {
		m.list[n-1].end = now.end
	}
	for n > m.gone && outdone(m.list[n-1].value) {
		n--
	}
	m.list = append(m.list[:n], now)
}

// leave takes the first mark out and returns its end. Once as many have left as remain, these move to the front.
func (m *marks) leave() (end instant.Instant) {
	end = m.first().end
	m.gone++
	if m.gone >= m.len() {
		m.list, m.gone = m.list[:copy(m.list, m.list[m.gone:])], 0
	}
	return end
}

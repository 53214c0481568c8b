package web

import (
	"context"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/store"
)

// localDays asks for a column for each day by the site's clocks, however long the range is.
const localDays = "days"

// stretch is a part of a range, in columns of equal length.
type stretch struct {
	from, to instant.Instant
	n        int
}

// bounds returns the times between which a column of the stretch lies.
func (s *stretch) bounds(i int) (from, to instant.Instant) {
	width := float64(s.to.Sub(s.from)) / float64(s.n)
	return s.from.Add(time.Duration(float64(i) * width)), s.from.Add(time.Duration(float64(i+1) * width))
}

// widest returns the length of the widest column.
func widest(cut []stretch) time.Duration {
	longest := time.Duration(0)
	for _, s := range cut {
		longest = max(longest, s.to.Sub(s.from)/time.Duration(s.n))
	}
	return longest
}

// dayStretches cuts a range at the local midnights. Days of equal length that follow each other are one stretch; the first and
// the last day are as long as they are in the range, and those on which the clocks change have a length of their own.
func dayStretches(from, to instant.Instant, location *time.Location) []stretch {
	var cut []stretch
	for begin := from; begin < to; {
		year, month, day := begin.Time().In(location).Date()
		end := min(instant.Of(time.Date(year, month, day+1, 0, 0, 0, 0, location)), to)
		if end <= begin { // a midnight that the clocks leap over
			end = min(begin.Add(time.Hour), to)
		}
		if last := len(cut) - 1; last >= 0 && cut[last].to.Sub(cut[last].from) == time.Duration(cut[last].n)*end.Sub(begin) {
			cut[last].to, cut[last].n = end, cut[last].n+1
		} else {
			cut = append(cut, stretch{begin, end, 1})
		}
		begin = end
	}
	return cut
}

// maxFineColumns bounds the work of finding when an extreme was; a column of two weeks is searched by the minute.
const maxFineColumns = 14 * 24 * 60

// extremeIn returns when the highest or lowest reading of a column was: to the reading where they are kept, else to the minute.
func extremeIn(ctx context.Context, h History, point quantity.Point, c store.Column, highest bool) (*Extreme, error) {
	value := c.Min
	if highest {
		value = c.Max
	}
	beyond := func(a, b float64) bool { return highest && a > b || !highest && a < b }
	from, to := c.From, c.To
	if n := min(maxFineColumns, int(to.Sub(from)/time.Minute)); n > 1 {
		fine, err := h.Columns(ctx, point, from, to, n)
		if err != nil {
			return nil, err
		}
		part, best := stretch{from, to, n}, -1
		for i := range fine {
			if fine[i].Count > 0 && (best < 0 || highest && fine[i].Max > fine[best].Max || !highest && fine[i].Min < fine[best].Min) {
				best = i
			}
		}
		if best >= 0 {
			from, to = part.bounds(best)
		}
	}
	found := &Extreme{At: from, Value: number(value)}
	nearest, first := value, true
	for reading, err := range h.Readings(ctx, point, from, to) {
		if err != nil {
			return nil, err
		}
		if reading.Flag.Usable() && (first || beyond(reading.Value, nearest)) {
			found.At, nearest, first = reading.At, reading.Value, false
		}
	}
	return found, nil
}

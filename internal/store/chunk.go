package store

import (
	"math"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// The bounds of a chunk. It is closed at the first reading of a new minute once it is nearly full, so that few minutes are
// cut by two chunks.
const (
	// ChunkReadings is the largest number of readings in a chunk.
	ChunkReadings = 420
	nearlyFull    = 354
	// ChunkSpan is the longest time that a chunk covers; a query for a time looks back that far.
	ChunkSpan = 2 * time.Hour
)

const chunkSpan = int64(ChunkSpan / time.Millisecond)

// chunk is a row of the tables chunk and growing.
type chunk struct {
	id, segment int64
	summary
	kept bool // it is in the table growing as well
	packed
}

// summary is what is known of a chunk without decoding it.
type summary struct {
	span             int64 // from start, ms
	count, unusable  int
	low, high, total float64 // of the usable readings; NaN, NaN and 0 where there is none
	flags            uint16  // the sum of 1<<flag
}

func (c *chunk) end() int64 { return c.start + c.span }

// overlaps reports whether readings of the chunk may lie in [from, to).
func (c *chunk) overlaps(from, to int64) bool { return c.start < to && c.end() >= from }

// pack makes a chunk of a block.
func (e *encoder) pack(b *block, resolution float64, id, segment int64) *chunk {
	c := &chunk{id: id, segment: segment, summary: summarise(b), packed: e.encode(b, resolution)}
	return c
}

func summarise(b *block) summary {
	s := summary{count: len(b.at), low: math.NaN(), high: math.NaN()}
	first, last := b.at[0], b.at[0]
	for i, at := range b.at {
		first, last = min(first, at), max(last, at)
		s.flags |= 1 << b.flag[i]
		v := b.value[i]
		if !usable(v, b.flag[i]) {
			s.unusable++
			continue
		}
		if !(s.low <= v) {
			s.low = v
		}
		if !(s.high >= v) {
			s.high = v
		}
		s.total += v
	}
	s.span = last - first
	return s
}

// usable reports whether a reading counts in a summary.
func usable(v float64, flag quantity.Flag) bool {
	return flag.Usable() && !math.IsNaN(v) && !math.IsInf(v, 0)
}

// worst returns the flag that is maxSteps from a pass; 0 where there is none.
func worst(flags uint16) quantity.Flag {
	for _, f := range []quantity.Flag{quantity.Missing, quantity.Fail, quantity.Suspect, quantity.NotEvaluated, quantity.Pass} {
		if flags&(1<<f) != 0 {
			return f
		}
	}
	return 0
}

// millis rounds to whole milliseconds, as instant.Instant.String does.
func millis(at instant.Instant) int64 {
	return at.Time().Round(time.Millisecond).UnixMilli()
}

func fromMillis(ms int64) instant.Instant { return instant.Instant(ms * int64(time.Millisecond)) }

// bounds turns a range of instants [from, to) into milliseconds such that a kept time lies in the one exactly when it lies in
// the other. A from of None means the beginning and a to of None or 0 the end of time.
func bounds(from, to instant.Instant) (int64, int64) {
	last := int64(math.MaxInt64 / 4)
	if to != 0 && !to.IsNone() {
		last = ceilMillis(to)
	}
	if from.IsNone() {
		return math.MinInt64 / 4, last
	}
	return ceilMillis(from), last
}

func ceilMillis(at instant.Instant) int64 {
	ms := int64(at) / int64(time.Millisecond)
	if int64(at)%int64(time.Millisecond) > 0 {
		ms++
	}
	return ms
}

package history

import (
	"slices"

	"dewline/internal/instant"
	"dewline/internal/quantity"
)

// series is what is in memory of a point. Store.mu guards it.
type series struct {
	point      quantity.Point
	name       string
	row        int64 // in the table point; 0 = not written yet
	open       block
	id         int64 // of the open chunk
	segment    int64
	low, high  int64 // first and last time in the open chunk
	resolution float64
	changes    uint64   // counts what happened to the open chunk
	saved      uint64   // changes when it was written last
	closed     []*chunk // full, not written yet
	thinned    int64    // chunks that start earlier have been looked at for thinning; Store.write guards it
}

// amendment is a late flag for a reading whose chunk is closed and written.
type amendment struct {
	point   *series
	at      int64
	flag    quantity.Flag
	segment int64 // in use when the flag was decided
}

// Append takes over a reading of a run of the daemon. It touches memory only. A value that was not obtained is NaN. The
// resolution is that of the sensor, 0 where it is not known: it makes the readings small and never changes a value. A flag
// that is none of the five counts as not evaluated. Times are kept to the millisecond.
func (s *Store) Append(run string, p quantity.Point, at instant.Instant, value float64, flag quantity.Flag, resolution float64) {
	if !flag.Valid() {
		flag = quantity.NotEvaluated
	}
	ms := millis(at)
	s.mu.Lock()
	defer s.mu.Unlock()
	if run != s.run || s.segment == 0 {
		s.beginSegment(run)
	}
	sr := s.series(p)
	if len(sr.open.at) > 0 && !sr.fits(s.segment, ms) {
		s.close(sr)
	}
	if len(sr.open.at) == 0 {
		s.lastChunk++
		sr.id, sr.segment, sr.low, sr.high = s.lastChunk, s.segment, ms, ms
	}
	sr.low, sr.high = min(sr.low, ms), max(sr.high, ms)
	sr.resolution = resolution
	sr.open.add(ms, value, flag)
	sr.changes++
	s.pending++
	if at > s.newest || s.newest.IsNone() {
		s.newest = at
	}
}

// Stepped tells that the clock has stepped: what comes from now on is a new segment, and hides the readings of earlier ones
// where their times overlap. It returns a mark for the readings up to here, for [Store.Restamp].
func (s *Store) Stepped() (mark int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	mark = s.lastSegment
	if s.segment != 0 {
		s.beginSegment(s.run)
	}
	return mark
}

func (s *Store) beginSegment(run string) {
	s.lastSegment++
	s.run, s.segment = run, s.lastSegment
	s.newest = instant.None
	s.segments[s.segment], s.runs[s.segment] = run, run
}

// unsaved reports whether the open chunk has something that is not written.
func (sr *series) unsaved() bool { return len(sr.open.at) > 0 && sr.changes != sr.saved }

// series finds or makes the memory of a point.
func (s *Store) series(p quantity.Point) *series {
	sr := s.points[p]
	if sr == nil {
		sr = &series{point: p, name: p.String()}
		s.points[p] = sr
		s.order = append(s.order, sr)
	}
	return sr
}

// fits reports whether a reading may join the open chunk.
func (sr *series) fits(segment, ms int64) bool {
	n := len(sr.open.at)
	return sr.segment == segment && n < ChunkReadings &&
		max(sr.high, ms)-min(sr.low, ms) <= chunkSpan &&
		(n < nearlyFull || ms/minuteMillis == sr.open.at[n-1]/minuteMillis)
}

// close packs the open chunk. The oldest of what waits is given up where there is no room.
func (s *Store) close(sr *series) {
	if len(sr.open.at) == 0 {
		return
	}
	sr.closed = append(sr.closed, s.encoder.pack(&sr.open, sr.resolution, sr.id, sr.segment))
	sr.open.reset()
	sr.saved = sr.changes
	for s.pending > s.options.Pending {
		if !s.giveUpOldest() {
			break
		}
	}
}

// giveUpOldest drops the oldest closed chunk that could not be written. What an earlier run left growing is safe in the file,
// and is not counted.
func (s *Store) giveUpOldest() bool {
	var oldest *series
	at := 0
	for _, sr := range s.order {
		k := slices.IndexFunc(sr.closed, func(c *chunk) bool { return !c.kept })
		if k >= 0 && (oldest == nil || sr.closed[k].id < oldest.closed[at].id) {
			oldest, at = sr, k
		}
	}
	if oldest == nil {
		return false
	}
	n := oldest.closed[at].count
	s.pending = max(0, s.pending-n)
	s.dropped += uint64(n)
	oldest.closed = slices.Delete(oldest.closed, at, at+1)
	return true
}

// Amend gives a reading that was appended before another flag. Where several readings of the point have the time, the latest
// is meant. The reading may be in the file already; then the change is made by the next Commit.
func (s *Store) Amend(p quantity.Point, at instant.Instant, flag quantity.Flag) {
	if !flag.Valid() {
		return
	}
	ms := millis(at)
	s.mu.Lock()
	defer s.mu.Unlock()
	sr := s.points[p]
	if sr == nil {
		return
	}
	if amend(&sr.open, ms, flag) {
		sr.changes++
		return
	}
	for i, c := range slices.Backward(sr.closed) {
		if changed := s.amended(c, ms, flag, sr.resolution); changed != nil {
			sr.closed[i] = changed
			return
		}
	}
	if len(s.amendments) < maxAmendments {
		s.amendments = append(s.amendments, amendment{sr, ms, flag, s.segment})
	}
}

// maxAmendments bounds what waits for a disk that does not write.
const maxAmendments = 10_000

// amend changes the flag of the last reading at a time; false where there is none.
func amend(b *block, ms int64, flag quantity.Flag) bool {
	for i, at := range slices.Backward(b.at) {
		if at == ms {
			b.flag[i] = flag
			return true
		}
	}
	return false
}

// amended returns the chunk with another flag for a reading; nil where it does not hold the reading.
func (s *Store) amended(c *chunk, ms int64, flag quantity.Flag, resolution float64) *chunk {
	if c.thin || c.start > ms || c.end() < ms {
		return nil
	}
	var b block
	if err := s.decoder.decode(c.packed, c.count, &b); err != nil || !amend(&b, ms, flag) {
		return nil
	}
	if resolution == 0 && c.origin == 0 {
		resolution = 1 / c.scale
	}
	return s.encoder.pack(&b, resolution, c.id, c.segment)
}

// held returns copies of the chunks of a point that are in memory and overlap [from, to), the open one packed last.
func (sr *series) held(e *encoder, from, to int64) []*chunk {
	var chunks []*chunk
	for _, c := range sr.closed {
		if c.overlaps(from, to) {
			chunks = append(chunks, c)
		}
	}
	if len(sr.open.at) > 0 && sr.low < to && sr.high >= from {
		chunks = append(chunks, e.pack(&sr.open, sr.resolution, sr.id, sr.segment))
	}
	return chunks
}

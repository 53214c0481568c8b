package store

import (
	"slices"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// series is what is in memory of a point. file.mu guards it.
type series struct {
	name       string // of the point
	row        int64  // in the table point; 0 = not written yet
	open       block
	id         int64 // of the open chunk
	segment    int64
	low, high  int64 // first and last time in the open chunk
	resolution float64
	changes    uint64   // counts what happened to the open chunk
	saved      uint64   // changes when it was written last
	closed     []*chunk // full, not written yet
}

// chunkMemory holds the readings that are not in the file yet, and numbers them. file.mu guards it.
type chunkMemory struct {
	*file
	points      map[quantity.Point]*series
	order       []*series
	run         string
	segment     int64            // the one in use; 0 before the first reading
	runs        map[int64]string // segment → run
	segments    map[int64]string // those not written yet
	lastSegment int64
	lastChunk   int64
	newest      instant.Instant // time of the newest reading of the segment
	pending     int             // readings not written yet
	dropped     uint64
	amendments  []amendment
	encoder     encoder
	decoder     decoder
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
func (m *chunkMemory) Append(run string, p quantity.Point, at instant.Instant, value float64, flag quantity.Flag, resolution float64) {
	if !flag.Valid() {
		flag = quantity.NotEvaluated
	}
	ms := millis(at)
	m.mu.Lock()
	defer m.mu.Unlock()
	if run != m.run || m.segment == 0 {
		m.beginSegment(run)
	}
	sr := m.series(p)
	if len(sr.open.at) > 0 && !sr.fits(m.segment, ms) {
		m.close(sr)
	}
	if len(sr.open.at) == 0 {
		m.lastChunk++
		sr.id, sr.segment, sr.low, sr.high = m.lastChunk, m.segment, ms, ms
	}
	sr.low, sr.high = min(sr.low, ms), max(sr.high, ms)
	sr.resolution = resolution
	sr.open.add(ms, value, flag)
	sr.changes++
	m.pending++
	if at > m.newest || m.newest.IsNone() {
		m.newest = at
	}
}

// Stepped says that the clock has stepped: what comes from now on is a new segment, and hides the readings of earlier ones
// where their times overlap. It returns a mark for the readings up to here, for [Store.Restamp].
func (m *chunkMemory) Stepped() (mark int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	mark = m.lastSegment
	if m.segment != 0 {
		m.beginSegment(m.run)
	}
	return mark
}

func (m *chunkMemory) beginSegment(run string) {
	m.lastSegment++
	m.run, m.segment = run, m.lastSegment
	m.newest = instant.None
	m.segments[m.segment], m.runs[m.segment] = run, run
}

// unsaved reports whether the open chunk has something that is not written.
func (sr *series) unsaved() bool { return len(sr.open.at) > 0 && sr.changes != sr.saved }

// series finds or makes the memory of a point.
func (m *chunkMemory) series(p quantity.Point) *series {
	sr := m.points[p]
	if sr == nil {
		sr = &series{name: p.String()}
		m.points[p] = sr
		m.order = append(m.order, sr)
	}
	return sr
}

const minuteMillis = int64(time.Minute / time.Millisecond)

// fits reports whether a reading may join the open chunk.
func (sr *series) fits(segment, ms int64) bool {
	n := len(sr.open.at)
	return sr.segment == segment && n < ChunkReadings &&
		max(sr.high, ms)-min(sr.low, ms) <= chunkSpan &&
		(n < nearlyFull || ms/minuteMillis == sr.open.at[n-1]/minuteMillis)
}

// close packs the open chunk. The oldest of what waits is given up where there is no room.
func (m *chunkMemory) close(sr *series) {
	if len(sr.open.at) == 0 {
		return
	}
	sr.closed = append(sr.closed, m.encoder.pack(&sr.open, sr.resolution, sr.id, sr.segment))
	sr.open.reset()
	sr.saved = sr.changes
	for m.pending > m.options.Pending {
		if !m.giveUpOldest() {
			break
		}
	}
}

// giveUpOldest drops the oldest closed chunk that could not be written. What an earlier run left growing is safe in the file,
// and is not counted.
func (m *chunkMemory) giveUpOldest() bool {
	var oldest *series
	at := 0
	for _, sr := range m.order {
		k := slices.IndexFunc(sr.closed, func(c *chunk) bool { return !c.kept })
		if k >= 0 && (oldest == nil || sr.closed[k].id < oldest.closed[at].id) {
			oldest, at = sr, k
		}
	}
	if oldest == nil {
		return false
	}
	n := oldest.closed[at].count
	m.pending = max(0, m.pending-n)
	m.dropped += uint64(n)
	oldest.closed = slices.Delete(oldest.closed, at, at+1)
	return true
}

// Amend gives a reading that was appended before another flag. Where several readings of the point have the time, the latest
// is meant. The reading may be in the file already; then the change is made by the next Commit.
func (m *chunkMemory) Amend(p quantity.Point, at instant.Instant, flag quantity.Flag) {
	if !flag.Valid() {
		return
	}
	ms := millis(at)
	m.mu.Lock()
	defer m.mu.Unlock()
	sr := m.points[p]
	if sr == nil {
		return
	}
	if amend(&sr.open, ms, flag) {
		sr.changes++
		return
	}
	for i, c := range slices.Backward(sr.closed) {
		if changed := m.amended(c, ms, flag, sr.resolution); changed != nil {
			sr.closed[i] = changed
			return
		}
	}
	if len(m.amendments) < maxAmendments {
		m.amendments = append(m.amendments, amendment{sr, ms, flag, m.segment})
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
func (m *chunkMemory) amended(c *chunk, ms int64, flag quantity.Flag, resolution float64) *chunk {
	if c.start > ms || c.end() < ms {
		return nil
	}
	var b block
	if err := m.decoder.decode(c.packed, c.count, &b); err != nil || !amend(&b, ms, flag) {
		return nil
	}
	return m.encoder.pack(&b, resolution, c.id, c.segment)
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

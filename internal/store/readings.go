package store

import (
	"cmp"
	"context"
	"iter"
	"maps"
	"math"
	"slices"
	"strings"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/merge"
)

// Sample is a reading as it was appended.
type Sample struct {
	At      instant.Instant
	Value   float64 // NaN where nothing was obtained
	Flag    quantity.Flag
	Segment int64 // readings of one run without a step of the clock share it
	// Hidden says that a later segment covers this time; only [Store.AllReadings] gives such samples.
	Hidden bool
}

// PointSample is a sample of one of several points.
type PointSample struct {
	Point quantity.Point
	Sample
}

// readingQueries answers questions about readings, from the file and from memory together.
type readingQueries struct{ *chunkMemory }

// Points returns every point that has readings, by name.
func (m *chunkMemory) Points() []quantity.Point {
	m.mu.RLock()
	defer m.mu.RUnlock()
	return slices.SortedStableFunc(maps.Keys(m.points), func(a, b quantity.Point) int { return strings.Compare(a.String(), b.String()) })
}

// Run returns the run that a segment belongs to; "" where it is not known.
func (m *chunkMemory) Run(segment int64) string {
	m.mu.RLock()
	defer m.mu.RUnlock()
	return m.runs[segment]
}

// Readings gives the readings of a point in [from, to) in the order of their times, and those of one time in the order in
// which they came. A from of None and a to of 0 or None are open. An error ends it.
func (q *readingQueries) Readings(ctx context.Context, p quantity.Point, from, to instant.Instant) iter.Seq2[Sample, error] {
	return func(yield func(Sample, error) bool) {
		for sample, err := range q.AllReadings(ctx, p, from, to) {
			if !sample.Hidden && !yield(sample, err) {
				return
			}
		}
	}
}

// AllReadings is Readings with the hidden ones.
func (q *readingQueries) AllReadings(ctx context.Context, p quantity.Point, from, to instant.Instant) iter.Seq2[Sample, error] {
	return func(yield func(Sample, error) bool) {
		m := q.newOverlay(p, from, to)
		for {
			sample, more, err := m.next(ctx)
			if err != nil {
				yield(Sample{}, err)
				return
			}
			if !more || !yield(sample, nil) {
				return
			}
		}
	}
}

// ReadingsSince gives the readings of all points from a time on that are of a segment or a later one, in the order of their
// times: what the core needs after [Store.LoadCore].
func (q *readingQueries) ReadingsSince(ctx context.Context, since Reach) iter.Seq2[PointSample, error] {
	return func(yield func(PointSample, error) bool) {
		for sample, err := range q.ReadingsBetween(ctx, since.At, instant.None, nil) {
			if (err != nil || sample.Segment >= since.Segment) && !yield(sample, err) {
				return
			}
		}
	}
}

// ReadingsBetween gives the readings of the wanted points in [from, to), in the order of their times; wanted nil means all. What is not
// wanted is not read.
func (q *readingQueries) ReadingsBetween(
	ctx context.Context, from, to instant.Instant, wanted func(quantity.Point) bool,
) iter.Seq2[PointSample, error] {
	return q.together(ctx, from, to, wanted, false)
}

// AllReadingsBetween is ReadingsBetween of all points, with the hidden readings.
func (q *readingQueries) AllReadingsBetween(ctx context.Context, from, to instant.Instant) iter.Seq2[PointSample, error] {
	return q.together(ctx, from, to, nil, true)
}

// together merges the readings of points.
func (q *readingQueries) together(
	ctx context.Context, from, to instant.Instant, wanted func(quantity.Point) bool, hidden bool,
) iter.Seq2[PointSample, error] {
	return func(yield func(PointSample, error) bool) {
		var sources []merge.Source[PointSample]
		for _, p := range q.Points() {
			if wanted != nil && !wanted(p) {
				continue
			}
			m := q.newOverlay(p, from, to)
			sources = append(sources, func() (PointSample, bool, error) {
				sample, more, err := m.next(ctx)
				for sample.Hidden && !hidden {
					sample, more, err = m.next(ctx)
				}
				return PointSample{p, sample}, more, err
			})
		}
		merge.Sorted(sources, func(s *PointSample) instant.Instant { return s.At })(yield)
	}
}

// overlay gives the entries of the chunks of a point in order.
type overlay struct {
	*readingQueries
	point    quantity.Point
	chunks   *chunkReader
	from, to int64
	decoder  decoder
	active   []*cursor
	spans    []*chunk // those that cover the time now reached
	free     []*cursor
	alone    int64 // before this time no other chunk has an entry, as long as one is active
	clear    int   // so many entries of the one active cursor come next, without a look at anything else
}

// cursor is a place in a decoded chunk.
type cursor struct {
	chunk *chunk
	block block
	order []int32
	at    int
}

func (c *cursor) time() int64 { return c.block.at[c.order[c.at]] }

func (q *readingQueries) newOverlay(p quantity.Point, from, to instant.Instant) *overlay {
	m := &overlay{readingQueries: q, point: p}
	m.from, m.to = bounds(from, to)
	m.chunks = q.newChunkReader(p, m.from, m.to)
	return m
}

// next returns the next entry of the range.
func (m *overlay) next(ctx context.Context) (Sample, bool, error) {
	if m.clear > 0 {
		m.clear--
		c := m.active[0]
		c.at++
		return c.sample(c.at - 1), true, nil
	}
	for {
		earliest, err := m.earliest(ctx)
		if err != nil {
			return Sample{}, false, m.explain("reading the readings of "+m.point.String(), err)
		}
		if earliest == nil || earliest.time() >= m.to {
			return Sample{}, false, nil
		}
		at, sample := earliest.time(), earliest.sample(earliest.at)
		sample.Hidden = m.hides(earliest, at)
		if earliest.at++; earliest.at == len(earliest.order) {
			m.active = slices.DeleteFunc(m.active, func(c *cursor) bool { return c == earliest })
			m.free = append(m.free, earliest)
		} else if at >= m.from {
			m.look(earliest)
		}
		if at >= m.from {
			return sample, true, nil
		}
	}
}

// look counts the entries of a cursor that follow each other undisturbed: all but its last, where no other chunk has an entry before that and the
// range does not end. None of them is hidden, since what would hide it has an entry at its time or later.
func (m *overlay) look(c *cursor) {
	last := len(c.order) - 1
	end := c.block.at[c.order[last]]
	if len(m.active) == 1 && end < m.alone && end < m.to {
		m.clear = last - c.at
	}
}

// earliest returns the cursor with the next entry, after taking up all chunks that begin before it; nil at the end.
func (m *overlay) earliest(ctx context.Context) (*cursor, error) {
	if len(m.active) == 1 && m.active[0].time() < m.alone {
		return m.active[0], nil
	}
	var earliest *cursor
	for _, c := range m.active {
		if earliest == nil || before(c, earliest) {
			earliest = c
		}
	}
	for {
		next, err := m.chunks.peek(ctx)
		if err != nil {
			return nil, err
		}
		if next == nil || earliest != nil && next.start > earliest.time() {
			m.alone = math.MaxInt64
			if next != nil {
				m.alone = next.start
			}
			return earliest, nil
		}
		m.chunks.take()
		c, err := m.open(next)
		if err != nil {
			return nil, err
		}
		if earliest == nil || before(c, earliest) {
			earliest = c
		}
	}
}

func before(a, b *cursor) bool {
	return cmp.Or(cmp.Compare(a.time(), b.time()), cmp.Compare(a.chunk.id, b.chunk.id)) < 0
}

func (m *overlay) open(from *chunk) (*cursor, error) {
	c := &cursor{}
	if n := len(m.free); n > 0 {
		c, m.free = m.free[n-1], m.free[:n-1]
	}
	c.chunk, c.at, c.order = from, 0, c.order[:0]
	if err := m.decoder.decode(from.packed, from.count, &c.block); err != nil {
		return nil, err
	}
	for i := range c.block.at {
		c.order = append(c.order, int32(i))
	}
	if !slices.IsSorted(c.block.at) {
		slices.SortStableFunc(c.order, func(a, b int32) int { return cmp.Compare(c.block.at[a], c.block.at[b]) })
	}
	m.active = append(m.active, c)
	m.spans = slices.DeleteFunc(m.spans, func(old *chunk) bool { return old.end() < from.start })
	m.spans = append(m.spans, from)
	return c, nil
}

// hides reports whether a later segment covers the time of an entry.
func (m *overlay) hides(c *cursor, at int64) bool {
	return slices.ContainsFunc(m.spans, func(other *chunk) bool {
		return other.segment > c.chunk.segment && other.start <= at && at <= other.end()
	})
}

// sample returns an entry, by its place in the order of times.
func (c *cursor) sample(place int) Sample {
	i := c.order[place]
	return Sample{At: fromMillis(c.block.at[i]), Value: c.block.value[i], Flag: c.block.flag[i], Segment: c.chunk.segment}
}

// chunkReader gives the chunks of a point that overlap a range, by start: those in memory and, a page at a time, those in
// the file. A chunk that moves from memory to the file in the meantime comes once.
type chunkReader struct {
	db       *database
	row      int64
	from, to int64
	ceiling  int64 // chunks begun later are not given
	held     map[int64]bool
	memory   []*chunk
	page     []*chunk
	lastAt   int64
	lastID   int64
	ended    bool
}

const pageChunks = 32

func (q *readingQueries) newChunkReader(p quantity.Point, from, to int64) *chunkReader {
	r := &chunkReader{from: from, to: to, held: map[int64]bool{}, lastAt: math.MinInt64, ended: true}
	q.mu.RLock()
	defer q.mu.RUnlock()
	sr := q.points[p]
	if sr == nil {
		return r
	}
	var e encoder
	r.memory = sr.held(&e, from, to)
	for _, c := range r.memory {
		r.held[c.id] = true
	}
	slices.SortFunc(r.memory, byStart)
	r.ceiling, r.row, r.db = q.lastChunk, sr.row, q.db
	r.ended = r.row == 0 || r.db == nil
	return r
}

func byStart(a, b *chunk) int { return cmp.Or(cmp.Compare(a.start, b.start), cmp.Compare(a.id, b.id)) }

// peek returns the next chunk; nil at the end.
func (r *chunkReader) peek(ctx context.Context) (*chunk, error) {
	for len(r.page) == 0 && !r.ended {
		if err := r.fetch(ctx); err != nil {
			return nil, err
		}
	}
	switch {
	case len(r.page) == 0 && len(r.memory) == 0:
		return nil, nil
	case len(r.memory) == 0, len(r.page) > 0 && byStart(r.page[0], r.memory[0]) < 0:
		return r.page[0], nil
	}
	return r.memory[0], nil
}

// take moves past the chunk that peek returned.
func (r *chunkReader) take() {
	if len(r.memory) == 0 || len(r.page) > 0 && byStart(r.page[0], r.memory[0]) < 0 {
		r.page = r.page[1:]
	} else {
		r.memory = r.memory[1:]
	}
}

func (r *chunkReader) fetch(ctx context.Context) error {
	reader, err := r.db.reading(ctx)
	if err != nil {
		return err
	}
	page, err := collected(chunks(ctx, reader, `chunk
		WHERE point = ? AND start >= ? AND start < ? AND (start > ? OR id > ?) AND id <= ? ORDER BY start, id LIMIT ?`,
		r.row, max(r.from-chunkSpan, r.lastAt), r.to, r.lastAt, r.lastID, r.ceiling, pageChunks))
	if err != nil {
		return err
	}
	for _, c := range page {
		r.lastAt, r.lastID = c.start, c.id
		if !r.held[c.id] && c.end() >= r.from {
			r.page = append(r.page, c.chunk)
		}
	}
	r.ended = len(page) < pageChunks
	return nil
}

package store

import (
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// Column sums up a stretch of time of a point.
type Column struct {
	From, To instant.Instant // [From, To)
	// Min, Max and Mean are those of the usable readings (flags 1, 2, 3), each reading counting the same; NaN where there is
	// none. The extremes are exact, whatever the length of the column.
	Min, Max, Mean float64
	Count          int           // usable readings
	Worst          quantity.Flag // of all readings; 0 where there is none
}

// MaxColumns is the largest number of columns that [Store.Columns] gives.
const MaxColumns = 20_000

// Columns sums up [from, to) in n columns of equal length. Hidden readings do not count.
func (q *readingQueries) Columns(ctx context.Context, p quantity.Point, from, to instant.Instant, n int) ([]Column, error) {
	if n < 1 || n > MaxColumns || from.IsNone() || to.IsNone() || from >= to {
		return nil, fmt.Errorf("history: cannot sum up %d columns from %s to %s: ask for 1 to %d columns of a range that begins before it ends", n, from, to, MaxColumns)
	}
	t := newTally(from, to, n)
	if err := q.tally(ctx, p, t); err != nil {
		return nil, q.explain("summing up "+p.String(), err)
	}
	return t.columns(), nil
}

// tally adds up readings by column.
type tally struct {
	from, to int64
	empty    bool // no time that is kept lies in the range
	sums     []sum
	ends     [2]instant.Instant
}

type sum struct {
	low, high, total float64
	usable           int
	flags            uint16
}

func newTally(from, to instant.Instant, n int) *tally {
	t := &tally{sums: make([]sum, n), ends: [2]instant.Instant{from, to}}
	t.from, t.to = bounds(from, to)
	t.empty = t.to <= t.from // shorter than a millisecond, between two
	t.to = max(t.to, t.from+1)
	for i := range t.sums {
		t.sums[i].low, t.sums[i].high = math.Inf(1), math.Inf(-1)
	}
	return t
}

func (t *tally) column(at int64) int {
	return int((at - t.from) * int64(len(t.sums)) / (t.to - t.from))
}

// begin returns the first millisecond of a column.
func (t *tally) begin(i int) int64 {
	n := int64(len(t.sums))
	return t.from + (int64(i)*(t.to-t.from)+n-1)/n
}

func (t *tally) columns() []Column {
	columns := make([]Column, len(t.sums))
	for i, s := range t.sums {
		c := &columns[i]
		*c = Column{
			From: fromMillis(t.begin(i)), To: fromMillis(t.begin(i + 1)),
			Min: s.low, Max: s.high, Mean: s.total / float64(s.usable), Count: s.usable, Worst: worst(s.flags),
		}
		if s.usable == 0 {
			c.Min, c.Max, c.Mean = math.NaN(), math.NaN(), math.NaN()
		}
	}
	columns[0].From, columns[len(columns)-1].To = t.ends[0], t.ends[1]
	return columns
}

func (s *sum) add(low, high, total float64, usable int, flags uint16) {
	s.flags |= flags
	if usable == 0 {
		return
	}
	s.low, s.high = min(s.low, low), max(s.high, high)
	s.total += total
	s.usable += usable
}

// chunkMeta is a chunk without its readings, and the later segments that cover parts of it.
type chunkMeta struct {
	id, segment, start int64
	summary
	held *chunk // nil where the readings are in the file
	over [][2]int64
}

func (o *chunkMeta) end() int64 { return o.start + o.span }

// whole reports whether the summary will do: the chunk lies in one column, and nothing covers it.
func (t *tally) whole(o *chunkMeta) bool {
	return len(o.over) == 0 && o.start >= t.from && o.end() < t.to && t.column(o.start) == t.column(o.end())
}

// addBlock adds the entries of a chunk that are in the range and not covered.
func (t *tally) addBlock(b *block, over [][2]int64) {
	var s *sum
	var begin, end int64 // of the column of s
entries:
	for i, at := range b.at {
		if at < t.from || at >= t.to {
			continue
		}
		for _, span := range over {
			if at >= span[0] && at <= span[1] {
				continue entries
			}
		}
		if at < begin || at >= end {
			column := t.column(at)
			s, begin, end = &t.sums[column], t.begin(column), t.begin(column+1)
		}
		flag := uint16(1) << b.flag[i]
		v := b.value[i]
		switch {
		case usable(v, b.flag[i]):
			s.add(v, v, v, 1, flag)
		default:
			s.add(0, 0, 0, 0, flag)
		}
	}
}

func (q *readingQueries) tally(ctx context.Context, p quantity.Point, t *tally) error {
	if t.empty {
		return nil
	}
	chunks := q.newChunkReader(p, t.from, t.to)
	w := &aggregator{tally: t, held: chunks.held}
	for _, c := range chunks.memory {
		w.memory = append(w.memory, &chunkMeta{id: c.id, segment: c.segment, start: c.start, summary: c.summary, held: c})
	}
	if chunks.ended { // nothing of the point is in the file
		return w.finish(ctx)
	}
	reader, err := chunks.db.reading(ctx)
	if err != nil {
		return err
	}
	conn, err := reader.Conn(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	return conn.Raw(func(raw any) error {
		w.file = raw.(driver.QueryerContext)
		err := query(ctx, w.file, "SELECT id, start, segment, low, high, total, "+smallNumbers+` FROM chunk
			WHERE point = ? AND start >= ? AND start < ? AND id <= ? ORDER BY start`,
			[]int64{chunks.row, t.from - chunkSpan, t.to, chunks.ceiling}, func(row []driver.Value) error { return w.take(ctx, row) })
		if err != nil {
			return err
		}
		return w.finish(ctx)
	})
}

// aggregator is a tally under way. Chunks come by start; one is settled when none that is still to come can overlap it.
type aggregator struct {
	*tally
	held    map[int64]bool // ids of the chunks that are in memory
	memory  []*chunkMeta
	waiting []*chunkMeta
	cut     []*chunkMeta // in the file, to be decoded
	file    driver.QueryerContext
	decoder decoder
	block   block
	free    []*chunkMeta
}

// smallNumbers are those of a row of the index as one number: each column of a row takes as long as a reading in a chunk that is decoded.
const smallNumbers = "(span << 32) + (count << 21) + (unusable << 10) + flags"

// take adds a row of the index, whose last column is smallNumbers.
func (w *aggregator) take(ctx context.Context, row []driver.Value) error {
	o := &chunkMeta{}
	if n := len(w.free); n > 0 {
		o, w.free = w.free[n-1], w.free[:n-1]
	}
	*o = chunkMeta{id: integer(row[0]), start: integer(row[1]), segment: integer(row[2]), over: o.over[:0]}
	small := integer(row[6])
	o.summary = summary{
		low: float(row[3]), high: float(row[4]), total: float(row[5]),
		span: small >> 32, count: int(small >> 21 & 0x7ff), unusable: int(small >> 10 & 0x7ff), flags: uint16(small & 0x3ff),
	}
	if w.held[o.id] || o.end() < w.from {
		return nil
	}
	if err := w.before(ctx, o); err != nil {
		return err
	}
	return w.add(ctx, o)
}

// finish counts what is left.
func (w *aggregator) finish(ctx context.Context) error {
	if err := w.before(ctx, nil); err != nil {
		return err
	}
	if err := w.settle(ctx, math.MaxInt64); err != nil {
		return err
	}
	return w.decodeCut(ctx)
}

// before adds the chunks in memory that begin before o; all of them for nil.
func (w *aggregator) before(ctx context.Context, o *chunkMeta) error {
	for len(w.memory) > 0 && (o == nil || w.memory[0].start <= o.start) {
		if err := w.add(ctx, w.memory[0]); err != nil {
			return err
		}
		w.memory = w.memory[1:]
	}
	return nil
}

func (w *aggregator) add(ctx context.Context, o *chunkMeta) error {
	if err := w.settle(ctx, o.start); err != nil {
		return err
	}
	for _, other := range w.waiting {
		switch {
		case other.end() < o.start || other.segment == o.segment:
		case other.segment > o.segment:
			o.over = append(o.over, [2]int64{other.start, other.end()})
		default:
			other.over = append(other.over, [2]int64{o.start, o.end()})
		}
	}
	w.waiting = append(w.waiting, o)
	return nil
}

// settle counts the chunks that end before a time.
func (w *aggregator) settle(ctx context.Context, time int64) error {
	kept := w.waiting[:0]
	for _, o := range w.waiting {
		if o.end() >= time {
			kept = append(kept, o)
			continue
		}
		if err := w.count(ctx, o); err != nil {
			return err
		}
	}
	w.waiting = kept
	return nil
}

// cutBatch is how many chunks are read from the file at a time.
const cutBatch = 128

func (w *aggregator) count(ctx context.Context, o *chunkMeta) error {
	switch {
	case w.whole(o):
		w.sums[w.column(o.start)].add(o.low, o.high, o.total, o.count-o.unusable, o.flags)
		if o.held == nil {
			w.free = append(w.free, o)
		}
	case o.held != nil:
		return w.decode(o, o.held.packed)
	default:
		if w.cut = append(w.cut, o); len(w.cut) == cutBatch {
			return w.decodeCut(ctx)
		}
	}
	return nil
}

func (w *aggregator) decode(o *chunkMeta, p packed) error {
	if err := w.decoder.decode(p, o.count, &w.block); err != nil {
		return err
	}
	w.addBlock(&w.block, o.over)
	return nil
}

// decodeCut reads what the summaries do not contain.
func (w *aggregator) decodeCut(ctx context.Context) error {
	if len(w.cut) == 0 {
		return nil
	}
	ids, byID := make([]int64, len(w.cut)), map[int64]*chunkMeta{}
	for i, o := range w.cut {
		ids[i], byID[o.id] = o.id, o
	}
	w.cut = w.cut[:0]
	return query(ctx, w.file, "SELECT id, start, period, origin, scale, fix, samples FROM chunk WHERE id IN (?"+strings.Repeat(", ?", len(ids)-1)+")",
		ids, func(row []driver.Value) error {
			p := packed{start: integer(row[1]), period: integer(row[2]), origin: float(row[3]), scale: float(row[4])}
			p.fix, _ = row[5].([]byte)
			p.samples, _ = row[6].([]byte)
			return w.decode(byID[integer(row[0])], p)
		})
}

// query asks the driver itself: database/sql takes as long to convert a row as SQLite to find it, and there are thousands.
func query(ctx context.Context, file driver.QueryerContext, text string, numbers []int64, each func(row []driver.Value) error) error {
	args := make([]driver.NamedValue, len(numbers))
	for i, n := range numbers {
		args[i] = driver.NamedValue{Ordinal: i + 1, Value: n}
	}
	rows, err := file.QueryContext(ctx, text, args)
	if err != nil {
		return err
	}
	row := make([]driver.Value, len(rows.Columns()))
	for {
		if err = rows.Next(row); err != nil {
			break
		}
		if err = each(row); err != nil {
			break
		}
	}
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return errors.Join(err, rows.Close())
}

// integer and float take what the tables promise; a damaged file may break the promise.
func integer(v driver.Value) int64 {
	n, _ := v.(int64)
	return n
}

func float(v driver.Value) float64 {
	switch v := v.(type) {
	case float64:
		return v
	case int64:
		return float64(v)
	}
	return math.NaN()
}

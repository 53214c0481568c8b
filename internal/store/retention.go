package store

import (
	"context"
	"database/sql"
	"errors"
	"math"
	"slices"
	"time"

	"dewline/internal/core/instant"
)

// Retention is how long readings are kept. The journal and the calibrations are kept for ever: they are small, and they
// are the record of the animals.
type Retention struct {
	Keep time.Duration // 0 means for ever
	// Thin is the age from which only the mean and the extremes of each minute are kept; 0 means never.
	Thin time.Duration
}

// A step of pruning is small, so that a Commit never waits for it for long.
const (
	pruneStep = 64 // chunks deleted
	thinStep  = 16 // chunks thinned
	thinLook  = 512
)

// pruner removes and thins old chunks in the file. file.write guards it.
type pruner struct{ *chunkMemory }

// Prune removes readings that are older than they are to be kept, and thins old ones. It does one small step, and reports
// whether there is more to do; call it again until there is not. Unless the clock is confirmed it does nothing at all: by a
// wrong clock everything may look old.
func (s *Store) Prune(ctx context.Context, r Retention, now instant.Instant, confirmed bool) (more bool, err error) {
	if !confirmed {
		return false, nil
	}
	s.write.Lock()
	defer s.write.Unlock()
	if s.options.ReadOnly {
		return false, &Error{Doing: "pruning", Path: s.path, Err: errQueriesOnly}
	}
	s.begins()
	defer s.ends()
	if err := s.attach(ctx); err != nil {
		s.note(err)
		return false, err
	}
	if r.Keep > 0 {
		if more, err = s.prune(ctx, millis(now.Add(-r.Keep))); more || err != nil {
			return more, s.explain("removing old readings", err)
		}
	}
	if r.Thin > 0 {
		more, err = s.thin(ctx, millis(now.Add(-r.Thin)))
	}
	return more, s.explain("thinning old readings", err)
}

// rows returns the points by their row in the file.
func (m *chunkMemory) rows() map[int64]*series {
	m.mu.RLock()
	defer m.mu.RUnlock()
	rows := map[int64]*series{}
	for _, sr := range m.order {
		if sr.row != 0 {
			rows[sr.row] = sr
		}
	}
	return rows
}

func (p *pruner) prune(ctx context.Context, until int64) (more bool, err error) {
	err = transact(ctx, p.writer(), func(tx *sql.Tx) error {
		room := int64(pruneStep)
		for row := range p.rows() {
			result, err := tx.ExecContext(ctx, `DELETE FROM chunk WHERE id IN (
				SELECT id FROM chunk WHERE point = ? AND start < ? AND start + span < ? LIMIT ?)`, row, until, until, room)
			if err != nil {
				return err
			}
			n, err := result.RowsAffected()
			if err != nil {
				return err
			}
			if room -= n; room <= 0 {
				more = true
				return nil
			}
		}
		return nil
	})
	return more && err == nil, err
}

func (p *pruner) thin(ctx context.Context, until int64) (more bool, err error) {
	for row, sr := range p.rows() {
		old, reached, err := p.findFull(ctx, row, sr.thinned, until)
		if err != nil {
			return false, err
		}
		if len(old) > 0 {
			if err := p.thinChunks(ctx, row, old); err != nil {
				return false, err
			}
		}
		sr.thinned = reached
		if len(old) > 0 || reached < until {
			return true, nil
		}
	}
	return false, nil
}

// findFull looks for chunks that are to be thinned, from a start on. It looks at a bounded number of chunks, and returns
// how far it came.
func (p *pruner) findFull(ctx context.Context, row, from, until int64) (old []*chunk, reached int64, err error) {
	reader, err := p.database().reading(ctx)
	if err != nil {
		return nil, from, err
	}
	looked := 0
	reached = from
	for c, err := range chunks(ctx, reader, "chunk WHERE point = ? AND start >= ? AND start < ? ORDER BY start LIMIT ?",
		row, from, until-chunkSpan, thinLook) {
		if err != nil {
			return nil, from, err
		}
		looked++
		reached = c.start
		if !c.thin {
			old = append(old, c.chunk)
		}
		if len(old) == thinStep {
			break
		}
	}
	if looked < thinLook && len(old) < thinStep {
		reached = until
	}
	return old, reached, nil
}

func (p *pruner) thinChunks(ctx context.Context, row int64, old []*chunk) error {
	var d decoder
	var e encoder
	var b block
	return transact(ctx, p.writer(), func(tx *sql.Tx) error {
		for _, c := range old {
			if err := d.decode(c.packed, c.count, &b); err != nil {
				if errors.Is(err, errDamaged) {
					continue // a query reports it
				}
				return err
			}
			resolution := 0.0
			if c.samples[0]&codecBits == 0 {
				resolution = 1 / c.scale
			}
			minutes := toMinutes(&b, quantizer{c.origin, c.scale}, c.samples[0]&codecBits == 0)
			thin := *c
			// The summary stays what it was: exact, and of the same stretch of time.
			thin.packed, thin.thin = e.encode(minutes, resolution), true
			if _, err := tx.ExecContext(ctx, "INSERT OR REPLACE INTO chunk"+chunkValues, thin.values(row)...); err != nil {
				return err
			}
		}
		return nil
	})
}

// toMinutes sums up the entries of each minute. A mean is given at the resolution of the sensor where that is known.
func toMinutes(b *block, l quantizer, quantized bool) *block {
	order := make([]int, len(b.at))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(x, y int) int { return int(b.at[x]/minuteMillis - b.at[y]/minuteMillis) })
	known := map[int64]float64{} // the value with each k: it may differ from the quantizer in its last bits
	minutes := &block{}
	for begin := 0; begin < len(order); {
		end := begin + 1
		for end < len(order) && b.at[order[end]]/minuteMillis == b.at[order[begin]]/minuteMillis {
			end++
		}
		minute := block{}
		for _, i := range order[begin:end] {
			minute.add(b.at[i], b.value[i], b.flag[i])
			if k, ok := l.nearest(b.value[i]); quantized && ok {
				known[k] = b.value[i]
			}
		}
		s := summarise(&minute)
		usable := s.count - s.unusable
		minutes.add(slices.Min(minute.at), s.total/float64(usable), worst(s.flags))
		minutes.number = append(minutes.number, usable)
		minutes.least, minutes.greatest = append(minutes.least, s.low), append(minutes.greatest, s.high)
		begin = end
	}
	for i, mean := range minutes.value {
		if k, ok := round(l, mean); quantized && ok {
			minutes.value[i] = l.value(k)
			if v, ok := known[k]; ok {
				minutes.value[i] = v
			}
		}
	}
	return minutes
}

const minuteMillis = int64(time.Minute / time.Millisecond)

// round returns the k nearest to v, which need not lie on the quantizer.
func round(l quantizer, v float64) (int64, bool) {
	x := math.Round((v - l.origin) * l.scale)
	return int64(x), !math.IsNaN(x) && math.Abs(x) < maxSteps
}

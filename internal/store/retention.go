package store

import (
	"context"
	"database/sql"
	"time"

	"dewline/internal/core/instant"
)

// pruneStep is how many chunks a step of pruning deletes: so few that a Commit never waits for it for long.
const pruneStep = 64

// pruner removes old chunks from the file. file.write guards it.
type pruner struct{ *chunkMemory }

// Prune removes readings that are older than they are to be kept. The journal and the calibrations are kept for ever: they are small, and
// they are the record of the animals. It does one small step, and reports whether there is more to do; call it again until there is not.
// A keep of 0 means for ever. Unless the clock is confirmed it does nothing at all: by a wrong clock everything may look old.
func (s *Store) Prune(ctx context.Context, keep time.Duration, now instant.Instant, confirmed bool) (more bool, err error) {
	if !confirmed || keep <= 0 {
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
	more, err = s.prune(ctx, millis(now.Add(-keep)))
	return more, s.explain("removing old readings", err)
}

// rows returns the rows of the points in the file.
func (m *chunkMemory) rows() (rows []int64) {
	m.mu.RLock()
	defer m.mu.RUnlock()
	for _, sr := range m.order {
		if sr.row != 0 {
			rows = append(rows, sr.row)
		}
	}
	return rows
}

func (p *pruner) prune(ctx context.Context, until int64) (more bool, err error) {
	err = transact(ctx, p.writer(), func(tx *sql.Tx) error {
		room := int64(pruneStep)
		for _, row := range p.rows() {
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

package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"maps"
)

// progressNotes hold how far those who follow the history have come. file.mu guards them.
type progressNotes struct {
	*file
	notes   map[string][]byte // the newest of each follower that has been set or read
	changed map[string][]byte // those that are not in the file yet
}

// SetProgress keeps how far a follower of the history has come. It touches memory only; the next Commit writes it, so that it never says
// more than what the file holds. The body must not be changed afterwards.
func (p *progressNotes) SetProgress(name string, body []byte) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.notes[name], p.changed[name] = body, body
}

// Progress returns what was set last under a name; nil for nothing.
func (p *progressNotes) Progress(ctx context.Context, name string) ([]byte, error) {
	p.mu.RLock()
	body, known := p.notes[name]
	db := p.db
	p.mu.RUnlock()
	if known || db == nil {
		return body, nil
	}
	reader, err := db.reading(ctx)
	if err == nil {
		err = reader.QueryRowContext(ctx, "SELECT body FROM progress WHERE name = ?", name).Scan(&body)
	}
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	return body, p.explain("reading how far "+name+" has come", err)
}

// changedProgress returns what is to be written. file.mu is held.
func (p *progressNotes) changedProgress() map[string][]byte { return maps.Clone(p.changed) }

// writeProgress writes it.
func writeProgress(ctx context.Context, tx *sql.Tx, changed map[string][]byte) error {
	for name, body := range changed {
		if _, err := tx.ExecContext(ctx, "INSERT INTO progress (name, body) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET body = excluded.body",
			name, body); err != nil {
			return err
		}
	}
	return nil
}

// progressWritten forgets what has been written. file.mu is held.
func (p *progressNotes) progressWritten(written map[string][]byte) {
	for name, body := range written {
		if bytes.Equal(p.changed[name], body) {
			delete(p.changed, name)
		}
	}
}

// writeProgressAgain hands everything that is known to the next write. file.mu is held.
func (p *progressNotes) writeProgressAgain() { maps.Copy(p.changed, p.notes) }

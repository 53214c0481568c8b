package store

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
)

// Filter narrows a look into the journal. Empty fields ask for everything.
type Filter struct {
	From, To instant.Instant // [From, To); None or 0 = open
	Kinds    []journal.Kind
	Alarm    string
	Place    string // also the place of an alarm
	Before   uint64 // entries with a smaller number only, for the next page; 0 = from the newest
	Limit    int    // 0 means 100
}

const (
	usualLimit = 100
	maxLimit   = 10_000
)

// Journal returns entries, the newest (by number) first.
func (j *pendingJournal) Journal(ctx context.Context, f Filter) ([]*journal.Entry, error) {
	if f.Limit <= 0 {
		f.Limit = usualLimit
	}
	f.Limit = min(f.Limit, maxLimit)
	f.From = cmp.Or(f.From, instant.None)
	entries := j.unwrittenEntries(f)
	db := j.database()
	if db == nil {
		return entries, nil
	}
	query, args := f.query()
	reader, err := db.reading(ctx)
	if err != nil {
		return nil, j.explain("reading the journal", err)
	}
	for e, err := range scanned(ctx, reader, scanEntry, query, args...) {
		if err != nil {
			return nil, j.explain("reading the journal", err)
		}
		entries = append(entries, e.Entry)
	}
	slices.SortStableFunc(entries, func(a, b *journal.Entry) int { return cmp.Compare(b.Seq, a.Seq) })
	entries = slices.CompactFunc(entries, func(a, b *journal.Entry) bool { return a.Seq == b.Seq && a.Run == b.Run })
	return entries[:min(len(entries), f.Limit)], nil
}

// storedEntry is an entry of the file with its row.
type storedEntry struct {
	row int64
	*journal.Entry
}

func scanEntry(rows *sql.Rows) (storedEntry, error) {
	e := storedEntry{Entry: &journal.Entry{}}
	var body []byte
	err := rows.Scan(&e.row, &body)
	if err == nil {
		if err = json.Unmarshal(body, e.Entry); err != nil {
			err = fmt.Errorf("entry in row %d: %w: %w", e.row, errDamaged, err)
		}
	}
	return e, err
}

func (f Filter) query() (string, []any) {
	from, to := bounds(f.From, f.To)
	where, args := []string{"at >= ?", "at < ?"}, []any{from, to}
	add := func(condition string, values ...any) {
		where, args = append(where, condition), append(args, values...)
	}
	if len(f.Kinds) > 0 {
		add("kind IN (?" + strings.Repeat(", ?", len(f.Kinds)-1) + ")")
		for _, k := range f.Kinds {
			args = append(args, string(k))
		}
	}
	if f.Alarm != "" {
		add("alarm = ?", f.Alarm)
	}
	if f.Place != "" {
		add("(place = ? OR substr(alarm, 1, ?) = ?)", f.Place, len(f.Place)+1, f.Place+"/")
	}
	if f.Before > 0 {
		add("seq < ?", int64(min(f.Before, math.MaxInt64)))
	}
	return "SELECT id, body FROM journal WHERE " + strings.Join(where, " AND ") + " ORDER BY seq DESC, id DESC LIMIT ?", append(args, f.Limit)
}

// unwrittenEntries returns those that could not be written yet.
func (j *pendingJournal) unwrittenEntries(f Filter) []*journal.Entry {
	j.mu.RLock()
	defer j.mu.RUnlock()
	var entries []*journal.Entry
	for i := range j.unwritten {
		for k := range j.unwritten[i].entries {
			if e := j.unwritten[i].entries[k]; f.matches(&e) {
				entries = append(entries, &e)
			}
		}
	}
	slices.SortStableFunc(entries, func(a, b *journal.Entry) int { return cmp.Compare(b.Seq, a.Seq) })
	return entries[:min(len(entries), f.Limit)]
}

func (f Filter) matches(e *journal.Entry) bool {
	from, to := bounds(f.From, f.To)
	at := millis(e.At)
	return at >= from && at < to &&
		(len(f.Kinds) == 0 || slices.Contains(f.Kinds, e.Kind)) &&
		(f.Alarm == "" || e.Alarm == f.Alarm) &&
		(f.Place == "" || e.Place == f.Place || strings.HasPrefix(e.Alarm, f.Place+"/")) &&
		(f.Before == 0 || e.Seq < f.Before)
}

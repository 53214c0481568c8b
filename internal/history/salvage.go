package history

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
)

// salvaged are the tables that are taken out of a damaged file, as far as they can be read: the record of what happened,
// what still has to reach somebody, and the state of the alarms. The readings stay in the file that was set aside.
var salvaged = []struct{ table, columns, what string }{
	{"journal", "id, run, seq, at, kind, alarm, place, body", "journal entries"},
	{"outbox", "id, outlet, event, class, topic, at, body", "messages that had not been delivered"},
	{"core", "id, at, state", "state of the alarms"},
	{"calibration", "id, at, sensor, channel, reference, uncertainty, against, readings", "calibrations"},
}

// salvage takes what it can out of a damaged file and tells what that was. The damaged file is not changed.
func (s *Store) salvage(ctx context.Context, aside string, into *database) string {
	from, err := openForQueries(ctx, aside)
	if err != nil {
		return "; nothing could be taken over from the old one"
	}
	defer from.close()
	var told []string
	for _, t := range salvaged {
		n := 0
		// What lies before the damage is found from the one end, what lies behind it from the other.
		for _, order := range []string{"", " DESC"} {
			more, whole := copyRows(ctx, from.reader, into.writer, t.table, t.columns, order)
			if n += more; whole {
				break
			}
		}
		told = append(told, fmt.Sprintf("%d %s", n, t.what))
	}
	return "; taken over from the old one: " + strings.Join(told, ", ")
}

// copyRows copies the rows of a table up to the first that cannot be read. It returns how many are new, and whether that were all.
func copyRows(ctx context.Context, from, into *sql.DB, table, columns, order string) (n int, whole bool) {
	err := transact(ctx, into, func(tx *sql.Tx) error {
		rows, err := from.QueryContext(ctx, "SELECT "+columns+" FROM "+table+" ORDER BY id"+order)
		if err != nil {
			return nil // there is nothing to be had
		}
		defer rows.Close()
		width := strings.Count(columns, ",") + 1
		values, pointers := make([]any, width), make([]any, width)
		for i := range values {
			pointers[i] = &values[i]
		}
		insert := "INSERT OR IGNORE INTO " + table + " (" + columns + ") VALUES (?" + strings.Repeat(", ?", width-1) + ")"
		for rows.Next() {
			if err := rows.Scan(pointers...); err != nil {
				return nil
			}
			result, err := tx.ExecContext(ctx, insert, values...)
			if err != nil {
				continue // a row that breaks the rules of its table is damage too
			}
			if added, err := result.RowsAffected(); err == nil {
				n += int(added)
			}
		}
		whole = rows.Err() == nil
		return nil
	})
	if err != nil {
		return 0, true
	}
	return n, whole
}

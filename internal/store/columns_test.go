package store

import (
	"database/sql/driver"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/quantity"
)

// The small numbers of a chunk, up to the largest that it can have, come back from the one that SQLite makes of them.
func TestSmallNumbersComeBack(t *testing.T) {
	db := begin(t, tempPath(t)).database().reader
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string, most int64) int64 {
			return rapid.OneOf(rapid.Just(most), rapid.Int64Range(0, most)).Draw(t, name)
		}
		want := summary{span: draw("span", chunkSpan), count: int(draw("count", ChunkReadings)), flags: uint16(draw("flags", 1<<(quantity.Missing+1)-1))}
		want.unusable = int(draw("unusable", int64(want.count)))
		row := []driver.Value{int64(3), int64(0), int64(2), 0., 0., 0., nil}
		err := db.QueryRow("SELECT "+smallNumbers+" FROM (SELECT ? AS span, ? AS count, ? AS unusable, ? AS flags)",
			want.span, want.count, want.unusable, want.flags).Scan(&row[6])
		require.NoError(t, err)
		w := aggregator{tally: &tally{}}
		require.NoError(t, w.take(t.Context(), row))
		require.Equal(t, []*chunkMeta{{id: 3, segment: 2, summary: want}}, w.waiting)
	})
}

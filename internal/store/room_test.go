package store

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"dewline/internal/core/quantity"
)

// What a point takes in memory is bounded by what a chunk holds, however long the store runs and whether or not the disk takes what
// is full.
func TestRoomOfAnOpenChunkIsBounded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := newStore("", Options{Pending: 1_000_000})
		count := rapid.IntRange(1, 3*ChunkReadings).Draw(t, "count")
		every := second * rapid.SampledFrom([]time.Duration{1, 10, 60}).Draw(t, "every")
		for i := range count {
			s.Append("run-1", water, noon.Add(time.Duration(i)*every), 21, quantity.Pass, 0.01)
			open := &s.points[water].open
			n := len(open.at)
			for _, room := range []int{cap(open.at), cap(open.value), cap(open.flag)} {
				assert.LessOrEqual(t, room, ChunkReadings)
				assert.GreaterOrEqual(t, room, n)
			}
		}
	})
}

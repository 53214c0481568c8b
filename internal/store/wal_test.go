package store

import (
	"bytes"
	"encoding/binary"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

// drawLog returns a log of whole transactions, followed by what a write that was cut short has left, and the mark at the end of the last one.
func drawLog(t *rapid.T) (log []byte, end logMark) {
	h := logHeader{bigEndian: rapid.Bool().Draw(t, "big-endian"), pageSize: 1 << rapid.IntRange(9, 16).Draw(t, "page size")}
	log = binary.BigEndian.AppendUint32(log, 0x377f0682)
	if h.bigEndian {
		log[3]++
	}
	log = binary.BigEndian.AppendUint32(log, 3007000)
	log = binary.BigEndian.AppendUint32(log, uint32(h.pageSize))
	log = binary.BigEndian.AppendUint32(log, 0)
	copy(h.salts[:], rapid.SliceOfN(rapid.ByteMin(1), 8, 8).Draw(t, "salts")) // those of no mark are zero
	log = append(log, h.salts[:]...)
	h.sum = checksum{}.add(h.bigEndian, log)
	log = binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(log, h.sum[0]), h.sum[1])
	end = logMark{salts: h.salts, sum: h.sum}
	sum := h.sum
	for n, commits := range rapid.SliceOfN(rapid.Bool(), 0, 6).Draw(t, "commits") {
		var page [8]byte // its number, and the size of the file after a commit
		binary.BigEndian.PutUint32(page[:], uint32(n)+1)
		if commits {
			page[7] = 9
		}
		log, sum = h.appendFrame(log, sum, page[:], bytes.Repeat([]byte{rapid.Byte().Draw(t, "content")}, h.pageSize))
		if commits {
			end = logMark{h.salts, n + 1, sum}
		}
	}
	rest, _ := h.appendFrame(nil, sum, make([]byte, 8), make([]byte, h.pageSize))
	return append(log, rest[:rapid.IntRange(0, len(rest)-1).Draw(t, "rest")]...), end
}

// A reader that is used again reads nothing of the log before, whatever the sizes of their pages, nor of one that is looked at in the
// same moment.
func TestLooksAtLogsAreApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var all sync.WaitGroup
		for range 3 {
			log, end := drawLog(t)
			all.Go(func() {
				for range 3 {
					m, ok, err := scanLog(bytes.NewReader(log), logMark{}, -1)
					assert.NoError(t, err)
					assert.True(t, ok)
					assert.Equal(t, end, m)
				}
			})
		}
		all.Wait()
	})
}

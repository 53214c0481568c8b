package recorded

import (
	"bufio"
	"cmp"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/quantity"
)

// season writes a readings file of two points, one row each ten seconds; step orders the rows.
func season(t testing.TB, rows int, step func(i int) int) string {
	path := filepath.Join(t.TempDir(), "season.csv")
	file, err := os.Create(path)
	require.NoError(t, err)
	defer file.Close()
	out := bufio.NewWriterSize(file, 1<<20)
	fmt.Fprintln(out, "time,point,value,unit")
	begin := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	var line []byte
	for i := range rows {
		k := step(i)
		line = begin.Add(time.Duration(k/2)*10*time.Second).AppendFormat(line[:0], time.RFC3339)
		line = append(line, [...]string{",tub-1/water-temperature,", ",tub-2/water-temperature,"}[k%2]...)
		line = strconv.AppendFloat(line, math.Round((22+3*math.Sin(float64(k)/8640))*16)/16, 'f', -1, 64)
		line = append(line, ",Cel\n"...)
		_, err := out.Write(line)
		require.NoError(t, err)
	}
	require.NoError(t, out.Flush())
	return path
}

func collect(t testing.TB, s *Stream) []Row {
	var rows []Row
	for row, err := range s.Rows() {
		require.NoError(t, err)
		rows = append(rows, row)
	}
	return rows
}

// A stream is what the whole file is, sorted in pieces or not, as often as it is read.
func TestStreamIsTheFile(t *testing.T) {
	const run, rows = 2000, 2*2000 + 1234
	shuffled := rand.New(rand.NewPCG(1, 2)).Perm(rows)
	for name, step := range map[string]func(int) int{
		"sorted":         func(i int) int { return i },
		"point by point": func(i int) int { return i*2%rows + i*2/rows },
		"shuffled":       func(i int) int { return shuffled[i] },
		"few, backwards": func(i int) int { return 999 - i },
	} {
		t.Run(name, func(t *testing.T) {
			n := rows
			if name == "few, backwards" {
				n = 1000
			}
			path := season(t, n, step)
			source, err := os.Open(path)
			require.NoError(t, err)
			defer source.Close()
			file, err := Read(path, source)
			require.NoError(t, err)
			t.Setenv("TMPDIR", t.TempDir())
			stream, err := open(t.Context(), path, strict, run)
			require.NoError(t, err)
			first, last := file.Span()
			assert.Equal(t, []any{int64(n), first, last}, []any{stream.Count, stream.First, stream.Last})
			for range 2 {
				got := collect(t, stream)
				require.True(t, slices.IsSortedFunc(got, func(a, b Row) int { return cmp.Compare(a.At, b.At) }))
				require.Len(t, got, n)
				for i, row := range got { // File numbers its points by time
					require.Equal(t, file.Points[file.Rows[i].Point], stream.Points[row.Point])
					require.Equal(t, file.Rows[i].Value, row.Value)
				}
			}
			for range stream.Rows() {
				break // nothing waits for the rest
			}
			if stream.Close != nil {
				require.NoError(t, stream.Close())
			}
			left, err := os.ReadDir(os.Getenv("TMPDIR"))
			require.NoError(t, err)
			assert.Empty(t, left, "what was put aside is gone")
		})
	}
}

func TestOpenFindsWhatIsWrongBeforeAnyRow(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bad.csv")
	require.NoError(t, os.WriteFile(path, []byte("time,point,value,unit\n2026-07-01T00:00:00Z,tub-1/water-temperature,22,Cel\nnow,x,y,z\n"), 0o644))
	_, err := Open(t.Context(), path)
	require.ErrorContains(t, err, "bad.csv:3:1: time")
	_, err = Open(t.Context(), filepath.Join(t.TempDir(), "none.csv"))
	require.ErrorIs(t, err, os.ErrNotExist)

	over, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = Open(over, season(t, 10, func(i int) int { return i }))
	require.ErrorIs(t, err, context.Canceled)
}

// The stream has the line on which each point occurs first, so that a mistyped name can be reported there.
func TestOpenReturnsWherePointsOccur(t *testing.T) {
	stream, err := Open(t.Context(), season(t, 100, func(i int) int { return i }))
	require.NoError(t, err)
	assert.Equal(t, []quantity.Point{point(t, "tub-1/water-temperature"), point(t, "tub-2/water-temperature")}, stream.Points)
	assert.Equal(t, []int{2, 3}, stream.Lines)
}

// BenchmarkStream goes through a file, sorted and shuffled in blocks of a day and a half, and reports the memory in use at its largest.
// The largest numbers of rows are asked for by hand: DEWLINE_ROWS=60000000.
func BenchmarkStream(b *testing.B) {
	sizes := []int{1_000_000, 10_000_000}
	if text := os.Getenv("DEWLINE_ROWS"); text != "" {
		n, err := strconv.Atoi(text)
		require.NoError(b, err)
		sizes = []int{n}
	}
	for _, rows := range sizes {
		for name, step := range map[string]func(int) int{
			"sorted":         func(i int) int { return i },
			"point-by-point": func(i int) int { return i*2%rows + i*2/rows },
		} {
			b.Run(fmt.Sprintf("%s/%d", name, rows), func(b *testing.B) {
				path := season(b, rows, step)
				for b.Loop() {
					runtime.GC()
					var largest atomic.Uint64
					done := make(chan struct{})
					go func() {
						for {
							var now runtime.MemStats
							runtime.ReadMemStats(&now)
							largest.Store(max(largest.Load(), now.HeapInuse))
							select {
							case <-done:
								return
							case <-time.After(10 * time.Millisecond):
							}
						}
					}()
					stream, err := Open(b.Context(), path)
					require.NoError(b, err)
					n := 0
					for _, err := range stream.Rows() {
						if err != nil {
							b.Fatal(err)
						}
						n++
					}
					close(done)
					require.Equal(b, rows, n)
					if stream.Close != nil {
						require.NoError(b, stream.Close())
					}
					b.ReportMetric(float64(largest.Load())/1e6, "MB-in-use")
				}
				b.ReportMetric(float64(rows)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
			})
		}
	}
}

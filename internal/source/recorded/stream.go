package recorded

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"iter"
	"math"
	"os"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/merge"
)

// Stream is a record that is read row by row, any number of times, so that its length costs no memory.
type Stream struct {
	Name   string
	Points []quantity.Point
	// Lines are the lines on which the points occur first; nil where the record is no file.
	Lines       []int
	Count       int64
	First, Last instant.Instant // None where there is no row
	// Rows yields the rows in the order of their times; rows of equal time keep their order.
	Rows func() iter.Seq2[Row, error]
	// Kept says that a daemon has recorded the rows and judged them.
	Kept bool
	// Close removes the temporary file of the sort; nil if there is none.
	Close func() error
}

// Stream returns the rows of a file that is in memory.
func (f *File) Stream() *Stream {
	s := &Stream{Points: f.Points, Count: int64(len(f.Rows))}
	s.First, s.Last = f.Span()
	s.Rows = func() iter.Seq2[Row, error] {
		return func(yield func(Row, error) bool) {
			for _, row := range f.Rows {
				if !yield(row, nil) {
					return
				}
			}
		}
	}
	return s
}

// Collect reads all rows into memory, for work that needs them at once.
func (s *Stream) Collect() (*File, error) {
	file := &File{Points: s.Points, Rows: make([]Row, 0, s.Count)}
	for row, err := range s.Rows() {
		if err != nil {
			return nil, err
		}
		file.Rows = append(file.Rows, row)
	}
	return file, nil
}

// Stream returns s itself.
func (s *Stream) Stream() *Stream { return s }

// Open reads a file once to its end, so that all its problems are known before a row is used, and returns its rows as a stream. A
// sorted file is read again for each use. An unsorted file is sorted in pieces into a temporary file, which are merged as they are
// read. Errors are those of [Read].
func Open(ctx context.Context, path string) (*Stream, error) { return open(ctx, path, strict, maxRun) }

// OpenUnjudged is [Open] for a file whose rows without a flag are to be judged: their values may be impossible.
func OpenUnjudged(ctx context.Context, path string) (*Stream, error) {
	return open(ctx, path, unjudged, maxRun)
}

func open(ctx context.Context, path string, how rigour, run int) (*Stream, error) {
	s := &Stream{Name: path, First: instant.None, Last: instant.None}
	sorted := true
	p, err := parseFile(path, how, func(row Row) bool {
		if s.Count == 0 {
			s.First, s.Last = row.At, row.At
		}
		s.Count++
		sorted = sorted && row.At >= s.Last
		s.First, s.Last = min(s.First, row.At), max(s.Last, row.At)
		return s.Count%checkEvery != 0 || ctx.Err() == nil
	})
	if err == nil {
		err = context.Cause(ctx)
	}
	if err != nil {
		return nil, err
	}
	s.Points, s.Lines = p.points, p.firstLines
	again := func() iter.Seq2[Row, error] { return readAhead(ctx, path, how) }
	if sorted {
		s.Rows = again
		return s, nil
	}
	runs := &sorter{rows: again, limit: run}
	s.Rows, s.Close = runs.merged, runs.close
	return s, nil
}

// checkEvery is after how many rows the parser checks whether the reader has stopped.
const checkEvery = 1 << 13

// parseFile hands all rows of a file to take, which ends the reading by returning false.
func parseFile(path string, how rigour, take func(Row) bool) (*parser, error) {
	source, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer source.Close()
	return parse(path, source, how, take)
}

// batchRows is how many rows are handed over at once.
const batchRows = 4096

// readAhead parses a file concurrently with the use of its rows.
func readAhead(ctx context.Context, path string, how rigour) iter.Seq2[Row, error] {
	return func(yield func(Row, error) bool) {
		batches, spent := make(chan []Row, 2), make(chan []Row, 4)
		stop := make(chan struct{})
		defer close(stop)
		var failed error // set before batches is closed
		go func() {
			defer close(batches)
			batch := make([]Row, 0, batchRows)
			send := func() bool {
				select {
				case batches <- batch:
				case <-stop:
					return false
				case <-ctx.Done():
					failed = context.Cause(ctx)
					return false
				}
				select {
				case batch = <-spent:
					batch = batch[:0]
				default:
					batch = make([]Row, 0, batchRows)
				}
				return true
			}
			_, err := parseFile(path, how, func(row Row) bool {
				batch = append(batch, row)
				return len(batch) < batchRows || send()
			})
			if err != nil {
				failed = err
			} else if failed == nil && len(batch) > 0 {
				send()
			}
		}()
		for batch := range batches {
			for _, row := range batch {
				if !yield(row, nil) {
					return
				}
			}
			select {
			case spent <- batch:
			default:
			}
		}
		if failed != nil {
			yield(Row{}, failed)
		}
	}
}

// maxRun is how many rows are sorted in memory at once: 12 MB, and as much again while they are sorted.
const maxRun = 1 << 19

// sorter brings rows into the order of their times with little memory.
type sorter struct {
	rows  func() iter.Seq2[Row, error]
	limit int      // rows in a run
	runs  []int64  // where each sorted run ends in the file, in rows
	aside *os.File // the runs; nil where one run holds everything
	whole []Row
	done  bool
}

const rowSize = 24

func (r *Row) encode(to []byte) {
	binary.LittleEndian.PutUint64(to, uint64(r.At))
	binary.LittleEndian.PutUint64(to[8:], math.Float64bits(r.Value))
	binary.LittleEndian.PutUint32(to[16:], uint32(r.Point))
	to[20], to[21] = byte(r.Flag), 0
	if r.Unflagged {
		to[21] = 1
	}
}

func (r *Row) decode(from []byte) {
	r.At = instant.Instant(binary.LittleEndian.Uint64(from))
	r.Value = math.Float64frombits(binary.LittleEndian.Uint64(from[8:]))
	r.Point = int32(binary.LittleEndian.Uint32(from[16:]))
	r.Flag, r.Unflagged = quantity.Flag(from[20]), from[21] == 1
}

// sort makes the runs.
func (s *sorter) sort() error {
	if s.done {
		return nil
	}
	var out *bufio.Writer
	var kept int64
	run := make([]Row, 0, s.limit)
	flush := func() error {
		if s.aside == nil {
			file, err := os.CreateTemp("", "dewline-sort-*")
			if err != nil {
				return err
			}
			s.aside = file
			if err := os.Remove(file.Name()); err != nil { // it lives as long as it is open
				return err
			}
			out = bufio.NewWriterSize(file, 1<<16)
		}
		var buffer [rowSize]byte
		for _, row := range sortRows(run) {
			row.encode(buffer[:])
			if _, err := out.Write(buffer[:]); err != nil {
				return err
			}
		}
		kept += int64(len(run))
		s.runs = append(s.runs, kept)
		run = run[:0]
		return out.Flush()
	}
	for row, err := range s.rows() {
		if err == nil && len(run) == s.limit {
			err = flush()
		}
		if err != nil {
			return err
		}
		run = append(run, row)
	}
	s.done = true
	if s.aside == nil {
		s.whole = sortRows(run)
		return nil
	}
	return flush()
}

// merged yields all rows in the order of their times.
func (s *sorter) merged() iter.Seq2[Row, error] {
	return func(yield func(Row, error) bool) {
		if err := s.sort(); err != nil {
			yield(Row{}, err)
			return
		}
		for _, row := range s.whole {
			if !yield(row, nil) {
				return
			}
		}
		var runs []merge.Source[Row]
		var begin int64
		for _, end := range s.runs {
			section := io.NewSectionReader(s.aside, begin*rowSize, (end-begin)*rowSize)
			runs = append(runs, rowsIn(bufio.NewReaderSize(section, 1<<15)))
			begin = end
		}
		merge.Sorted(runs, func(row *Row) instant.Instant { return row.At })(yield)
	}
}

func (s *sorter) close() error {
	if s.aside == nil {
		return nil
	}
	return s.aside.Close()
}

// rowsIn reads the rows of a run.
func rowsIn(run io.Reader) merge.Source[Row] {
	return func() (row Row, more bool, err error) {
		var buffer [rowSize]byte
		switch _, err := io.ReadFull(run, buffer[:]); {
		case errors.Is(err, io.EOF):
			return row, false, nil
		case err != nil:
			return row, false, err
		}
		row.decode(buffer[:])
		return row, true, nil
	}
}

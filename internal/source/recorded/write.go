package recorded

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// Writer writes a readings file row by row, with all five columns: times in UTC, values in the canonical units. What it writes
// reads back the same, to the last bit of every value.
type Writer struct {
	out    *bufio.Writer
	line   []byte
	head   bool                      // the header has been written
	points map[quantity.Point]string // their text, once they were found to be points
}

// NewWriter returns a writer onto w. Call [Writer.Flush] at the end.
func NewWriter(w io.Writer) *Writer {
	return &Writer{out: bufio.NewWriterSize(w, 1<<16), points: make(map[quantity.Point]string)}
}

// Row writes one row. The value is in the canonical unit of the point's quantity; NaN is allowed with flag 9 alone.
func (w *Writer) Row(at instant.Instant, point quantity.Point, value float64, flag quantity.Flag) error {
	if err := w.header(); err != nil {
		return err
	}
	name, known := w.points[point]
	if !known {
		name = point.String()
		if _, err := quantity.ParsePoint(name); err != nil {
			return fmt.Errorf("writing a reading: %w", err)
		}
		w.points[point] = name
	}
	missing := flag == quantity.Missing && math.IsNaN(value)
	switch {
	case at < earliest || at > latest:
		return fmt.Errorf("writing a reading of %s: its time is outside the years 1700 to 2200", name)
	case !flag.Valid():
		return fmt.Errorf("writing a reading of %s at %s: %s is no quality flag", name, at, flag)
	case !missing && (math.IsNaN(value) || math.IsInf(value, 0)):
		return fmt.Errorf("writing a reading of %s at %s: its value %v is no number", name, at, value)
	}
	line := at.Time().AppendFormat(w.line[:0], time.RFC3339Nano)
	line = append(line, ',')
	line = append(line, name...)
	line = append(line, ',')
	if !missing {
		line = strconv.AppendFloat(line, value, 'g', -1, 64)
	}
	line = append(line, ',')
	line = append(line, point.Quantity.Unit().Symbol()...)
	line = append(line, ',', '0'+byte(flag), '\n')
	w.line = line
	_, err := w.out.Write(line)
	return err
}

// Flush writes out what is buffered. A file without rows still gets its header.
func (w *Writer) Flush() error {
	if err := w.header(); err != nil {
		return err
	}
	return w.out.Flush()
}

func (w *Writer) header() error {
	if w.head {
		return nil
	}
	w.head = true
	_, err := w.out.WriteString(header(5) + "\n")
	return err
}

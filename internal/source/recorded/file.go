package recorded

import (
	"cmp"
	"slices"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// File is the contents of a readings file.
type File struct {
	// Points are the points that occur, in the order of their first rows below.
	Points []quantity.Point
	// Rows are sorted by time; rows of equal time keep their order in the file.
	Rows []Row
}

// Row is one reading. It holds its point by number, so that a year of rows is one block of memory.
type Row struct {
	At    instant.Instant
	Value float64 // in the canonical unit of the point's quantity; NaN where a missing reading has none
	Point int32   // index into File.Points
	Flag  quantity.Flag
	// Unflagged says that the file gave no flag, and Flag is pass.
	Unflagged bool
}

// Span returns the times of the first and the last row; [instant.None] twice where there is no row.
func (f *File) Span() (first, last instant.Instant) {
	if len(f.Rows) == 0 {
		return instant.None, instant.None
	}
	return f.Rows[0].At, f.Rows[len(f.Rows)-1].At
}

// sort brings the rows into the order of their times, and the points into the order of their first rows.
func (f *File) sort() {
	if slices.IsSortedFunc(f.Rows, func(a, b Row) int { return cmp.Compare(a.At, b.At) }) {
		return // the points were numbered as they came
	}
	f.Rows = sortRows(f.Rows)
	renumbered := make([]int32, len(f.Points)) // 0 = not met yet, else the new index + 1
	points := make([]quantity.Point, 0, len(f.Points))
	for i := range f.Rows {
		old := f.Rows[i].Point
		if renumbered[old] == 0 {
			points = append(points, f.Points[old])
			renumbered[old] = int32(len(points))
		}
		f.Rows[i].Point = renumbered[old] - 1
	}
	f.Points = points
}

// sortRows sorts by time and keeps the order of equal times. Files come as a few sorted stretches, usually one for each
// point, so the stretches are merged pairwise: one pass where the file is sorted, log2(stretches) passes where not.
func sortRows(rows []Row) []Row {
	ends := sortedStretches(rows)
	if len(ends) < 2 {
		return rows
	}
	spare := make([]Row, len(rows))
	for len(ends) > 1 {
		begin, kept := 0, ends[:0]
		for i := 0; i < len(ends); i += 2 {
			middle, end := ends[i], ends[min(i+1, len(ends)-1)]
			joined(spare[begin:end], rows[begin:middle], rows[middle:end])
			kept = append(kept, end)
			begin = end
		}
		ends = kept
		rows, spare = spare, rows
	}
	return rows
}

// sortedStretches returns the end of each longest sorted stretch.
func sortedStretches(rows []Row) []int {
	var ends []int
	for i := 1; i < len(rows); i++ {
		if rows[i].At < rows[i-1].At {
			ends = append(ends, i)
		}
	}
	if len(rows) > 0 {
		ends = append(ends, len(rows))
	}
	return ends
}

// joined fills into with the rows of two sorted stretches; of equal times the earlier stretch goes first.
func joined(into, earlier, later []Row) {
	for i := range into {
		if len(later) == 0 || len(earlier) > 0 && earlier[0].At <= later[0].At {
			into[i], earlier = earlier[0], earlier[1:]
		} else {
			into[i], later = later[0], later[1:]
		}
	}
}

package recorded

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"dewline/internal/core/quantity"
)

const (
	maxProblems = 20      // reading stops after so many bad rows
	maxLine     = 1 << 16 // bytes; the longest honest row has some 150
	maxField    = 200     // bytes; the longest honest field, a point, has 88
)

// columns are the columns in their order; the last one is optional.
var columns = [...]string{"time", "point", "value", "unit", "flag"}

// Read reads a whole file. name is what errors call it. Where anything is wrong, the error is an *[Error] that lists the
// problems (at most 20 of them), or wraps what r returned, and there is no file.
func Read(name string, r io.Reader) (*File, error) {
	file := &File{}
	p, err := parse(name, r, strict, func(row Row) bool {
		file.Rows = append(file.Rows, row)
		return true
	})
	if err != nil {
		return nil, err
	}
	file.Points = p.points
	file.sort()
	return file, nil
}

// rigour says which values a file may hold.
type rigour bool

const (
	strict   rigour = false // no row that counts as usable has a value that cannot be
	unjudged rigour = true  // nor has one that a flag calls usable; a row without a flag may hold anything, since it is judged later
)

// parse hands the rows of a file to take, up to the first problem and for as long as take returns true.
func parse(name string, r io.Reader, how rigour, take func(Row) bool) (*parser, error) {
	p := &parser{
		rigour: how,
		lines:  bufio.NewReaderSize(r, maxLine),
		take:   take,
		known:  make(map[string]int32),
		failed: Error{Name: name},
	}
	if err := p.read(); err != nil {
		return nil, fmt.Errorf("%s:%d: reading: %w", name, p.line+1, err)
	}
	if len(p.failed.Problems) > 0 {
		return nil, &p.failed
	}
	return p, nil
}

// parser is the state of one [Read].
type parser struct {
	lines  *bufio.Reader
	line   int // number of the line in hand
	width  int // number of columns, by the header
	fields [len(columns) + 1]field
	take   func(Row) bool
	rigour rigour
	over   bool // take wants no more
	points []quantity.Point
	known  map[string]int32 // index of each point by its text
	units  []unitText       // by point: the unit of its row before
	lowest []float64        // by point: the smallest possible value
	failed Error

	firstLines []int // by point: the line of its first row
}

// field is the text of one field and the byte column where it begins.
type field struct {
	text   []byte
	column int
}

// unitText remembers a unit, since nearly every row of a point has the unit of the row before.
type unitText struct {
	text string
	unit quantity.Unit
}

// read goes through all lines. It returns an error of the underlying reader only.
func (p *parser) read() error {
	for !p.failed.Stopped && !p.over {
		line, err := p.lines.ReadSlice('\n')
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			p.line++
			p.problem(0, "the line is longer than %d bytes: this is not a readings file", maxLine)
			p.failed.Stopped = true
			return nil
		case err != nil && err != io.EOF:
			return err
		}
		if len(line) > 0 {
			p.line++
			p.takeLine(line)
		}
		if err == io.EOF {
			if p.width == 0 && len(p.failed.Problems) == 0 {
				p.line = max(p.line, 1)
				p.problem(0, "the file is empty: it must begin with the header %s", header(4))
			}
			return nil
		}
	}
	return nil
}

// takeLine handles one line.
func (p *parser) takeLine(line []byte) {
	line = bytes.TrimSuffix(line, []byte("\n"))
	line = bytes.TrimSuffix(line, []byte("\r"))
	first := 1
	if p.line == 1 {
		if rest, found := bytes.CutPrefix(line, []byte("\xef\xbb\xbf")); found {
			line, first = rest, 4
		}
	}
	if len(line) == 0 {
		return
	}
	count, ok := p.split(line, first)
	if !ok {
		return
	}
	if p.width == 0 {
		p.takeHeader(line, count)
		return
	}
	if count != p.width {
		p.problem(0, "the row has %s columns, the header has %d", atMost(count, len(columns)), p.width)
		return
	}
	p.takeRow()
}

// split splits a line into fields and returns their number, at most one more than there are columns. first is the column of the
// first byte.
func (p *parser) split(line []byte, first int) (count int, ok bool) {
	if bytes.IndexByte(line, '"') >= 0 {
		return p.splitQuoted(line, first)
	}
	for column := first; ; count++ {
		if count == len(p.fields) {
			return count, true
		}
		end := bytes.IndexByte(line, ',')
		if end < 0 {
			p.fields[count] = field{line, column}
			return count + 1, true
		}
		p.fields[count] = field{line[:end], column}
		line = line[end+1:]
		column += end + 1
	}
}

// splitQuoted is split for lines with quotes. No field may hold a line break, so one line is a whole record.
func (p *parser) splitQuoted(line []byte, first int) (count int, ok bool) {
	reader := csv.NewReader(bytes.NewReader(line))
	reader.FieldsPerRecord = -1
	record, err := reader.Read()
	if err != nil {
		column := 0
		if bad, found := errors.AsType[*csv.ParseError](err); found {
			column, err = bad.Column+first-1, bad.Err
		}
		p.problem(column, "quotes: %v (no field may hold a line break)", err)
		return 0, false
	}
	for i, text := range record {
		if i == len(p.fields) {
			break
		}
		_, column := reader.FieldPos(i)
		p.fields[i] = field{[]byte(text), column + first - 1}
	}
	return min(len(record), len(p.fields)), true
}

// takeHeader accepts the header, or ends the reading: without it no row can be understood.
func (p *parser) takeHeader(line []byte, count int) {
	wrong := -1
	for i := 0; i < count && wrong < 0; i++ {
		if i == len(columns) || string(p.fields[i].text) != columns[i] {
			wrong = i
		}
	}
	if wrong < 0 && count >= 4 {
		p.width = count
		return
	}
	hint := ""
	switch {
	case bytes.HasPrefix(line, []byte("\xff\xfe")), bytes.HasPrefix(line, []byte("\xfe\xff")):
		hint = "; the file is UTF-16, save it as UTF-8"
	case bytes.Count(line, []byte(";")) >= 3:
		hint = "; columns are separated by commas, not semicolons"
	case bytes.IndexByte(line, '\r') >= 0:
		hint = "; lines must end with LF or CRLF, not CR alone"
	}
	_, err := parseTime(p.fields[0].text)
	timed := err == nil // there is no header at all
	must := fmt.Sprintf("the header must be %s or %s%s", header(4), header(5), hint)
	switch {
	case hint != "" || wrong == 0 && (count == 1 || timed):
		p.problem(0, "the file begins with %s: %s", shown(line), must)
	case wrong < 0:
		p.problem(0, "column %d, %s, is missing: %s", count+1, columns[count], must)
	case wrong == len(columns):
		p.problem(p.fields[wrong].column, "there are more columns than %d: %s", len(columns), must)
	default:
		p.problem(p.fields[wrong].column, "column %d is %s and must be %s: %s", wrong+1, shown(p.fields[wrong].text), columns[wrong], must)
	}
	p.failed.Stopped = true
}

// takeRow turns the fields in hand into a row, or into one problem: the first in the order of the columns.
func (p *parser) takeRow() {
	for _, f := range p.fields[:p.width] {
		if len(f.text) > maxField {
			p.problem(f.column, "the field has %d bytes, and no honest one has more than %d", len(f.text), maxField)
			return
		}
	}
	at, err := parseTime(p.fields[0].text)
	if err != nil {
		p.problem(p.fields[0].column, "time %s is %v", shown(p.fields[0].text), err)
		return
	}
	point, err := p.point(p.fields[1].text)
	if err != nil {
		p.problem(p.fields[1].column, "%v", err)
		return
	}
	row := Row{At: at, Point: point, Flag: quantity.Pass, Unflagged: true}
	value, err := parseNumber(p.fields[2].text)
	if err != nil && len(p.fields[2].text) > 0 {
		p.problem(p.fields[2].column, "value %s %v", shown(p.fields[2].text), err)
		return
	}
	unit, err := p.unit(point, p.fields[3].text)
	if err != nil {
		p.problem(p.fields[3].column, "%v", err)
		return
	}
	if p.width == 5 && len(p.fields[4].text) > 0 {
		row.Unflagged = false
		if row.Flag, err = parseFlag(p.fields[4].text); err != nil {
			p.problem(p.fields[4].column, "flag %s %v", shown(p.fields[4].text), err)
			return
		}
	}
	switch {
	case len(p.fields[2].text) > 0:
		row.Value = unit.ToCanonical(value)
		if math.IsInf(row.Value, 0) {
			p.problem(p.fields[2].column, "value %s is too large", shown(p.fields[2].text))
			return
		}
		if row.Value < p.lowest[point] && row.Flag.Usable() && !(row.Unflagged && p.rigour == unjudged) { // a value that failed a test may be anything
			q := p.points[point].Quantity
			p.problem(p.fields[2].column, "value %s %s is less than any %s can be (%s)", shown(p.fields[2].text), p.fields[3].text, q,
				unit.Print(p.lowest[point], q.Decimals()+1))
			return
		}
	case row.Flag == quantity.Missing:
		row.Value = math.NaN()
	default:
		p.problem(p.fields[2].column, "the value is empty: only a row of flag 9 (missing) may have none")
		return
	}
	if len(p.failed.Problems) == 0 {
		p.over = !p.take(row)
	}
}

// minOf returns the smallest canonical value that a quantity can have.
func minOf(q quantity.Quantity) float64 {
	switch {
	case q.IsTemperature():
		return -273.15
	case q == quantity.CondensationMargin: // a difference
		return math.Inf(-1)
	}
	return 0
}

// point returns the number of the point that text names.
func (p *parser) point(text []byte) (int32, error) {
	if index, found := p.known[string(text)]; found {
		return index, nil
	}
	parsed, err := quantity.ParsePoint(string(text))
	if err != nil {
		return 0, err
	}
	index := int32(len(p.points))
	p.known[string(text)] = index
	p.points = append(p.points, parsed)
	p.firstLines = append(p.firstLines, p.line)
	p.lowest = append(p.lowest, minOf(parsed.Quantity))
	p.units = append(p.units, unitText{})
	return index, nil
}

// unit returns the unit that text names, for a point.
func (p *parser) unit(point int32, text []byte) (quantity.Unit, error) {
	last := &p.units[point]
	if last.unit != quantity.NoUnit && last.text == string(text) {
		return last.unit, nil
	}
	unit, err := quantity.ParseUnit(string(text))
	if err != nil {
		return quantity.NoUnit, err
	}
	if unit, err = unit.For(p.points[point].Quantity); err != nil {
		return quantity.NoUnit, err
	}
	*last = unitText{string(text), unit}
	return unit, nil
}

// problem notes what is wrong in the line in hand.
func (p *parser) problem(column int, format string, args ...any) {
	p.failed.Problems = append(p.failed.Problems,
		Problem{Line: p.line, Column: column, Message: fmt.Sprintf(format, args...)})
	if len(p.failed.Problems) >= maxProblems {
		p.failed.Stopped = true
	}
}

var (
	errNoNumber = errors.New("is not a decimal number")
	errTooLarge = errors.New("is too large")
	errNoFlag   = errors.New("is none of 1 (pass), 2 (not evaluated), 3 (suspect), 4 (fail), 9 (missing)")
)

// parseNumber reads a decimal number. Words such as NaN and hexadecimal forms, which [strconv.ParseFloat] would take,
// are no numbers here.
func parseNumber(text []byte) (float64, error) {
	for _, c := range text {
		switch {
		case c >= '0' && c <= '9', c == '.', c == '-', c == '+', c == 'e', c == 'E':
		default:
			return 0, errNoNumber
		}
	}
	value, err := strconv.ParseFloat(string(text), 64)
	if err != nil {
		if errors.Is(err, strconv.ErrRange) {
			return 0, errTooLarge
		}
		return 0, errNoNumber
	}
	return value, nil
}

// parseFlag reads a quality flag.
func parseFlag(text []byte) (quantity.Flag, error) {
	if len(text) == 1 && text[0] >= '0' && text[0] <= '9' {
		if flag := quantity.Flag(text[0] - '0'); flag.Valid() {
			return flag, nil
		}
	}
	return 0, errNoFlag
}

// header returns the header with so many columns.
func header(width int) string { return strings.Join(columns[:width], ",") }

// shown quotes a text for a message, and cuts it where it is long.
func shown(text []byte) string {
	const limit = 48
	if len(text) > limit {
		return strconv.Quote(string(text[:limit])) + "…"
	}
	return strconv.Quote(string(text))
}

// atMost prints a count of fields, which ends at one above the number of columns.
func atMost(count, limit int) string {
	if count > limit {
		return fmt.Sprintf("more than %d", limit)
	}
	return strconv.Itoa(count)
}

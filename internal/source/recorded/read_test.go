package recorded

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

func at(t testing.TB, text string) instant.Instant {
	t.Helper()
	parsed, err := instant.Parse(text)
	require.NoError(t, err)
	return parsed
}

func point(t testing.TB, text string) quantity.Point {
	t.Helper()
	parsed, err := quantity.ParsePoint(text)
	require.NoError(t, err)
	return parsed
}

func TestReadUnderstandsUnitsFlagsAndZones(t *testing.T) {
	file, err := Read("a.csv", strings.NewReader(`time,point,value,unit,flag
2026-07-01T13:30:00Z,tub-1/water-temperature,72,degF,1
2026-07-01T14:30:10+01:00,loft/relative-humidity,0.812,/,3
2026-07-01T13:30:20.25Z,loft/vapour-pressure-deficit,0.8,kPa,2
2026-07-01T13:30:30Z,tub-1/water-temperature,22.4375,Cel,4
2026-07-01T13:30:40Z,tub-1/water-temperature,,Cel,9
2026-07-01T13:30:50Z,tub-1/condensation-margin,9,degF,1
`))
	require.NoError(t, err)
	assert.Equal(t, []quantity.Point{
		point(t, "tub-1/water-temperature"), point(t, "loft/relative-humidity"),
		point(t, "loft/vapour-pressure-deficit"), point(t, "tub-1/condensation-margin"),
	}, file.Points)
	require.Len(t, file.Rows, 6)
	assert.True(t, math.IsNaN(file.Rows[4].Value))
	file.Rows[4].Value = 0
	assert.Equal(t, []Row{
		{at(t, "2026-07-01T13:30:00Z"), 200. / 9, 0, quantity.Pass, false},
		{at(t, "2026-07-01T13:30:10Z"), 81.2, 1, quantity.Suspect, false},
		{at(t, "2026-07-01T13:30:20.25Z"), 800, 2, quantity.NotEvaluated, false},
		{at(t, "2026-07-01T13:30:30Z"), 22.4375, 0, quantity.Fail, false},
		{at(t, "2026-07-01T13:30:40Z"), 0, 0, quantity.Missing, false},
		{at(t, "2026-07-01T13:30:50Z"), 5, 3, quantity.Pass, false}, // a difference: 9 °F are 5 K
	}, file.Rows)
	first, last := file.Span()
	assert.Equal(t, at(t, "2026-07-01T13:30:00Z"), first)
	assert.Equal(t, at(t, "2026-07-01T13:30:50Z"), last)
}

func TestReadAcceptsEveryHonestForm(t *testing.T) {
	const row = "2026-07-01T13:30:00Z,tub-1/water-temperature,22,Cel"
	for name, text := range map[string]string{
		"plain":                  "time,point,value,unit\n" + row + "\n",
		"without final newline":  "time,point,value,unit\n" + row,
		"CRLF":                   "time,point,value,unit\r\n" + row + "\r\n",
		"CR at the end":          "time,point,value,unit\r\n" + row + "\r",
		"byte order mark":        "\ufefftime,point,value,unit\n" + row + "\n",
		"mark and quoted header": "\ufeff\"time\",\"point\",value,\"unit\"\n" + row + "\n",
		"quoted fields":          "time,point,value,unit\n\"2026-07-01T13:30:00Z\",\"tub-1/water-temperature\",\"22\",\"Cel\"\n",
		"empty lines":            "\n\r\ntime,point,value,unit\n\n\n" + row + "\n\n",
		"flag column":            "time,point,value,unit,flag\n" + row + ",1\n",
		"an empty flag":          "time,point,value,unit,flag\n" + row + ",\n",
		"exponent":               "time,point,value,unit\n" + strings.Replace(row, ",22,", ",+2.2e1,", 1),
		"unit of people":         "time,point,value,unit\n" + strings.Replace(row, "Cel", "°C", 1),
	} {
		t.Run(name, func(t *testing.T) {
			file, err := Read("a.csv", strings.NewReader(text))
			require.NoError(t, err)
			assert.Equal(t, []quantity.Point{point(t, "tub-1/water-temperature")}, file.Points)
			assert.Equal(t, []Row{{at(t, "2026-07-01T13:30:00Z"), 22, 0, quantity.Pass, name != "flag column"}}, file.Rows)
		})
	}
}

func TestReadRefuses(t *testing.T) {
	const good = "2026-07-01T13:30:00Z,tub-1/water-temperature,22,Cel\n"
	const head = "time,point,value,unit\n"
	for name, c := range map[string]struct{ text, want string }{
		"an empty file":        {"", `a.csv:1: the file is empty: it must begin with the header time,point,value,unit`},
		"blank lines only":     {"\n\n", `a.csv:2: the file is empty: it must begin with the header time,point,value,unit`},
		"no header":            {good, `a.csv:1: the file begins with "2026-07-01T13:30:00Z,tub-1/water-temperature,22,"…: the header must be time,point,value,unit or time,point,value,unit,flag`},
		"semicolons":           {"time;point;value;unit\n", `columns are separated by commas, not semicolons`},
		"UTF-16":               {"\xff\xfet\x00i\x00m\x00e\x00", `the file is UTF-16, save it as UTF-8`},
		"CR alone":             {"time,point,value,unit\r2026", `lines must end with LF or CRLF, not CR alone`},
		"another order":        {"point,time,value,unit\n", `a.csv:1:1: column 1 is "point" and must be time`},
		"a wrong column":       {"time,point,val,unit\n", `a.csv:1:12: column 3 is "val" and must be value`},
		"a missing column":     {"time,point,value\n", `a.csv:1: column 4, unit, is missing`},
		"below absolute zero":  {"time,point,value,unit\n" + strings.Replace(good, ",22,", ",-300,", 1), `a.csv:2:46: value "-300" Cel is less than any water-temperature can be (-273.15 °C)`},
		"a negative humidity":  {"time,point,value,unit\n2026-07-01T13:30:00Z,loft/relative-humidity,-5,%RH\n", `a.csv:2:45: value "-5" %RH is less than any relative-humidity can be`},
		"below it in degF":     {"time,point,value,unit\n2026-07-01T13:30:00Z,tub-1/water-temperature,-500,degF\n", `a.csv:2:46: value "-500" degF`},
		"a sixth column":       {"time,point,value,unit,flag,note\n", `a.csv:1:28: there are more columns than 5`},
		"a missing field":      {head + "2026-07-01T13:30:00Z,tub-1/water-temperature,22\n", `a.csv:2: the row has 3 columns, the header has 4`},
		"a field too many":     {head + strings.TrimSpace(good) + ",1\n", `a.csv:2: the row has 5 columns, the header has 4`},
		"many fields too many": {head + strings.Repeat(",", 50) + "\n", `a.csv:2: the row has more than 5 columns, the header has 4`},
		"many quoted fields":   {head + `"",` + strings.Repeat(",", 50) + "\n", `a.csv:2: the row has more than 5 columns, the header has 4`},
		"a local time":         {head + "2026-07-01T13:30:00,tub-1/water-temperature,22,Cel\n", `a.csv:2:1: time "2026-07-01T13:30:00" is not of the form 2026-07-01T13:30:00Z (RFC 3339)`},
		"the 30th of February": {head + "2026-02-30T13:30:00Z,tub-1/water-temperature,22,Cel\n", `a.csv:2:1: time "2026-02-30T13:30:00Z" is not of the form`},
		"the year 2300":        {head + "2300-02-03T13:30:00Z,tub-1/water-temperature,22,Cel\n", `outside the years 1700 to 2200`},
		"no point":             {head + "2026-07-01T13:30:00Z,tub-1,22,Cel\n", `a.csv:2:22: point "tub-1" is not of the form place/quantity`},
		"an unknown quantity":  {head + "2026-07-01T13:30:00Z,tub-1/warmth,22,Cel\n", `a.csv:2:22: point "tub-1/warmth": unknown quantity "warmth"`},
		"a wrong unit":         {head + "2026-07-01T13:30:00Z,tub-1/water-temperature,22,%RH\n", `a.csv:2:49: %RH is not a unit of water-temperature (try °C)`},
		"an unknown unit":      {head + "2026-07-01T13:30:00Z,tub-1/water-temperature,22,Kel\n", `a.csv:2:49: unknown unit "Kel"`},
		"a space":              {head + "2026-07-01T13:30:00Z,tub-1/water-temperature, 22,Cel\n", `a.csv:2:46: value " 22" is not a decimal number`},
		"NaN":                  {head + "2026-07-01T13:30:00Z,tub-1/water-temperature,NaN,Cel\n", `value "NaN" is not a decimal number`},
		"infinity":             {head + "2026-07-01T13:30:00Z,tub-1/water-temperature,+Inf,Cel\n", `value "+Inf" is not a decimal number`},
		"hexadecimal":          {head + "2026-07-01T13:30:00Z,tub-1/water-temperature,0x16,Cel\n", `value "0x16" is not a decimal number`},
		"signs only":           {head + "2026-07-01T13:30:00Z,tub-1/water-temperature,-,Cel\n", `value "-" is not a decimal number`},
		"too large":            {head + "2026-07-01T13:30:00Z,tub-1/water-temperature,1e999,Cel\n", `value "1e999" is too large`},
		"too large in pascal":  {head + "2026-07-01T13:30:00Z,loft/pressure,1e307,kPa\n", `value "1e307" is too large`},
		"an empty value":       {head + "2026-07-01T13:30:00Z,tub-1/water-temperature,,Cel\n", `a.csv:2:46: the value is empty: only a row of flag 9 (missing) may have none`},
		"an empty value flag":  {"time,point,value,unit,flag\n2026-07-01T13:30:00Z,tub-1/water-temperature,,Cel,3\n", `the value is empty`},
		"flag 5":               {"time,point,value,unit,flag\n" + strings.TrimSpace(good) + ",5\n", `a.csv:2:53: flag "5" is none of 1 (pass), 2 (not evaluated), 3 (suspect), 4 (fail), 9 (missing)`},
		"a NUL":                {head + "2026-07-01T13:30:00Z,tub-1/water-temperature,2\x002,Cel\n", `a.csv:2:46: value "2\x002" is not a decimal number`},
		"a NUL in the point":   {head + "2026-07-01T13:30:00Z,tub-\x001/water-temperature,22,Cel\n", `use the letters a to z`},
		"a bare quote":         {head + "2026-07-01T13:30:00Z,tub-1/water-temperature,2\"2,Cel\n", `a.csv:2:47: quotes: bare " in non-quoted-field`},
		"an open quote":        {head + "\"2026-07-01T13:30:00Z,tub-1/water-temperature,22,Cel\n", `a.csv:2:53: quotes: extraneous or missing " in quoted-field`},
		"a long field":         {head + "2026-07-01T13:30:00Z," + strings.Repeat("a", 3000) + "/pressure,22,Pa\n", `a.csv:2:22: the field has 3009 bytes, and no honest one has more than 200`},
		"an endless line":      {head + strings.Repeat("a", 1<<20), `a.csv:2: the line is longer than 65536 bytes: this is not a readings file`},
		"after a mark":         {"\ufefftime,point\n", `a.csv:1: column 3, value, is missing`},
	} {
		t.Run(name, func(t *testing.T) {
			file, err := Read("a.csv", strings.NewReader(c.text))
			assert.Nil(t, file)
			assert.ErrorContains(t, err, c.want)
			assert.ErrorAs(t, err, new(*Error))
		})
	}
}

func TestReadListsAllBadRowsUpToTwenty(t *testing.T) {
	text := "time,point,value,unit\n"
	for i := range 30 {
		if i%2 == 0 {
			text += "2026-07-01T13:30:00Z,tub-1/water-temperature,22,Cel\n"
		} else {
			text += "yesterday,tub-1/water-temperature,22,Cel\n"
		}
	}
	file, err := Read("b.csv", strings.NewReader(text))
	assert.Nil(t, file)
	failed, ok := errors.AsType[*Error](err)
	require.True(t, ok)
	require.Len(t, failed.Problems, 15)
	assert.False(t, failed.Stopped)
	assert.Equal(t, Problem{3, 1, `time "yesterday" is not of the form 2026-07-01T13:30:00Z (RFC 3339)`}, failed.Problems[0])
	assert.Equal(t, 31, failed.Problems[14].Line)

	_, err = Read("b.csv", strings.NewReader(text+text[len("time,point,value,unit\n"):]))
	failed, ok = errors.AsType[*Error](err)
	require.True(t, ok)
	assert.Len(t, failed.Problems, 20)
	assert.True(t, failed.Stopped)
	assert.ErrorContains(t, err, "b.csv: reading stopped here, there may be more")
}

func TestReadReportsAReaderThatFails(t *testing.T) {
	broken := errors.New("card pulled out")
	file, err := Read("c.csv", io.MultiReader(
		strings.NewReader("time,point,value,unit\n2026-07-01T13:30:00Z,tub-1/water-temperature,22,Cel\n2026"),
		iotest.ErrReader(broken)))
	assert.Nil(t, file)
	require.ErrorIs(t, err, broken)
	assert.EqualError(t, err, "c.csv:3: reading: card pulled out")
}

func TestReadSortsByTimeAndKeepsTheOrderOfEqualTimes(t *testing.T) {
	file, err := Read("a.csv", strings.NewReader(`time,point,value,unit
2026-07-01T13:30:10Z,tub-1/water-temperature,1,Cel
2026-07-01T13:30:20Z,tub-1/water-temperature,2,Cel
2026-07-01T13:30:00Z,tub-2/water-temperature,3,Cel
2026-07-01T13:30:10Z,tub-2/water-temperature,4,Cel
2026-07-01T13:30:10Z,tub-1/water-temperature,5,Cel
2026-07-01T13:30:05Z,tub-1/water-temperature,6,Cel
`))
	require.NoError(t, err)
	var values []float64
	for _, row := range file.Rows {
		values = append(values, row.Value)
	}
	assert.Equal(t, []float64{3, 6, 1, 4, 5, 2}, values)
	assert.Equal(t, []quantity.Point{point(t, "tub-2/water-temperature"), point(t, "tub-1/water-temperature")}, file.Points)
	assert.Equal(t, int32(1), file.Rows[1].Point)
}

func TestSortRowsIsAStableSort(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		times := rapid.SliceOf(rapid.Int64Range(0, 12)).Draw(t, "times")
		rows := make([]Row, len(times))
		for i, at := range times {
			rows[i] = Row{At: instant.Instant(at), Value: float64(i)}
		}
		want := slices.Clone(rows)
		slices.SortStableFunc(want, func(a, b Row) int { return int(a.At - b.At) })
		if got := sortRows(rows); !slices.Equal(got, want) {
			t.Fatalf("got %v, want %v", got, want)
		}
	})
}

// The time parser is checked against package time, which reads RFC 3339 independently.
func TestParseTimeAgreesWithPackageTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		nanos := rapid.Int64Range(int64(earliest), int64(latest)).Draw(t, "nanos")
		offset := rapid.IntRange(-23*60-59, 23*60+59).Draw(t, "offset")
		text := time.Unix(0, nanos).In(time.FixedZone("", offset*60)).Format(time.RFC3339Nano)
		got, err := parseTime([]byte(text))
		if year := time.Unix(0, nanos).Add(time.Duration(offset) * time.Minute).UTC().Year(); year < 1700 || year > 2200 {
			if err == nil {
				t.Fatalf("%s was taken", text)
			}
			return
		}
		if err != nil || int64(got) != nanos {
			t.Fatalf("%s: got %d (%v), want %d", text, got, err, nanos)
		}
	})
}

func TestParseTimeIsStrict(t *testing.T) {
	for _, text := range []string{
		"", "2026-07-01", "2026-07-01 13:30:00Z", "2026-07-01T3:30:00Z", "2026-07-01t13:30:00z", "2026-07-01T13:30:00.Z",
		"2026-07-01T24:00:00Z", "2026-07-01T13:60:00Z", "2026-07-01T13:30:60Z", "2026-07-01T13:30:00+0100",
		"2026-07-01T13:30:00+24:00", "2026-07-01T13:30:00ZZ", "2025-02-29T13:30:00Z", "1900-02-29T13:30:00Z",
		"2026-00-01T13:30:00Z", "2026-13-01T13:30:00Z", "2026-04-31T13:30:00Z", "2026-07-00T13:30:00Z",
		"+026-07-01T13:30:00Z", "2026-07-01T13:30:00.5", "2026-07-01T13:30:00+01:60",
	} {
		_, err := parseTime([]byte(text))
		assert.ErrorIs(t, err, errTime, text)
	}
	leap, err := parseTime([]byte("2000-02-29T23:59:59.1234567899-00:00"))
	require.NoError(t, err)
	assert.Equal(t, time.Date(2000, 2, 29, 23, 59, 59, 123456789, time.UTC), leap.Time())
}

// drawFile makes any file that can be written.
func drawFile(t *rapid.T) *File {
	quantities := quantity.All()
	seen := map[quantity.Point]int32{}
	file := &File{}
	at := rapid.Int64Range(int64(earliest), int64(latest)).Draw(t, "start")
	for range rapid.IntRange(0, 20).Draw(t, "rows") {
		at = min(at+rapid.Int64Range(0, 1e12).Draw(t, "step"), int64(latest))
		p := quantity.Point{
			Place:    rapid.StringMatching(`[a-z0-9]([a-z0-9-]{0,10}[a-z0-9])?`).Draw(t, "place"),
			Quantity: rapid.SampledFrom(quantities).Draw(t, "quantity"),
		}
		row := Row{
			At:    instant.Instant(at),
			Value: rapid.Float64().Filter(func(v float64) bool { return !math.IsInf(v, 0) }).Draw(t, "value") + 0, // no −0
			Flag: rapid.SampledFrom([]quantity.Flag{quantity.Pass, quantity.NotEvaluated, quantity.Suspect, quantity.Fail,
				quantity.Missing}).Draw(t, "flag"),
		}
		if row.Flag.Usable() { // only what failed may be impossible
			row.Value = max(row.Value, minOf(p.Quantity))
		}
		if row.Flag == quantity.Missing && rapid.Bool().Draw(t, "empty") {
			row.Value = math.NaN()
		}
		index, found := seen[p]
		if !found {
			index = int32(len(file.Points))
			seen[p] = index
			file.Points = append(file.Points, p)
		}
		row.Point = index
		file.Rows = append(file.Rows, row)
	}
	return file
}

// write writes a whole file.
func write(w io.Writer, f *File) error {
	out := NewWriter(w)
	for _, row := range f.Rows {
		if err := out.Row(row.At, f.Points[row.Point], row.Value, row.Flag); err != nil {
			return err
		}
	}
	return out.Flush()
}

func TestWhatIsWrittenReadsBackTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		file := drawFile(t)
		var text bytes.Buffer
		if err := write(&text, file); err != nil {
			t.Fatal(err)
		}
		again, err := Read("written.csv", &text)
		if err != nil {
			t.Fatal(err)
		}
		if diff := difference(file, again); diff != "" {
			t.Fatal(diff)
		}
	})
}

// difference compares two files; NaN equals NaN.
func difference(a, b *File) string {
	if !slices.Equal(a.Points, b.Points) {
		return fmt.Sprintf("points %v became %v", a.Points, b.Points)
	}
	if len(a.Rows) != len(b.Rows) {
		return fmt.Sprintf("%d rows became %d", len(a.Rows), len(b.Rows))
	}
	for i, x := range a.Rows {
		y := b.Rows[i]
		sameValue := x.Value == y.Value || math.IsNaN(x.Value) && math.IsNaN(y.Value)
		if x.At != y.At || x.Point != y.Point || x.Flag != y.Flag || !sameValue {
			return fmt.Sprintf("row %d: %+v became %+v", i, x, y)
		}
	}
	return ""
}

func TestWriteGolden(t *testing.T) {
	var text bytes.Buffer
	require.NoError(t, write(&text, &File{
		Points: []quantity.Point{point(t, "tub-1/water-temperature"), point(t, "loft/relative-humidity")},
		Rows: []Row{
			{at(t, "2026-07-01T13:30:00Z"), 22.4375, 0, quantity.Pass, false},
			{at(t, "2026-07-01T13:30:00.5Z"), 81.2, 1, quantity.Suspect, false},
			{at(t, "2026-07-01T13:30:10Z"), math.NaN(), 0, quantity.Missing, false},
		},
	}))
	assert.Equal(t, `time,point,value,unit,flag
2026-07-01T13:30:00Z,tub-1/water-temperature,22.4375,Cel,1
2026-07-01T13:30:00.5Z,loft/relative-humidity,81.2,%RH,3
2026-07-01T13:30:10Z,tub-1/water-temperature,,Cel,9
`, text.String())

	text.Reset()
	require.NoError(t, write(&text, &File{}))
	assert.Equal(t, "time,point,value,unit,flag\n", text.String())
}

func TestWriteRefusesWhatCouldNotBeReadAgain(t *testing.T) {
	water := point(t, "tub-1/water-temperature")
	good := Row{at(t, "2026-07-01T13:30:00Z"), 22, 0, quantity.Pass, false}
	for name, c := range map[string]struct {
		change func(*Row)
		points []quantity.Point
		want   string
	}{
		"a time too early":     {func(r *Row) { r.At = instant.None }, nil, "outside the years 1700 to 2200"},
		"no flag":              {func(r *Row) { r.Flag = 0 }, nil, "flag 0 is no quality flag"},
		"NaN that passes":      {func(r *Row) { r.Value = math.NaN() }, nil, "its value NaN is no number"},
		"infinity":             {func(r *Row) { r.Value = math.Inf(1) }, nil, "its value +Inf is no number"},
		"missing infinity":     {func(r *Row) { r.Value, r.Flag = math.Inf(1), quantity.Missing }, nil, "its value +Inf is no number"},
		"no quantity":          {func(*Row) {}, []quantity.Point{{Place: "tub-1"}}, `unknown quantity "none"`},
		"a comma in the place": {func(*Row) {}, []quantity.Point{{Place: "a,b", Quantity: quantity.Pressure}}, "use the letters"},
	} {
		t.Run(name, func(t *testing.T) {
			row, points := good, []quantity.Point{water}
			c.change(&row)
			if c.points != nil {
				points = c.points
			}
			assert.ErrorContains(t, write(io.Discard, &File{Points: points, Rows: []Row{row}}), c.want)
		})
	}
	full := errors.New("no space left")
	assert.ErrorIs(t, write(failingWriter{full}, &File{Points: []quantity.Point{water}, Rows: []Row{good}}), full)
}

type failingWriter struct{ err error }

func (w failingWriter) Write([]byte) (int, error) { return 0, w.err }

// readSlowly is a second, plain reader: encoding/csv and package time. It takes more than Read does.
func readSlowly(text []byte) (*File, error) {
	reader := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(text, []byte("\ufeff"))))
	records, err := reader.ReadAll()
	if err != nil {
		return nil, err
	}
	file := &File{}
	for _, record := range records[1:] {
		at, err := instant.Parse(record[0])
		if err != nil {
			return nil, err
		}
		p, err := quantity.ParsePoint(record[1])
		if err != nil {
			return nil, err
		}
		unit, err := quantity.ParseUnit(record[3])
		if err != nil {
			return nil, err
		}
		if unit, err = unit.For(p.Quantity); err != nil {
			return nil, err
		}
		row := Row{At: at, Value: math.NaN(), Flag: quantity.Pass}
		if record[2] != "" {
			value, err := strconv.ParseFloat(record[2], 64)
			if err != nil {
				return nil, err
			}
			row.Value = unit.ToCanonical(value)
		}
		if len(record) == 5 {
			flag, err := strconv.Atoi(record[4])
			if err != nil {
				return nil, err
			}
			row.Flag = quantity.Flag(flag)
		}
		index := slices.Index(file.Points, p)
		if index < 0 {
			index = len(file.Points)
			file.Points = append(file.Points, p)
		}
		row.Point = int32(index)
		file.Rows = append(file.Rows, row)
	}
	file.sort()
	return file, nil
}

// FuzzRead holds three laws: with an error there is no file; what is taken, encoding/csv and package time understand
// the same way; and what is taken reads back the same after being written.
func FuzzRead(f *testing.F) {
	f.Add([]byte("time,point,value,unit\n2026-07-01T13:30:00Z,tub-1/water-temperature,22.4375,Cel\n"))
	f.Add([]byte("\ufefftime,point,value,unit,flag\r\n2026-07-01T13:30:00.25+01:00,loft/relative-humidity,\"81.2\",%RH,3\r\n"))
	f.Add([]byte("time,point,value,unit,flag\n2026-07-01T13:30:10Z,tub-1/condensation-margin,,degF,9\n\n2026-07-01T13:30:00Z,tub-1/condensation-margin,-0,degF,4"))
	f.Add([]byte("time,point,value,unit\n2200-12-31T23:59:59-23:59,a/pressure,1e307,kPa\n"))
	f.Add([]byte("time,point,value,unit\n\"2026-07-01T13:30:00Z\n\",a/pressure,1,Pa\n"))
	f.Add([]byte("time;point\r\x00"))
	f.Fuzz(func(t *testing.T, text []byte) {
		file, err := Read("fuzz.csv", bytes.NewReader(text))
		if err != nil {
			require.Nil(t, file)
			require.NotEmpty(t, err.Error())
			return
		}
		slow, err := readSlowly(text)
		require.NoError(t, err)
		require.Empty(t, difference(slow, file))

		var written bytes.Buffer
		require.NoError(t, write(&written, file))
		again, err := Read("written.csv", bytes.NewReader(written.Bytes()))
		require.NoError(t, err)
		require.Empty(t, difference(file, again))
	})
}

// year returns invented readings of three points, one each 10 s.
func year(rows int) []byte {
	text := []byte("time,point,value,unit\n")
	names := []string{"tub-1/water-temperature", "loft/air-temperature", "loft/relative-humidity"}
	units := []string{"Cel", "degF", "%RH"}
	start := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	for i := range rows {
		text = start.Add(time.Duration(i/3)*10*time.Second).AppendFormat(text, time.RFC3339)
		text = append(text, ',')
		text = append(text, names[i%3]...)
		text = append(text, ',')
		text = strconv.AppendFloat(text, 70+float64(i%1000)/100, 'f', 2, 64)
		text = append(text, ',')
		text = append(text, units[i%3]...)
		text = append(text, '\n')
	}
	return text
}

// The reading of a row must cost no allocation of its own: a year of readings of a room is tens of millions of rows.
func TestReadAllocatesNothingForARow(t *testing.T) {
	allocations := func(rows int) float64 {
		text := year(rows)
		return testing.AllocsPerRun(3, func() {
			_, err := Read("year.csv", bytes.NewReader(text))
			require.NoError(t, err)
		})
	}
	assert.Less(t, allocations(20000)-allocations(2000), 50.0, "beyond the growth of the slice of rows")
}

func TestReadManyRows(t *testing.T) {
	file, err := Read("year.csv", bytes.NewReader(year(30000)))
	require.NoError(t, err)
	assert.Len(t, file.Rows, 30000)
	assert.Len(t, file.Points, 3)
	assert.Equal(t, Row{at(t, "2026-01-01T00:00:10Z"), quantity.Fahrenheit.ToCanonical(70.04), 1, quantity.Pass, true}, file.Rows[4])
}

func BenchmarkRead(b *testing.B) {
	const rows = 300000
	sorted := year(rows)
	lines := bytes.SplitAfter(sorted, []byte("\n"))
	byPoint := slices.Clone(lines[0])
	for first := 1; first <= 3; first++ {
		for i := first; i < len(lines); i += 3 {
			byPoint = append(byPoint, lines[i]...)
		}
	}
	for name, text := range map[string][]byte{"sorted": sorted, "one point after the other": byPoint} {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(text)))
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Read("year.csv", bytes.NewReader(text)); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(rows)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
		})
	}
}

func BenchmarkWrite(b *testing.B) {
	file, err := Read("year.csv", bytes.NewReader(year(300000)))
	require.NoError(b, err)
	b.ReportAllocs()
	for b.Loop() {
		if err := write(io.Discard, file); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(file.Rows))*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}

func ExampleRead() {
	file, err := Read("readings.csv", strings.NewReader(
		"time,point,value,unit\n2026-07-01T13:30:00Z,tub-1/water-temperature,72.5,degF\n"))
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, row := range file.Rows {
		fmt.Printf("%s %s %.2f\n", row.At, file.Points[row.Point], row.Value)
	}
	if err := write(os.Stdout, file); err != nil {
		fmt.Println(err)
	}
	// Output:
	// 2026-07-01T13:30:00.000Z tub-1/water-temperature 22.50
	// time,point,value,unit,flag
	// 2026-07-01T13:30:00Z,tub-1/water-temperature,22.5,Cel,1
}

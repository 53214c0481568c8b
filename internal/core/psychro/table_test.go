package psychro

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// The reference data lie in the folder testdata/reference at the top; its README gives the source of every column
// and the tolerances used here.
const referenceFolder = "../../../testdata/reference"

// row is one line of a reference file.
type row struct {
	t     *testing.T
	label string // file and line, for messages
	cells map[string]string
}

// table reads a reference file and requires that it has exactly the rows that its README lists.
func table(t *testing.T, name string, rows int) []row {
	t.Helper()
	file, err := os.Open(filepath.Join(referenceFolder, name))
	require.NoError(t, err)
	defer file.Close()
	records, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	require.Len(t, records, rows+1, "%s: the README of the reference data lists %d rows", name, rows)
	var all []row
	for i, record := range records[1:] {
		cells := map[string]string{}
		for j, column := range records[0] {
			cells[column] = record[j]
		}
		all = append(all, row{t, name + ":" + strconv.Itoa(i+2), cells})
	}
	return all
}

// text returns a cell.
func (r row) text(column string) string {
	r.t.Helper()
	cell, found := r.cells[column]
	require.True(r.t, found, "%s: no column %q", r.label, column)
	return cell
}

// has reports whether a cell is filled.
func (r row) has(column string) bool { return r.text(column) != "" }

// number returns a cell that must be filled.
func (r row) number(column string) float64 {
	r.t.Helper()
	value, err := strconv.ParseFloat(r.text(column), 64)
	require.NoError(r.t, err, "%s: column %q", r.label, column)
	return value
}

// dewPointOf is the dew point of [Derive] alone.
func dewPointOf(celsius, percentRH float64) float64 {
	dewPoint, _, _ := Derive(celsius, percentRH)
	return dewPoint
}

// vapourPressure is the partial pressure of water vapour in pascal, from the definition of relative humidity.
func vapourPressure(celsius, percentRH float64) float64 {
	return percentRH / 100 * SaturationPressureWater(celsius)
}

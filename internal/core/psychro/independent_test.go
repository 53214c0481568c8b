package psychro

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// ask puts questions to the independent libraries behind testdata/reference/independent.py. The interpreter is the
// distribution's own, which sees the packages of the distribution; DEWLINE_PYTHON names another one.
func ask(t *testing.T, questions []string) []float64 {
	t.Helper()
	python := os.Getenv("DEWLINE_PYTHON")
	if python == "" {
		python = "/usr/bin/python3"
	}
	command := exec.CommandContext(t.Context(), python, filepath.Join(referenceFolder, "independent.py"))
	command.Stdin = strings.NewReader(strings.Join(questions, "\n") + "\n")
	var answers, complaint bytes.Buffer
	command.Stdout, command.Stderr = &answers, &complaint
	err := command.Run()
	require.NoError(t, err, "the cross-check needs the Debian packages python3-iapws and python3-gsw "+
		"(apt-get install -y --no-install-recommends python3-iapws python3-gsw): %s", complaint.String())
	var numbers []float64
	for line := range strings.Lines(answers.String()) {
		number, err := strconv.ParseFloat(strings.TrimSpace(line), 64)
		require.NoError(t, err)
		numbers = append(numbers, number)
	}
	require.Len(t, numbers, len(questions))
	return numbers
}

// Sources: IAPWS-95 by the library iapws, Garcia & Gordon 1992 by the library gsw, at
// temperatures that stand in no file.
func TestIndependentLibraries(t *testing.T) {
	var questions []string
	var checks []func(answer float64)
	check := func(question string, value float64, compare func(answer float64)) {
		questions = append(questions, fmt.Sprintf("%s,%v", question, value))
		checks = append(checks, compare)
	}

	for celsius := 0.37; celsius <= 60; celsius += 1.37 {
		check("water-pressure", celsius, func(answer float64) {
			assert.InEpsilon(t, answer, SaturationPressureWater(celsius), waterError(celsius), "%g °C", celsius)
		})
		// The inverse is asked for our own pressure, so that this tests pressure and inversion together.
		pascal := SaturationPressureWater(celsius)
		check("water-temperature", pascal, func(answer float64) {
			kelvin, _ := water.temperature(math.Log(pascal))
			assert.InDelta(t, answer, kelvin-zeroCelsius, dewPointError(answer), "%g Pa", pascal)
		})
	}
	for celsius := 0.4; celsius <= 40; celsius += 0.9 {
		check("oxygen", celsius, func(answer float64) {
			assert.InEpsilon(t, answer, OxygenSaturation(celsius, standardAtmosphere), 0.06e-2, "%g °C", celsius)
		})
	}
	for i, answer := range ask(t, questions) {
		checks[i](answer)
	}
}

// The largest error of our dew point in formula_errors.csv, found again where it is said to lie. Sources: IAPWS-95 by the
// library iapws; Murphy & Koop 2005 for the dew point below 0 °C.
func TestLargestDewPointErrorIsAsDocumented(t *testing.T) {
	var errors row
	for _, r := range table(t, "formula_errors.csv", 27) {
		if r.text("formula") == "Sonntag 1990 reference" && r.text("phase") == "water" {
			errors = r
		}
	}
	require.NotEmpty(t, errors.cells)

	warm, warmPercent := errors.number("at_air_temperature_celsius"), errors.number("at_relative_humidity_percent")
	cold, coldPercent := errors.number("at_air_temperature_celsius_2"), errors.number("at_relative_humidity_percent_2")
	saturation := ask(t, []string{fmt.Sprintf("water-pressure,%v", warm), fmt.Sprintf("water-pressure,%v", cold)})
	reference := ask(t, []string{fmt.Sprintf("water-temperature,%v", saturation[0]*warmPercent/100)})
	assert.InDelta(t, errors.number("largest_dew_point_error_kelvin"), dewPointOf(warm, warmPercent)-reference[0], 6e-6)

	low, high, ln := -40.0, 0.0, math.Log(saturation[1]*coldPercent/100)
	for range 60 {
		if middle := (low + high) / 2; murphyKoop(middle+zeroCelsius) < ln {
			low = middle
		} else {
			high = middle
		}
	}
	assert.InDelta(t, errors.number("largest_error_for_dew_point_minus20_to_0_kelvin"), dewPointOf(cold, coldPercent)-low, 6e-6)
}

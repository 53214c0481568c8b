package replay_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/replay"
	"dewline/internal/source/recorded"
)

var update = flag.Bool("rewrite", false, "rewrite the golden files; read them in the diff")

// document is the form that replay --json has promised; a member more is an error.
type document struct {
	Site   string    `json:"site"`
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	Points []struct {
		Point            string             `json:"point"`
		Unit             string             `json:"unit"`
		Seconds          map[string]float64 `json:"seconds"`
		Min              *float64           `json:"min"`
		Max              *float64           `json:"max"`
		Mean             *float64           `json:"mean"`
		DegreeHoursAbove float64            `json:"degree_hours_above"`
		DegreeHoursBelow float64            `json:"degree_hours_below"`
		LongestExcursion float64            `json:"longest_excursion_s"`
		Excursions       []excursion        `json:"excursions"`
	} `json:"points"`
	Alarms []alarm `json:"alarms"`
}

type excursion struct {
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
	Side     string    `json:"side"`
	Extreme  float64   `json:"extreme"`
	UnknownS float64   `json:"unknown_s"`
}

type alarm struct {
	Alarm    string     `json:"alarm"`
	Priority string     `json:"priority"`
	Since    time.Time  `json:"since"`
	Raised   time.Time  `json:"raised"`
	Cleared  *time.Time `json:"cleared"`
	Extreme  *float64   `json:"extreme"`
}

func load(t testing.TB, yaml string) *config.Site {
	t.Helper()
	site, problems := config.LoadFS(fstest.MapFS{"site.yaml": {Data: []byte(yaml)}}, "site.yaml")
	require.NoError(t, problems.Err())
	return site
}

func read(t require.TestingT, csv string) *recorded.File {
	file, err := recorded.Read("readings.csv", strings.NewReader(csv))
	require.NoError(t, err)
	return file
}

// run goes the whole way: a configuration and a readings file in, the JSON document out.
func run(t testing.TB, yaml, csv string, options replay.Options) (*replay.Result, document) {
	t.Helper()
	result, err := replay.Run(assemble.Site(load(t, yaml)), read(t, csv), options)
	require.NoError(t, err)
	data, err := json.Marshal(result)
	require.NoError(t, err)
	var doc document
	decoder := json.NewDecoder(bytes.NewReader(data))
	decoder.DisallowUnknownFields()
	require.NoError(t, decoder.Decode(&doc), "%s", data)
	return result, doc
}

// began is the time 0 of the vectors.
var began = time.Date(2026, 7, 6, 12, 0, 0, 0, time.UTC)

func at(seconds float64) time.Time {
	return began.Add(time.Duration(math.Round(seconds*1000)) * time.Millisecond)
}

// tub is a site with one tub, whose water has the band, and a probe with the gap.
func tub(band string, gap time.Duration) string {
	return fmt.Sprintf(`
site: north-loft
timezone: Europe/Lisbon
places:
  - {id: tub-1, kind: enclosure, bands: {water-temperature: {%s}}}
sensors:
  - {id: tub-1-probe, driver: w1, address: 28-0316a2794bff, every: 10s, gap: %ds, feeds: {temperature: tub-1/water-temperature}}
`, band, int(gap.Seconds()))
}

const header = "time,point,value,unit\n"

// rows writes readings of the tub's water, alternating seconds after the beginning and values.
func rows(pairs ...float64) string {
	var b strings.Builder
	for i := 0; i < len(pairs); i += 2 {
		fmt.Fprintf(&b, "%s,tub-1/water-temperature,%v,Cel\n", at(pairs[i]).Format(time.RFC3339Nano), pairs[i+1])
	}
	return b.String()
}

// every writes values at even spacing.
func every(step float64, values ...float64) string {
	var pairs []float64
	for i, v := range values {
		pairs = append(pairs, float64(i)*step, v)
	}
	return rows(pairs...)
}

// steps writes values that are constant for some hours each, with a reading every ten minutes and two at each step.
func steps(hoursAndValues ...float64) string {
	var pairs []float64
	start := 0.0
	for i := 0; i < len(hoursAndValues); i += 2 {
		end := start + hoursAndValues[i]*3600
		for s := start; s < end-1; s += 600 {
			pairs = append(pairs, s, hoursAndValues[i+1])
		}
		pairs = append(pairs, end, hoursAndValues[i+1])
		start = end
	}
	return rows(pairs...)
}

func zones(inBand, below, above, unknown float64) map[string]float64 {
	return map[string]float64{
		"critical-low": 0, "low": below, "in-band": inBand, "high": above, "critical-high": 0, "no-band": 0, "unknown": unknown,
	}
}

// The worked vectors of exposure. E1 to E3 are done on paper; W1 to W3 are rules of the cold chain (W1 and W2: WHO,
// Step-by-step interpretation of 10-day devices, 2007; W3: practice of 30-day refrigerator loggers), as far as they apply:
// there the threshold itself counts as outside, in dewline it is in band, so W1 to W3 use values beyond it; and dewline
// has no alarm on the cumulative time, so of W1 and W3 the total is what is compared.
func TestExposureVectors(t *testing.T) {
	for _, test := range []struct {
		name          string
		band          string
		gap           time.Duration
		readings      string
		seconds       map[string]float64
		above, below  float64 // K·h
		longest       float64
		excursions    []excursion
		limitsRaised  int
		min, max      float64
		mean          float64 // NaN where the vector does not give it
		staleExpected bool
	}{
		{
			name: "E1", band: "low: 22 degC, high: 26.5 degC", gap: 10 * time.Minute,
			readings: every(600, 24, 26, 28, 26, 24),
			seconds:  zones(1500, 0, 900, 0), above: 0.1875, longest: 900,
			excursions:   []excursion{{at(750), at(1650), "high", 28, 0}},
			limitsRaised: 0, // on-delay 10 min: at 1200 s only 450 s have passed, at 1800 s it is over
			min:          24, max: 28, mean: 26,
		},
		{
			name: "E2", band: "low: 22 degC, high: 26 degC", gap: 30 * time.Minute,
			readings: rows(0, 24, 600, 28, 3600, 28, 4200, 24),
			seconds:  zones(600, 0, 600, 3000), above: 1. / 6, longest: 3600,
			excursions: []excursion{{at(300), at(3900), "high", 28, 3000}},
			min:        24, max: 28, mean: 26, staleExpected: true,
		},
		{
			name: "E3", band: "low: 22 degC, high: 26 degC", gap: 10 * time.Minute,
			readings: every(300, 21, 23, 21),
			seconds:  zones(300, 300, 0, 0), below: 1. / 24, longest: 150,
			excursions: []excursion{{at(0), at(150), "low", 21, 0}, {at(450), at(600), "low", 21, 0}},
			min:        21, max: 23, mean: 22,
		},
		{
			name: "W1", band: "high: 30 degC, on-delay: 10h, priority: medium", gap: time.Hour,
			readings: steps(9, 31, 1, 25, 2, 31),
			seconds:  zones(3600, 0, 11*3600, 0), above: 11, longest: 9 * 3600,
			excursions: []excursion{
				{at(0), at(9 * 3600), "high", 31, 0}, {at(10 * 3600), at(12 * 3600), "high", 31, 0},
			},
			min: 25, max: 31, mean: 30.5,
		},
		{
			name: "W2", band: "low: -0.5 degC, on-delay: 1h", gap: time.Hour,
			readings: steps(59./60, -0.6, 1./60, 0.5, 59./60, -0.6),
			seconds:  zones(60, 118*60, 0, 0), below: 0.1 * 118 / 60, longest: 59 * 60,
			excursions: []excursion{{at(0), at(59 * 60), "low", -0.6, 0}, {at(60 * 60), at(119 * 60), "low", -0.6, 0}},
			min:        -0.6, max: 0.5, mean: math.NaN(),
		},
		{
			name: "W3", band: "high: 8 degC, on-delay: 10h, priority: medium", gap: time.Hour,
			readings: steps(9+50./60, 8.5, 10./60, 7.9, 9+50./60, 8.5),
			seconds:  zones(600, 0, 19*3600+40*60, 0), above: 0.5 * (19 + 40./60), longest: 9*3600 + 50*60,
			excursions: []excursion{
				{at(0), at(9*3600 + 50*60), "high", 8.5, 0}, {at(10 * 3600), at(19*3600 + 50*60), "high", 8.5, 0},
			},
			min: 7.9, max: 8.5, mean: math.NaN(),
		},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, doc := run(t, tub(test.band, test.gap), header+test.readings, replay.Options{})
			require.Len(t, doc.Points, 1)
			p := doc.Points[0]
			assert.Equal(t, "tub-1/water-temperature", p.Point)
			assert.Equal(t, "Cel", p.Unit)
			assert.Equal(t, test.seconds, p.Seconds)
			assert.InDelta(t, test.above, p.DegreeHoursAbove, 1e-8)
			assert.InDelta(t, test.below, p.DegreeHoursBelow, 1e-8)
			assert.Equal(t, test.longest, p.LongestExcursion)
			assert.Equal(t, test.excursions, p.Excursions)
			assert.Equal(t, test.min, *p.Min)
			assert.Equal(t, test.max, *p.Max)
			if !math.IsNaN(test.mean) {
				assert.InDelta(t, test.mean, *p.Mean, 1e-8)
			}
			raised := map[bool]int{}
			for _, a := range doc.Alarms {
				raised[strings.HasSuffix(a.Alarm, "/stale")]++
			}
			assert.Equal(t, test.limitsRaised, raised[false], "%+v", doc.Alarms)
			assert.Equal(t, test.staleExpected, raised[true] == 1, "%+v", doc.Alarms)
		})
	}
}

// The alarm vector: high 26.0, deadband 0.5 K, both delays 600 s, a reading every 300 s. Done on paper.
func TestAlarmVector(t *testing.T) {
	_, doc := run(t, tub("high: 26 degC, deadband: 0.5 K, on-delay: 600s, off-delay: 600s", 5*time.Minute),
		header+every(300, 25.0, 25.5, 26.5, 27.0, 27.0, 26.8, 26.0, 25.4, 25.2, 25.2, 25.0), replay.Options{})
	cleared := at(2700)
	extreme := 27.0
	assert.Equal(t, []alarm{{
		Alarm: "tub-1/water-temperature/high", Priority: "high",
		Since: at(450), Raised: at(1200), Cleared: &cleared, Extreme: &extreme,
	}}, doc.Alarms)
}

// An alarm that is still active at the end has no time at which it was cleared.
func TestActiveAlarmIsNotCleared(t *testing.T) {
	yaml := tub("high: 26 degC, deadband: 0.5 K, on-delay: 600s, off-delay: 600s", 5*time.Minute)
	csv := header + every(300, 25.0, 25.5, 26.5, 27.0, 27.0, 26.8, 28.0, 25.4, 25.2, 25.2, 25.0)
	for name, test := range map[string]struct {
		to      float64
		extreme float64
	}{
		"before the off-delay has passed": {2699, 28},
		"at a reading":                    {1500, 27},
		// The line between two readings says where the value stood, and only a reading how far it went.
		"between two readings": {1799, 27},
	} {
		t.Run(name, func(t *testing.T) {
			result, doc := run(t, yaml, csv, replay.Options{To: instant.Of(at(test.to))})
			require.Len(t, doc.Alarms, 1)
			assert.Nil(t, doc.Alarms[0].Cleared)
			assert.Equal(t, at(1200), doc.Alarms[0].Raised)
			assert.Equal(t, test.extreme, *doc.Alarms[0].Extreme, "nothing that came after the range")
			data, err := json.Marshal(result.Alarms[0])
			require.NoError(t, err)
			assert.Contains(t, string(data), `"cleared":null`)
		})
	}
	_, doc := run(t, yaml, csv, replay.Options{To: instant.Of(at(1199))})
	assert.Empty(t, doc.Alarms, "it is raised by the reading at 1200 s")
	_, doc = run(t, yaml, csv, replay.Options{From: instant.Of(at(2701))})
	assert.Empty(t, doc.Alarms, "it was over before the range began")
	_, doc = run(t, yaml, csv, replay.Options{From: instant.Of(at(2650))})
	assert.Len(t, doc.Alarms, 1, "it was active when the range began")
}

// Mean kinetic temperature, USP <1160>, ΔH = 83.144 kJ/mol, piecewise constant; computed for the formula as published.
func TestMeanKineticTemperatureVectors(t *testing.T) {
	for name, test := range map[string]struct {
		readings string
		want     float64
	}{
		"M1": {steps(1, 20, 1, 30), 26.260},
		"M2": {steps(1, 22, 1, 28), 25.468},
		"M3": {steps(1, 18, 1, 22, 1, 26), 22.566},
		"M4": {steps(23, 24, 1, 32), 24.507},
		"M5": {steps(18, 5, 6, 15), 8.786},
		"M6": {steps(708, 23, 12, 40), 23.738},
	} {
		t.Run(name, func(t *testing.T) {
			result, _ := run(t, tub("high: 50 degC", time.Hour), header+test.readings, replay.Options{})
			assert.InDelta(t, test.want, result.Points[0].Ledger.MeanKineticCelsius(), 0.0005)
		})
	}
}

// Readings that failed or are missing are no readings, and what they say changes nothing.
func TestUnusableReadingsAreIgnored(t *testing.T) {
	yaml := tub("low: 22 degC, high: 26.5 degC, on-delay: 1m, off-delay: 1m", 10*time.Minute)
	clean := "time,point,value,unit,flag\n" + strings.ReplaceAll(every(600, 24, 26, 28, 26, 24), "Cel\n", "Cel,1\n")
	dirty := clean +
		at(300).Format(time.RFC3339) + ",tub-1/water-temperature,85,Cel,4\n" +
		at(900).Format(time.RFC3339) + ",tub-1/water-temperature,,Cel,9\n" +
		at(1500).Format(time.RFC3339) + ",tub-1/water-temperature,-127,Cel,9\n"
	want, doc := run(t, yaml, clean, replay.Options{})
	got, _ := run(t, yaml, dirty, replay.Options{})
	assert.Equal(t, asJSON(t, want), asJSON(t, got))
	assert.Equal(t, 28.0, *doc.Points[0].Max)

	// A file of nothing else is unknown from its first row to its last.
	_, doc = run(t, yaml, header[:len(header)-1]+",flag\n"+
		at(0).Format(time.RFC3339)+",tub-1/water-temperature,,Cel,9\n"+
		at(60).Format(time.RFC3339)+",tub-1/water-temperature,85,Cel,4\n", replay.Options{})
	assert.Equal(t, zones(0, 0, 0, 60), doc.Points[0].Seconds)
	assert.Nil(t, doc.Points[0].Min)
	assert.Nil(t, doc.Points[0].Mean)
}

// Flags 2 and 3 are usable.
func TestSuspectReadingsCount(t *testing.T) {
	yaml := tub("low: 22 degC, high: 26.5 degC", 10*time.Minute)
	plain := every(600, 24, 26, 28, 26, 24)
	want, _ := run(t, yaml, header+plain, replay.Options{})
	for _, flag := range []string{"1", "2", "3"} {
		csv := "time,point,value,unit,flag\n" + strings.ReplaceAll(plain, "Cel\n", "Cel,"+flag+"\n")
		got, _ := run(t, yaml, csv, replay.Options{})
		assert.Equal(t, asJSON(t, want), asJSON(t, got), "flag %s", flag)
	}
}

// Points that are derived appear wherever their inputs do, under a configuration without any sensor.
func TestDerivedPointsAppear(t *testing.T) {
	yaml := `
site: north-loft
timezone: Europe/Lisbon
places:
  - {id: loft, kind: room}
  - {id: vivarium-1, kind: enclosure, in: loft, bands: {dew-point: {low: 10 degC}}}
  - {id: tub-1, kind: enclosure, in: loft}
`
	var csv strings.Builder
	csv.WriteString(header)
	for s := 0.0; s <= 600; s += 60 {
		when := at(s).Format(time.RFC3339)
		for _, row := range []string{
			"loft/pressure,1013.25,hPa", "tub-1/water-temperature,20,Cel", "vivarium-1/air-temperature,24,Cel",
			"vivarium-1/relative-humidity,50,%RH", "vivarium-1/surface-temperature,16,Cel",
		} {
			csv.WriteString(when + "," + row + "\n")
		}
	}
	_, doc := run(t, yaml, csv.String(), replay.Options{})
	var order []string
	means := map[string]float64{}
	for _, p := range doc.Points {
		order = append(order, p.Point)
		means[p.Point] = *p.Mean
		assert.Equal(t, 600.0, total(p.Seconds), p.Point)
		assert.Zero(t, p.Seconds["unknown"], p.Point)
	}
	assert.Equal(t, []string{
		"loft/pressure",
		"vivarium-1/air-temperature", "vivarium-1/surface-temperature", "vivarium-1/relative-humidity", "vivarium-1/dew-point",
		"vivarium-1/vapour-pressure-deficit", "vivarium-1/absolute-humidity", "vivarium-1/condensation-margin",
		"tub-1/water-temperature", "tub-1/oxygen-saturation",
	}, order, "places in the order of the configuration, rooms first; quantities in the order of the list")
	// 24 °C and 50 % by IAPWS-95, testdata/reference/moist_air_states.csv; oxygen at 20 °C and 1 atm by
	// Benson and Krause 1984, testdata/reference/oxygen_saturation_fresh_water.csv.
	assert.InDelta(t, 12.94690, means["vivarium-1/dew-point"], 0.002)
	assert.InEpsilon(t, 1492.899, means["vivarium-1/vapour-pressure-deficit"], 0.0002)
	assert.InDelta(t, 16-12.94690, means["vivarium-1/condensation-margin"], 0.002)
	assert.InDelta(t, 9.0924e-3, means["tub-1/oxygen-saturation"], 0.01e-3)
}

func total(seconds map[string]float64) float64 {
	sum := int64(0)
	for _, s := range seconds {
		sum += int64(math.Round(s * 1000))
	}
	return float64(sum) / 1000
}

// On the days on which the clocks change a day has 23 or 25 hours, and the night is an hour shorter or longer.
func TestDaysOfAClockChange(t *testing.T) {
	yaml := `
site: north-loft
timezone: Europe/Lisbon
light: {day: "07:00-19:00"}
places:
  - {id: tub-1, kind: enclosure, bands: {water-temperature: {high: 25 degC, night: {high: 23 degC}}}}
`
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	for _, test := range []struct {
		day   time.Time
		hours float64
	}{
		{time.Date(2026, 3, 28, 0, 0, 0, 0, lisbon), 24},
		{time.Date(2026, 3, 29, 0, 0, 0, 0, lisbon), 23},
		{time.Date(2026, 10, 25, 0, 0, 0, 0, lisbon), 25},
	} {
		csv := strings.Builder{}
		csv.WriteString(header)
		end := test.day.AddDate(0, 0, 1)
		for at := test.day.Add(-time.Hour); !at.After(end.Add(time.Hour)); at = at.Add(time.Minute) {
			fmt.Fprintf(&csv, "%s,tub-1/water-temperature,24,Cel\n", at.Format(time.RFC3339))
		}
		_, doc := run(t, yaml, csv.String(), replay.Options{From: instant.Of(test.day), To: instant.Of(end)})
		assert.Equal(t, zones(12*3600, 0, (test.hours-12)*3600, 0), doc.Points[0].Seconds, "%s", test.day)
	}
}

// A configuration that is being built up, with a sensor for one tub and bands for more: the file feeds what no sensor does.
func TestBandsThatNoSensorFeeds(t *testing.T) {
	path := filepath.Join(t.TempDir(), "site.yaml")
	require.NoError(t, os.WriteFile(path, []byte(`
site: north-loft
places:
  - {id: loft, kind: room, bands: {air-temperature: {high: 26 degC, on-delay: 2m}}}
  - {id: tub-1, kind: enclosure, in: loft, bands: {water-temperature: {high: 24 degC}}}
sensors:
  - {id: tub-1-probe, driver: w1, address: 28-0316a2794bff, every: 10s, feeds: {temperature: tub-1/water-temperature}}
`), 0o644))
	site, problems := config.LoadForReplay(path)
	require.NoError(t, problems.Err())
	csv := strings.ReplaceAll(every(60, 27, 27, 27, 27), "tub-1/water-temperature", "loft/air-temperature")
	result, err := replay.Run(assemble.Site(site), read(t, header+csv), replay.Options{})
	require.NoError(t, err)
	require.Len(t, result.Points, 2)
	assert.Equal(t, "loft/air-temperature", result.Points[0].Point.String())
	assert.Equal(t, int64(180_000), result.Points[0].Seconds[watch.HighZone])
	assert.Equal(t, int64(180_000), result.Points[1].Seconds[watch.UnknownZone], "a point without readings is unknown, not fine")
	require.NotEmpty(t, result.Alarms)
	assert.Equal(t, "loft/air-temperature/high", result.Alarms[0].Alarm)
}

func TestRunRefuses(t *testing.T) {
	site := assemble.Site(load(t, tub("high: 26 degC", time.Minute)))
	_, err := replay.Run(site, read(t, header), replay.Options{})
	require.EqualError(t, err, "there are no readings to replay")
	_, err = replay.Run(site, read(t, header+every(60, 24, 24)), replay.Options{From: instant.Of(at(60)), To: instant.Of(at(59))})
	require.EqualError(t, err, "the range ends (2026-07-06T12:00:59.000Z) before it begins (2026-07-06T12:01:00.000Z)")
}

// Replaying reads the rows it was given and leaves them as they are, so that one file serves for several ranges.
func TestRunLeavesTheFileAlone(t *testing.T) {
	file := read(t, header+rows(0, 24)+at(0).Format(time.RFC3339)+",loft/air-temperature,24,Cel\n")
	before := fmt.Sprint(*file)
	_, err := replay.Run(assemble.Site(load(t, tub("high: 26 degC", time.Minute))), file, replay.Options{})
	require.NoError(t, err)
	assert.Equal(t, before, fmt.Sprint(*file))
}

// Times finer than a millisecond are rounded where they are printed, and the zones still add up to what is printed.
func TestSecondsAddUpToThePrintedRange(t *testing.T) {
	for _, ends := range [][2]time.Duration{
		{400 * time.Microsecond, 60*time.Second + 600*time.Microsecond},
		{600 * time.Microsecond, 60*time.Second + 400*time.Microsecond},
		{0, 60*time.Second + 499*time.Microsecond},
		{400 * time.Microsecond, 600 * time.Microsecond},
		{500 * time.Microsecond, 999 * time.Microsecond},
	} {
		first, last := began.Add(ends[0]), began.Add(ends[1])
		csv := fmt.Sprintf("%s%s,tub-1/water-temperature,25,Cel\n%s,tub-1/water-temperature,27,Cel\n", header,
			first.Format(time.RFC3339Nano), last.Format(time.RFC3339Nano))
		_, doc := run(t, tub("high: 26 degC", time.Hour), csv, replay.Options{})
		assert.Equal(t, doc.To.Sub(doc.From).Seconds(), total(doc.Points[0].Seconds), "%v", ends)
	}
}

func TestProgressIsReported(t *testing.T) {
	var values []float64
	for range 250_000 {
		values = append(values, 24)
	}
	var reported []int64
	_, err := replay.Run(assemble.Site(load(t, tub("high: 26 degC", time.Minute))), read(t, header+every(1, values...)), replay.Options{
		Progress: func(done, total int64) {
			assert.EqualValues(t, 250_000, total)
			reported = append(reported, done)
		},
	})
	require.NoError(t, err)
	assert.Equal(t, []int64{100_000, 200_000}, reported)
}

func asJSON(t require.TestingT, r *replay.Result) string {
	data, err := json.MarshalIndent(r, "", "  ")
	require.NoError(t, err)
	return string(data) + "\n"
}

// TestGolden holds the printed forms of a whole replay: a room with its own band, a tub whose cohort becomes a metamorph
// half-way, a vivarium with humidity and night bands, a probe that fell silent, and a place no configuration knows.
func TestGolden(t *testing.T) {
	folder := filepath.Join("testdata", "north-loft")
	site, problems := config.Load(filepath.Join(folder, "site.yaml"))
	require.NoError(t, problems.Err())
	source, err := os.Open(filepath.Join(folder, "readings.csv"))
	require.NoError(t, err)
	defer source.Close()
	file, err := recorded.Read("readings.csv", source)
	require.NoError(t, err)
	result, err := replay.Run(assemble.Site(site), file, replay.Options{})
	require.NoError(t, err)
	golden(t, filepath.Join(folder, "replay.json"), asJSON(t, result))

	var text bytes.Buffer
	require.NoError(t, replay.Print(&text, result, quantity.Celsius, site.Location))
	golden(t, filepath.Join(folder, "celsius.txt"), text.String())
	text.Reset()
	require.NoError(t, replay.Print(&text, result, quantity.Fahrenheit, site.Location))
	golden(t, filepath.Join(folder, "fahrenheit.txt"), text.String())
}

func golden(t *testing.T, path, got string) {
	t.Helper()
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err, "run the test with -rewrite")
	require.Equal(t, string(want), got)
}

// A range that lies between two readings is known by the line between them, and holds no reading to be the least or most.
func TestRangeBetweenTwoReadings(t *testing.T) {
	options := replay.Options{From: instant.Of(at(60)), To: instant.Of(at(120))}
	result, doc := run(t, tub("high: 26 degC", time.Hour), header+rows(0, 25, 600, 29), options)
	assert.Equal(t, zones(60, 0, 0, 0), doc.Points[0].Seconds)
	assert.Nil(t, doc.Points[0].Min)
	assert.InDelta(t, 25.6, *doc.Points[0].Mean, 1e-9)
	var text bytes.Buffer
	require.NoError(t, replay.Print(&text, result, quantity.Celsius, time.UTC))
	assert.Contains(t, text.String(), "mean 25.6 °C, no reading in the range\n")
}

func TestPrintReturnsTheWriteError(t *testing.T) {
	result, _ := run(t, tub("high: 26 degC", time.Hour), header+rows(0, 25, 600, 29), replay.Options{})
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	require.NoError(t, err)
	defer full.Close()
	require.Error(t, replay.Print(full, result, quantity.Celsius, time.UTC))
}

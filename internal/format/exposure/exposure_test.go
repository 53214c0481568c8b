package exposure_test

import (
	"encoding/json"
	"flag"
	"math"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
)

var rewrite = flag.Bool("rewrite", false, "rewrite the golden file; read it in the diff")

const golden = "testdata/exposure.json"

// document is an exposure and the limits that it was judged by, as replay, report and pages show them beside each other.
type document struct {
	Exposure exposure.Exposure `json:"exposure"`
	Empty    exposure.Exposure `json:"empty"`
	Limits   exposure.Limits   `json:"limits"`
}

// invented is the exposure of an invented morning of a tub, and of a range without any reading.
func invented() document {
	begin := instant.Of(time.Date(2026, 7, 6, 6, 0, 0, 0, time.UTC))
	l := watch.Ledger{From: begin, To: begin.Add(4*time.Hour + 1500*time.Microsecond), Readings: 1440, Min: 20.9, Max: 27.0625, Excursions: 2, Longest: 50 * time.Minute}
	l.InZone[watch.InBand] = 2 * time.Hour
	l.InZone[watch.HighZone] = 50 * time.Minute
	l.InZone[watch.CriticalHighZone] = 10*time.Minute + 1500*time.Microsecond
	l.InZone[watch.UnknownZone] = time.Hour
	l.Integral = 23.4 * 3 * 3600
	l.DegreeAbove = 3.96 * 3600
	l.Kinetic = 3 * 3600 * math.Exp(-83_144/(8.3144*(273.15+23.6))) // as if it had been 23.6 °C all the time
	band := care.NoBand()
	band.Limits[care.Low], band.Limits[care.High], band.Limits[care.CriticalHigh] = 21, 24, 27
	return document{exposure.Of(quantity.WaterTemperature, &l), exposure.Of(quantity.RelativeHumidity, &watch.Ledger{}), exposure.LimitsOf(&band)}
}

// The document is the golden file byte for byte, and the golden file read is the document.
func TestGolden(t *testing.T) {
	made, err := json.MarshalIndent(invented(), "", "  ")
	require.NoError(t, err)
	made = append(made, '\n')
	if *rewrite {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(golden, made, 0o644))
	}
	kept, err := os.ReadFile(golden)
	require.NoError(t, err)
	assert.Equal(t, string(kept), string(made))
	var read document
	require.NoError(t, json.Unmarshal(kept, &read))
	again, err := json.MarshalIndent(read, "", "  ")
	require.NoError(t, err)
	assert.Equal(t, string(kept), string(append(again, '\n')), "what is read is written the same again")
}

// Zones and limits keep their hyphens, also as keys, and all zones are there.
func TestNames(t *testing.T) {
	made, err := json.Marshal(invented())
	require.NoError(t, err)
	var shape struct {
		Exposure struct {
			Seconds map[string]float64 `json:"seconds"`
		} `json:"exposure"`
		Limits map[string]*float64 `json:"limits"`
	}
	require.NoError(t, json.Unmarshal(made, &shape))
	var zones, limits []string
	for z := range watch.ZoneCount {
		zones = append(zones, watch.Zone(z).String())
	}
	for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
		limits = append(limits, l.String())
	}
	assert.ElementsMatch(t, zones, keys(shape.Exposure.Seconds))
	assert.ElementsMatch(t, limits, keys(shape.Limits))
	assert.ElementsMatch(t, []string{"critical-low", "low", "in-band", "high", "critical-high", "no-band", "unknown"}, zones)
	assert.Nil(t, shape.Limits["critical-low"], "a limit that there is not is null")
}

func keys[V any](m map[string]V) (list []string) {
	for k := range m {
		list = append(list, k)
	}
	return list
}

// An object of zones is read only if it has all of them and nothing else.
func TestZonesThatAreNone(t *testing.T) {
	all := `{"critical-low":0,"low":0,"in-band":7200,"high":0.001,"critical-high":0,"no-band":0,"unknown":0}`
	var read exposure.ZoneSeconds
	require.NoError(t, json.Unmarshal([]byte(all), &read))
	assert.EqualValues(t, 7_200_000, read[watch.InBand])
	assert.EqualValues(t, 1, read[watch.HighZone])
	for name, text := range map[string]string{
		"one is missing":    `{"critical-low":0,"low":0,"in-band":7200,"high":0,"critical-high":0,"no-band":0}`,
		"an underscore":     `{"critical_low":0,"low":0,"in-band":7200,"high":0,"critical-high":0,"no-band":0,"unknown":0}`,
		"one too many":      all[:len(all)-1] + `,"warm":1}`,
		"no number":         `{"critical-low":"0","low":0,"in-band":7200,"high":0,"critical-high":0,"no-band":0,"unknown":0}`,
		"something else":    `[0,0,7200,0,0,0,0]`,
		"the end cut short": all[:20],
	} {
		assert.Error(t, json.Unmarshal([]byte(text), &read), name)
	}
}

// What is printed adds up: the zones to the time between the ends as they are printed, to the millisecond; and it is read as it was.
func TestZonesAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := watch.Ledger{From: instant.Instant(rapid.Int64Range(0, 4e18).Draw(t, "from"))}
		l.To = l.From
		for z := range l.InZone {
			l.InZone[z] = time.Duration(rapid.Int64Range(0, int64(time.Hour)).Draw(t, "in a zone"))
			l.To = l.To.Add(l.InZone[z])
		}
		made := exposure.ZoneSecondsOf(&l)
		sum := int64(0)
		for z, ms := range made {
			sum += ms
			require.InDelta(t, l.InZone[z].Milliseconds(), ms, 2)
		}
		require.Equal(t, l.To.Time().Round(time.Millisecond).UnixMilli()-l.From.Time().Round(time.Millisecond).UnixMilli(), sum)
		text, err := json.Marshal(made)
		require.NoError(t, err)
		var read exposure.ZoneSeconds
		require.NoError(t, json.Unmarshal(text, &read))
		require.Equal(t, made, read)
	})
}

// A number has nine digits and no noise, seconds have three decimals; what JSON cannot carry is null or nothing.
func TestNumbers(t *testing.T) {
	for _, c := range []struct {
		value any
		want  string
	}{
		{exposure.Number(0.1 + 0.2), "0.3"}, {exposure.Number(84.80000000000001), "84.8"}, {exposure.Number(math.Copysign(0, -1)), "0"},
		{exposure.Number(1.0 / 3), "0.333333333"}, {exposure.Number(1e-9), "1e-09"}, {exposure.NumberOf(math.NaN()), "null"},
		{exposure.Seconds(90*time.Minute + 1500*time.Microsecond), "5400.002"}, {exposure.Milliseconds(1), "0.001"},
	} {
		made, err := json.Marshal(c.value)
		require.NoError(t, err)
		assert.Equal(t, c.want, string(made))
	}
	rapid.Check(t, func(t *rapid.T) {
		of := exposure.Milliseconds(rapid.Int64Range(0, 1e12).Draw(t, "ms"))
		made, err := json.Marshal(of)
		require.NoError(t, err)
		var read exposure.Seconds
		require.NoError(t, json.Unmarshal(made, &read))
		require.Equal(t, of, read)
	})
}

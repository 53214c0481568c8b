package replay_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/assemble"
	"dewline/internal/core/intake"
	"dewline/internal/core/quantity"
	"dewline/internal/daemon"
	"dewline/internal/replay"
	"dewline/internal/source/recorded"
	"dewline/sensors"
)

const judgedSite = `
site: north-loft
timezone: Europe/Lisbon
places:
  - {id: loft, kind: room}
  - {id: vivarium-1, kind: enclosure, in: loft}
sensors:
  - id: vivarium-1-air
    driver: sht4x
    bus: I2C1
    address: 0x44
    every: 10s
    gap: 2m
    range: {temperature: {low: 10 °C, high: 40 °C}}
    calibration: {date: 2026-06-01, humidity: {offset: 1.5 %}}
    feeds: {temperature: vivarium-1/air-temperature, humidity: vivarium-1/relative-humidity}
`

// What a daemon has recorded, with its flags removed and judged again, gets the flags of the daemon, the late ones too.
func TestJudgedAgainGivesTheFlagsOfTheDaemon(t *testing.T) {
	site := load(t, judgedSite)
	parts := daemon.Descriptions(daemon.Options{Site: site})
	require.NotEmpty(t, parts["vivarium-1-air"].Measures)
	points := []quantity.Point{site.Sensors[0].Feeds[sensors.Temperature], site.Sensors[0].Feeds[sensors.Humidity]}
	seen := map[quantity.Flag]int{}
	rapid.Check(t, func(t *rapid.T) {
		line, err := assemble.Line(site, parts)
		require.NoError(t, err)
		kept := &recorded.File{Points: points}
		at := began
		measured := map[sensors.Channel]float64{sensors.Temperature: 24, sensors.Humidity: 80}
		for range rapid.IntRange(1, 80).Draw(t, "reads") {
			at = at.Add(time.Duration(rapid.SampledFrom([]int{10_000, 10_000, 10_000, 9_987, 60_000, 600_000, 119_999}).Draw(t, "ms")) * time.Millisecond)
			sample := intake.Sample{Sensor: "vivarium-1-air", At: at}
			for _, channel := range []sensors.Channel{sensors.Temperature, sensors.Humidity} {
				// Steps that no threshold is a multiple of: exactly there, rounding decides.
				step := map[sensors.Channel]float64{sensors.Temperature: 0.013, sensors.Humidity: 0.0071}[channel]
				value := measured[channel] + step*float64(rapid.SampledFrom([]int{0, 0, 0, 1, -1, 7, 300, -300}).Draw(t, "step"))
				switch rapid.IntRange(0, 9).Draw(t, "what") {
				case 0: // alone
					value += float64(rapid.SampledFrom([]int{1000, -1000, 100, -100}).Draw(t, "spike")) * step * 5
				case 1: // missing
					continue
				default:
					measured[channel] = value
				}
				sample.Reading.Values = append(sample.Reading.Values, sensors.Value{Channel: channel, Value: value, Raw: math.Float64bits(value)})
			}
			outcome, err := line.Take(sample)
			require.NoError(t, err)
			for _, a := range outcome.Amendments {
				for i := range kept.Rows {
					if row := &kept.Rows[i]; points[row.Point] == a.Point && row.At == a.At {
						row.Flag = a.Flag
					}
				}
			}
			for _, r := range outcome.Readings {
				row := recorded.Row{At: r.At, Value: quantity.Decimal(r.Value), Flag: r.Flag}
				if r.Point == points[1] {
					row.Point = 1
				}
				kept.Rows = append(kept.Rows, row)
			}
		}
		bare := &recorded.File{Points: points}
		for _, row := range kept.Rows {
			if row.Flag != quantity.Missing {
				row.Flag, row.Unflagged = quantity.Pass, true
			}
			bare.Rows = append(bare.Rows, row)
		}
		by, err := assemble.RecordSources(site, parts, points, 0)
		require.NoError(t, err)
		i := 0
		for row, err := range replay.Judged(bare.Stream(), by).Rows() {
			require.NoError(t, err)
			want := kept.Rows[i]
			require.Equal(t, want.At, row.At)
			require.Equal(t, want.Flag, row.Flag, "row %d, %s at %s: %v", i, points[row.Point], row.At, row.Value)
			seen[row.Flag]++
			i++
		}
		require.Len(t, kept.Rows, i)
	})
	for _, flag := range []quantity.Flag{quantity.Pass, quantity.NotEvaluated, quantity.Suspect, quantity.Fail, quantity.Missing} {
		require.NotZero(t, seen[flag], "flag %d never came: the test shows nothing of it", flag)
	}
}

// Rows with flags are judged by nobody: whatever the flags, and whatever order, nothing changes.
func TestJudgingChangesNoRecordedFlag(t *testing.T) {
	site := loftSite(t)
	plain := load(t, loft)
	rapid.Check(t, func(t *rapid.T) {
		file := read(t, interleave(t, drawTracks(t)))
		by, err := assemble.RecordSources(plain, nil, file.Points, 0)
		require.NoError(t, err)
		want, err := replay.Run(site, file, replay.Options{})
		require.NoError(t, err)
		got, err := replay.Run(site, file, replay.Options{Judge: by})
		require.NoError(t, err)
		require.Equal(t, asJSON(t, want), asJSON(t, got))
	})
}

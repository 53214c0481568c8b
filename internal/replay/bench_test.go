package replay_test

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewline/internal/assemble"
	"dewline/internal/replay"
	"dewline/internal/source/recorded"
)

// BenchmarkReplayFile goes from the bytes of a readings file to the bytes of the JSON document: a month of ten points, a
// reading each ten seconds (2.6 million rows), eight tubs of which two leave their band every day, and a room with
// temperature and humidity and what is derived from them.
func BenchmarkReplayFile(b *testing.B) {
	const (
		month = 30 * 24 * time.Hour
		step  = 10 * time.Second
	)
	points := []string{"loft/air-temperature", "loft/relative-humidity"}
	yaml := "site: north-loft\ntimezone: Europe/Lisbon\nlight: {day: \"07:00-19:00\"}\nplaces:\n" +
		"  - {id: loft, kind: room, bands: {air-temperature: {low: 18 degC, high: 26 degC, critical-high: 28 degC}}}\n"
	for i := range 8 {
		tub := "tub-" + strconv.Itoa(i+1)
		points = append(points, tub+"/water-temperature")
		yaml += "  - {id: " + tub + ", kind: enclosure, in: loft, bands: {water-temperature: " +
			"{low: 21 degC, high: 24 degC, critical-low: 17 degC, critical-high: 27 degC}}}\n"
	}
	site := assemble.Site(load(b, yaml))

	var csv []byte
	csv = append(csv, header...)
	rows := 0
	for elapsed := time.Duration(0); elapsed < month; elapsed += step {
		day := 2 * math.Pi * elapsed.Hours() / 24
		when := began.Add(elapsed).AppendFormat(nil, time.RFC3339)
		for i, point := range points {
			value, unit := 22.5+0.2*float64(i%3)+math.Sin(day), "Cel"
			switch i {
			case 0:
				value = 23 + 2*math.Sin(day)
			case 1:
				value, unit = 70+10*math.Cos(day), "%RH"
			case 2, 3:
				value = 22.5 + 3*math.Sin(day)
			}
			csv = append(csv, when...)
			csv = append(csv, ',')
			csv = append(csv, point...)
			csv = append(csv, ',')
			csv = strconv.AppendFloat(csv, math.Round(value*16)/16, 'f', -1, 64)
			csv = append(csv, ',')
			csv = append(csv, unit...)
			csv = append(csv, '\n')
			rows++
		}
	}
	path := filepath.Join(b.TempDir(), "month.csv")
	require.NoError(b, os.WriteFile(path, csv, 0o644))
	b.SetBytes(int64(len(csv)))
	b.ReportAllocs()
	done := 0
	for b.Loop() {
		readings, err := recorded.Open(b.Context(), path)
		require.NoError(b, err)
		result, err := replay.Run(site, readings, replay.Options{})
		require.NoError(b, err)
		data, err := json.Marshal(result)
		require.NoError(b, err)
		require.NotEmpty(b, data)
		done += rows
	}
	b.ReportMetric(float64(done)/b.Elapsed().Seconds(), "rows/s")
}

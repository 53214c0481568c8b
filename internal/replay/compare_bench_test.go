package replay_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewline/internal/assemble"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/daemon"
	"dewline/internal/replay"
	"dewline/internal/store"
)

// BenchmarkCompare compares two configurations over a history of 20 points that were read each 10 s, a week of it or DEWLINE_DAYS. It
// reports the time that a year of such a history takes at the same pace, and the time of processors: other work makes the first one longer.
func BenchmarkCompare(b *testing.B) {
	days := 7
	if text := os.Getenv("DEWLINE_DAYS"); text != "" {
		var err error
		days, err = strconv.Atoi(text)
		require.NoError(b, err)
	}
	yaml := "site: north-loft\ntimezone: Europe/Lisbon\nlight: {day: \"07:00-19:00\"}\nplaces:\n  - {id: loft, kind: room}\n"
	fed := "sensors:\n"
	var points []quantity.Point
	for i := range 20 {
		tub := "tub-" + strconv.Itoa(i+1)
		yaml += "  - {id: " + tub + ", kind: enclosure, in: loft, bands: {water-temperature: {low: 21 degC, high: %s, critical-high: 27 degC}}}\n"
		fed += fmt.Sprintf("  - {id: probe-%d, driver: w1, address: 28-0000000000%02x, every: 10s, feeds: {temperature: %s/water-temperature}}\n", i+1, i+1, tub)
		points = append(points, quantity.Point{Place: tub, Quantity: quantity.WaterTemperature})
	}
	yaml += fed + "notify: [{via: webhook, url: \"https://keeper.example\", format: text}]\n"
	db, err := store.Open(filepath.Join(b.TempDir(), "history.db"), store.Options{})
	require.NoError(b, err)
	b.Cleanup(func() { _ = db.Close(context.Background()) })
	const step = 10 * time.Second
	length := time.Duration(days) * 24 * time.Hour
	for d := time.Duration(0); d < length; d += step {
		at := instant.Of(began.Add(d))
		for i, p := range points {
			value := 22.5 + 0.1*float64(i%5) + 1.4*math.Sin(2*math.Pi*d.Hours()/24) + 0.05*math.Sin(float64(i)+d.Seconds())
			db.Append("run-1", p, at.Add(time.Duration(i)*137*time.Millisecond), math.Round(16*value)/16, quantity.Pass, 0.0625)
		}
		if (d+step)%time.Hour == 0 {
			require.NoError(b, db.Commit(b.Context()))
		}
	}
	side := func(high string) replay.Side {
		limits := make([]any, len(points))
		for i := range limits {
			limits[i] = high
		}
		site := load(b, fmt.Sprintf(yaml, limits...))
		by, err := assemble.RecordSources(site, daemon.Descriptions(daemon.Options{Site: site}), points, 0)
		require.NoError(b, err)
		return replay.Side{Site: assemble.Site(site), Rules: assemble.Rules(site), Judge: by}
	}
	inForce, tried := side("24 degC"), side("25 degC")
	before := processorTime(b)
	for b.Loop() {
		readings, err := replay.LongHistory(b.Context(), db, instant.None, instant.Of(began.Add(length)))
		require.NoError(b, err)
		c, err := replay.Compare(readings, inForce, tried, replay.Options{})
		require.NoError(b, err)
		require.Greater(b, c.InForce.Alarms, c.Tried.Alarms)
	}
	a := 365 / float64(days) / float64(b.N)
	b.ReportMetric(b.Elapsed().Seconds()*a, "s/year")
	b.ReportMetric((processorTime(b)-before).Seconds()*a, "cpu-s/year")
}

func processorTime(b *testing.B) time.Duration {
	var usage syscall.Rusage
	require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &usage))
	return time.Duration(usage.Utime.Nano() + usage.Stime.Nano())
}

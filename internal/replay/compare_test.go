package replay_test

import (
	"bytes"
	"context"
	"encoding/json"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/daemon"
	"dewline/internal/format/exposure"
	"dewline/internal/replay"
	"dewline/internal/source/recorded"
	"dewline/internal/store"
)

// side is a configuration of the test data, which is judged.
func side(t *testing.T, path string, points []quantity.Point) (replay.Side, *config.Site) {
	t.Helper()
	site, problems := config.LoadForReplay(path)
	require.NoError(t, problems.Err())
	by, err := assemble.RecordSources(site, daemon.Descriptions(daemon.Options{Config: path, Site: site}), points, 0)
	require.NoError(t, err)
	return replay.Side{Name: filepath.Base(path), Site: assemble.Site(site), Rules: assemble.Rules(site), Judge: by}, site
}

// The warm morning of the North Loft, under its limits and under others: both forms of the comparison.
func TestCompareGolden(t *testing.T) {
	dir := filepath.Join("testdata", "north-loft")
	readings, err := recorded.OpenUnjudged(t.Context(), filepath.Join(dir, "readings.csv"))
	require.NoError(t, err)
	inForce, site := side(t, filepath.Join(dir, "site.yaml"), readings.Points)
	tried, _ := side(t, filepath.Join(dir, "tried.yaml"), readings.Points)
	c, err := replay.Compare(readings, inForce, tried, replay.Options{})
	require.NoError(t, err)
	data, err := json.MarshalIndent(c, "", "  ")
	require.NoError(t, err)
	var text bytes.Buffer
	require.NoError(t, replay.PrintComparison(&text, c, site.Display.Temperature, site.Location))
	golden(t, filepath.Join(dir, "compare.json"), string(data)+"\n")
	golden(t, filepath.Join(dir, "compare.txt"), text.String())
}

// Each side of a comparison has the exposure and the alarms that a replay of it alone has, and a site beside itself shows no difference.
func TestCompareIsTwoReplays(t *testing.T) {
	one, other := loftSite(t), loftSite(t)
	for i := range other.Places {
		other.Places[i].Bands = nil
	}
	rapid.Check(t, func(t *rapid.T) {
		file := read(t, interleave(t, drawTracks(t)))
		from, _, to := drawRange(t, file, time.Nanosecond)
		if from == to {
			to = to.Add(time.Second)
		}
		c, err := replay.Compare(file.Stream(), replay.Side{Site: one}, replay.Side{Site: other}, replay.Options{From: from, To: to})
		require.NoError(t, err)
		var alone [2]*replay.Result
		alone[0], err = replay.Run(one, file, replay.Options{From: from, To: to})
		require.NoError(t, err)
		alone[1], err = replay.Run(other, file, replay.Options{From: from, To: to})
		require.NoError(t, err)
		var alarms [2][]replay.AlarmReport
		for _, a := range c.Alarms {
			for k, report := range []*replay.AlarmReport{a.InForce, a.Tried} {
				if report != nil {
					alarms[k] = append(alarms[k], *report)
				}
			}
		}
		for k, result := range alone {
			assert.ElementsMatch(t, result.Alarms, alarms[k])
			for _, p := range result.Points {
				for _, both := range c.Points {
					if both.Point == p.Point {
						require.Equal(t, p.Figures, []exposure.Figures{both.InForce, both.Tried}[k])
					}
				}
			}
		}
		c, err = replay.Compare(file.Stream(), replay.Side{Site: one}, replay.Side{Site: one}, replay.Options{From: from, To: to})
		require.NoError(t, err)
		for _, p := range c.Points {
			require.True(t, p.Same, "%s", p.Point)
		}
		for _, a := range c.Alarms {
			require.True(t, a.Same, "%s", a.Alarm)
		}
	})
}

// The first reading after a gap that is the end of the range too belongs to the range, whatever was due in the gap.
func TestTheReadingThatEndsTheRangeIsInIt(t *testing.T) {
	file := read(t, "time,point,value,unit\n2026-07-01T00:00:00Z,tub-1/water-temperature,22,Cel\n2026-07-01T00:10:00Z,tub-1/water-temperature,26,Cel\n"+
		"2026-07-01T00:10:10Z,tub-1/water-temperature,27,Cel\n")
	site := loftSite(t)
	options := replay.Options{To: instant.Of(time.Date(2026, 7, 1, 0, 10, 0, 0, time.UTC))}
	alone, err := replay.Run(site, file, options)
	require.NoError(t, err)
	c, err := replay.Compare(file.Stream(), replay.Side{Site: site}, replay.Side{Site: site}, options)
	require.NoError(t, err)
	require.Len(t, alone.Alarms, 1, "the point was stale in the gap")
	for _, figures := range []exposure.Figures{alone.Points[0].Figures, c.Points[0].InForce} {
		require.EqualValues(t, 26, *figures.Max)
		require.EqualValues(t, 22, *figures.Min)
	}
}

const stuckLoft = `
site: north-loft
timezone: Europe/Lisbon
places:
  - {id: loft, kind: room}
  - {id: vivarium-1, kind: enclosure, in: loft, bands: {relative-humidity: {low: 75 %, on-delay: 1m}, air-temperature: {high: 26 degC, on-delay: 1m}}}
sensors:
  - {id: vivarium-1-air, driver: sht4x, bus: I2C1, every: 10s, feeds: {temperature: vivarium-1/air-temperature, humidity: vivarium-1/relative-humidity}}
notify: [{via: webhook, url: "https://keeper.example", format: text}]
`

// stuckHistory is a history of six hours, in which a humidity does not move and a part does not answer for twenty minutes.
func stuckHistory(t *testing.T) *store.Store {
	t.Helper()
	db, err := store.Open(filepath.Join(t.TempDir(), "history.db"), store.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { _ = db.Close(context.Background()) })
	for d := time.Duration(0); d < 6*time.Hour; d += 10 * time.Second {
		at := instant.Of(began.Add(d))
		for _, name := range []string{"vivarium-1/air-temperature", "vivarium-1/relative-humidity"} {
			point, err := quantity.ParsePoint(name)
			require.NoError(t, err)
			value, flag := 71.25, quantity.Pass
			if point.Quantity == quantity.AirTemperature {
				value = 24 + float64(d/(10*time.Second)%7)/100
			}
			if d >= 5*time.Hour && d < 5*time.Hour+20*time.Minute {
				value, flag = 0, quantity.Missing
			}
			db.Append("run-1", point, at, value, flag, 0)
		}
	}
	require.NoError(t, db.Commit(t.Context()))
	return db
}

// In a history the faults of its sensors are found again, and cover the alarms as they did, although each reading has its flag.
func TestFaultsOfAHistoryAreFoundAgain(t *testing.T) {
	db := stuckHistory(t)
	config := load(t, stuckLoft)
	site := assemble.Site(config)
	readings, err := replay.FromHistory(t.Context(), db, nil, instant.None, instant.None)
	require.NoError(t, err)
	names := func(result *replay.Result) (all []string) {
		for _, a := range result.Alarms {
			all = append(all, a.Alarm)
		}
		return all
	}
	plain, err := replay.Run(site, readings, replay.Options{})
	require.NoError(t, err)
	assert.Equal(t, []string{"vivarium-1/relative-humidity/low", "vivarium-1/air-temperature/stale", "vivarium-1/relative-humidity/stale"}, names(plain))
	by, err := assemble.RecordSources(config, daemon.Descriptions(daemon.Options{Site: config}), readings.Points, 0)
	require.NoError(t, err)
	judged, err := replay.Run(site, readings, replay.Options{Judge: by})
	require.NoError(t, err)
	assert.Contains(t, names(judged), "sensor/vivarium-1-air/humidity/fault")
	assert.Contains(t, names(judged), "sensor/vivarium-1-air/fault", "the part did not answer for twenty minutes")

	long, err := replay.LongHistory(t.Context(), db, instant.None, readings.Last)
	require.NoError(t, err)
	assert.Equal(t, readings.First, long.First)
	assert.ElementsMatch(t, readings.Points, long.Points)
	one := replay.Side{Site: site, Rules: assemble.Rules(config), Judge: by}
	c, err := replay.Compare(long, one, replay.Side{Site: site}, replay.Options{})
	require.NoError(t, err)
	var found []string
	for _, a := range c.Alarms {
		if a.InForce != nil {
			found = append(found, a.Alarm)
		}
	}
	assert.ElementsMatch(t, names(judged), found)
	assert.NotEmpty(t, c.InForce.Notifications)
	assert.Empty(t, c.Tried.Notifications, "it has no notifier")
}

// A comparison that is cancelled ends with the reason.
func TestCompareCancelled(t *testing.T) {
	db := stuckHistory(t)
	ctx, cancel := context.WithCancel(t.Context())
	readings, err := replay.LongHistory(ctx, db, instant.None, instant.Of(began.Add(7*time.Hour)))
	require.NoError(t, err)
	cancel()
	_, err = replay.Compare(readings, replay.Side{Site: loftSite(t)}, replay.Side{Site: loftSite(t)}, replay.Options{})
	require.ErrorIs(t, err, context.Canceled)
}

func TestCompareOfNothing(t *testing.T) {
	empty := &recorded.File{}
	_, err := replay.Compare(empty.Stream(), replay.Side{}, replay.Side{}, replay.Options{})
	require.ErrorContains(t, err, "there are no readings")
	file := read(t, "time,point,value,unit\n2026-07-01T00:00:00Z,tub-1/water-temperature,24,Cel\n")
	_, err = replay.Compare(file.Stream(), replay.Side{}, replay.Side{}, replay.Options{})
	require.ErrorContains(t, err, "before it begins")
}

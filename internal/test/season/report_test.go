package season

import (
	"cmp"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// document is what the test reads of a report in JSON.
type document struct {
	Cohort string
	Lives  []struct {
		Place, Stage string
		Gosner       int
		Count        *int
		From, To     time.Time
	}
	Points []struct {
		Point  string
		Whole  row
		Stages []struct {
			Stage string
			row
		}
		Weeks []struct {
			Week string
			row
		}
		Days []struct {
			Day string
			row
		}
	}
	Alarms []struct {
		Alarm, Priority string
		Raised          time.Time
	}
	Worst []struct {
		Point    string
		Side     string
		From, To time.Time
		Extreme  float64
		Critical bool
		Done     []struct{ Kind, Task, Text string }
	}
	Counts []struct {
		Since  time.Time
		Count  int
		Change *int
		Why    string
	}
	Care []struct {
		Task          string
		Times         int
		First, Last   time.Time
		LongestPauseS float64 `json:"longest_pause_s"`
		Missed        *int
	}
	Missing []struct {
		Task, Cohort, Stage string
		Missed              int
	} `json:"care_missing"`
	Sensors []struct {
		Sensor, Channel, Method, Origin string
		Correction                      *float64
		Calibrated                      *time.Time
	}
	Replaced []struct {
		Sensor string
		At     time.Time
	}
}

type row struct {
	From, To         time.Time
	ElapsedS         float64 `json:"elapsed_s"`
	Seconds          map[string]float64
	Excursions       int
	LongestS         float64 `json:"longest_excursion_s"`
	DegreeHoursAbove float64 `json:"degree_hours_above"`
	DegreeHoursBelow float64 `json:"degree_hours_below"`
}

// readings returns what the export has of a point, each held against what the point was made to show.
func (l *loft) readings(point string) (samples []sample) {
	l.t.Helper()
	rows, err := csv.NewReader(strings.NewReader(l.does("export", "--point", point))).ReadAll()
	require.NoError(l.t, err)
	place, quantity, _ := strings.Cut(point, "/")
	made := l.written[place]
	next, cutOff := 0, 0
	for _, r := range rows[1:] {
		at, err := time.Parse(time.RFC3339Nano, r[0])
		require.NoError(l.t, err)
		if r[4] == "9" { // missing: a busy machine has let the time of a read pass
			cutOff++
			continue
		}
		value, err := strconv.ParseFloat(r[2], 64)
		require.NoError(l.t, err)
		require.Contains(l.t, []string{"1", "2", "3"}, r[4], "a reading that is no good at %s", at)
		for next < len(made) && !made[next].at.After(at) {
			next++
		}
		// A sensor may have been read just after the clock had moved, and just before its value had. On a day of change there are two of a time.
		near := slices.ContainsFunc(made[max(0, next-3):next], func(s shown) bool {
			if quantity == "relative-humidity" {
				return within(value, s.percent, 0.08)
			}
			return within(value, s.celsius, 0.06)
		})
		if slices.ContainsFunc(l.calibrated[place], func(then time.Time) bool { return !then.Before(at) && then.Sub(at) < 30*time.Minute }) {
			continue
		}
		require.True(l.t, near, "%s shows %v at %s", point, value, at)
		samples = append(samples, sample{at, value})
	}
	require.LessOrEqual(l.t, cutOff, len(rows)/200, "reads of %s without a value", point)
	return samples
}

func within(a, b, difference float64) bool { return a-b <= difference && b-a <= difference }

// gap is that of all sensors of the site.
const gap = 6 * time.Hour

// lived is where the cohort was, as the keeper knows it in the end.
func (l *loft) lived(end time.Time) []stay {
	at := func(month time.Month, day, hour int) time.Time {
		return time.Date(2026, month, day, hour, 0, 0, 0, l.zone)
	}
	return []stay{
		{"tub-1", "egg", at(3, 2, 9), at(3, 9, 8)},
		{"tub-1", "larva", at(3, 9, 8), at(4, 6, 10)},
		{"tub-2", "larva", at(4, 6, 10), at(5, 22, 0)},
		{"tub-2", "metamorph", at(5, 22, 0), at(5, 30, 0)},
		{"tub-2", "juvenile", at(5, 30, 0), at(5, 31, 18)},
		{"grow-out", "juvenile", at(5, 31, 18), end},
	}
}

// sameSums holds a row of the report against sums of the test.
func sameSums(t *testing.T, want sums, got row, what string) {
	t.Helper()
	for _, zone := range []string{"critical-low", "low", "in-band", "high", "critical-high", "no-band", "unknown"} {
		assert.InDelta(t, want.seconds[zone], got.Seconds[zone], 5, "%s: seconds %s", what, zone)
	}
	assert.InDelta(t, want.above, got.DegreeHoursAbove, 0.01+want.above/1000, "%s: degree-hours above", what)
	assert.InDelta(t, want.below, got.DegreeHoursBelow, 0.01+want.below/1000, "%s: degree-hours below", what)
}

// report returns the report of the cohort.
func (d *diary) report(format string, end time.Time) string {
	return d.does("report", "--cohort", "c-2026", "--from", "2026-03-02", "--to", end.Format(time.DateOnly), "--format", format)
}

// checkReport holds the report of the cohort against what the test has computed by itself from what the sensors have shown.
func (d *diary) checkReport(end time.Time) {
	t := d.t
	var got document
	require.NoError(t, json.Unmarshal([]byte(d.report("json", end)), &got))
	stays := d.lived(end)

	// Where it lived.
	var lives []string
	for _, n := range got.Lives {
		lives = append(lives, fmt.Sprintf("%s %s %d %d %s", n.Place, n.Stage, n.Gosner, *n.Count, d.local(n.From)))
		assert.Less(t, n.From, n.To)
	}
	assert.Equal(t, []string{
		"tub-1 egg 0 120 2026-03-02 09:00",
		"tub-1 larva 21 104 2026-03-09 08:00",
		"tub-1 larva 25 104 2026-03-14 10:00",
		"tub-2 larva 25 104 2026-04-06 10:00",
		"tub-2 larva 25 64 2026-04-20 11:00",
		"tub-2 larva 25 61 2026-05-10 09:00",
		"tub-2 larva 38 61 2026-05-14 09:00",
		"tub-2 metamorph 42 61 2026-05-22 00:00",
		"tub-2 juvenile 0 61 2026-05-30 00:00",
		"grow-out juvenile 0 61 2026-05-31 18:00",
		"grow-out juvenile 0 58 2026-07-08 09:00",
	}, lives)

	// Hours and degree-hours: whole, by stage, by week, by day.
	var all []outing
	var points []string
	where := map[string]string{}
	for _, p := range got.Points {
		place, quantity, _ := strings.Cut(p.Point, "/")
		if quantity == "dew-point" || quantity == "absolute-humidity" || quantity == "vapour-pressure-deficit" || quantity == "oxygen-saturation" {
			continue // without limits
		}
		points = append(points, p.Point)
		samples := d.readings(p.Point)
		var list []piece
		for _, s := range stays {
			if s.place == place {
				list = append(list, pieces(samples, quantity, s, gap)...)
			}
		}
		require.NotEmpty(t, list)
		whole := sumUp(list, p.Whole.From, p.Whole.To)
		assert.WithinDuration(t, list[0].from, p.Whole.From, 0, p.Point)
		assert.WithinDuration(t, list[len(list)-1].to, p.Whole.To, 0, p.Point)
		assert.Zero(t, whole.seconds["unknown"], p.Point)
		sameSums(t, whole, p.Whole, p.Point)
		assert.Equal(t, len(whole.outside), p.Whole.Excursions, p.Point)
		assert.InDelta(t, whole.longest(), p.Whole.LongestS, 5, p.Point)
		var stages []string
		for _, s := range p.Stages {
			stages = append(stages, s.Stage)
			sameSums(t, sumUp(list, s.From, s.To), s.row, p.Point+" as "+s.Stage)
		}
		var want []string
		for _, s := range stays {
			if s.place == place {
				want = append(want, s.stage)
			}
		}
		assert.Equal(t, want, stages, p.Point)
		elapsed := 0.0
		for _, w := range p.Weeks {
			monday, err := time.ParseInLocation(time.DateOnly, w.Week, d.zone)
			require.NoError(t, err)
			assert.Equal(t, time.Monday, monday.Weekday())
			sameSums(t, sumUp(list, monday, monday.AddDate(0, 0, 7)), w.row, p.Point+" in the week of "+w.Week)
			elapsed += w.ElapsedS
		}
		assert.InDelta(t, p.Whole.ElapsedS, elapsed, 0.01, "the weeks are all of %s", p.Point)
		for _, day := range p.Days {
			midnight, err := time.ParseInLocation(time.DateOnly, day.Day, d.zone)
			require.NoError(t, err)
			sameSums(t, sumUp(list, midnight, midnight.AddDate(0, 0, 1)), day.row, p.Point+" on "+day.Day)
		}
		for _, o := range whole.outside {
			where[p.Point+o.from.String()] = p.Point
			all = append(all, o)
		}
	}
	assert.Equal(t, []string{"tub-1/water-temperature", "tub-2/water-temperature", "grow-out/air-temperature", "grow-out/relative-humidity"}, points)

	d.checkTable(end, got)

	// The worst times outside: the heat wave, the cold spell and the warm one, in that order.
	require.Len(t, got.Worst, 10)
	heat, cold, warm := got.Worst[0], got.Worst[1], got.Worst[2]
	assert.Equal(t, []string{"grow-out/air-temperature", "tub-1/water-temperature", "tub-2/water-temperature"}, []string{heat.Point, cold.Point, warm.Point})
	assert.True(t, heat.Critical)
	assert.False(t, warm.Critical)
	for _, w := range got.Worst {
		i := slices.IndexFunc(all, func(o outing) bool {
			return o.from.Sub(w.From).Abs() < 5*time.Second && where[w.Point+o.from.String()] == w.Point
		})
		require.GreaterOrEqual(t, i, 0, "%s at %s", w.Point, w.From)
		assert.WithinDuration(t, all[i].to, w.To, 5*time.Second)
		assert.InDelta(t, all[i].extreme, w.Extreme, 0.001, "%s at %s", w.Point, w.From)
		assert.Equal(t, all[i].side, w.Side)
	}
	slices.SortFunc(all, func(a, b outing) int { return cmp.Compare(b.seconds(), a.seconds()) })
	assert.InDelta(t, all[0].seconds(), heat.To.Sub(heat.From).Seconds(), 5)
	assert.Contains(t, fmt.Sprint(cold.Done), "The heater of tub 1 had come unplugged.")

	// The new probe, and its calibration.
	var replaced []string
	for _, r := range got.Replaced {
		if day := r.At.In(d.zone).Format("2 Jan ") + r.Sensor; !slices.Contains(replaced, day) {
			replaced = append(replaced, day)
		}
	}
	assert.Equal(t, []string{"15 Apr tub-2-probe", "5 Jun shelf-sht", "20 Jun shelf-sht"}, replaced)
	var calibrated []string
	for _, s := range got.Sensors {
		if s.Calibrated != nil {
			calibrated = append(calibrated, fmt.Sprintf("%s %s %+.4f %s, %s, %s", s.Sensor, s.Channel, *s.Correction, s.Method, s.Origin, s.Calibrated.In(d.zone).Format(time.DateOnly)))
		}
	}
	assert.Equal(t, []string{
		"tub-2-probe temperature +0.3125 ice bath, journal, 2026-04-15", "shelf-sht temperature +0.4000 another instrument at 23 degC, journal, 2026-06-20",
	}, calibrated)

	// Counts and losses.
	var counts []string
	for _, c := range got.Counts {
		change := "–"
		if c.Change != nil {
			change = fmt.Sprint(*c.Change)
		}
		counts = append(counts, fmt.Sprintf("%s %d %s %s", d.local(c.Since), c.Count, change, c.Why))
	}
	assert.Equal(t, []string{
		"2026-03-02 09:00 120 – ", "2026-03-09 08:00 104 -16 died", "2026-04-20 11:00 64 -40 split", "2026-05-10 09:00 61 -3 died", "2026-07-08 09:00 58 -3 died",
	}, counts)

	// Care, as the test has done it. What was missed, by hand: from the 29th of April to the 9th of May four feedings (1st, 3rd, 5th, 7th)
	// and a change of water (2nd), and the first change of water, due on the day of hatching; of the froglets, fed and misted from the first
	// evening of June on instead of the 30th of May, three evenings, since the third day was nearly over.
	missed := map[string]int{"feed": 4 + 3, "change-water": 1 + 1, "mist": 3}
	require.Len(t, got.Care, len(d.done))
	for _, c := range got.Care {
		done := d.done[c.Task]
		require.NotEmpty(t, done, c.Task)
		assert.Equal(t, len(done), c.Times, c.Task)
		assert.WithinDuration(t, done[0], c.First, time.Minute, c.Task)
		assert.WithinDuration(t, done[len(done)-1], c.Last, time.Minute, c.Task)
		pause := time.Duration(0)
		for i := range done[1:] {
			pause = max(pause, done[i+1].Sub(done[i]))
		}
		assert.InDelta(t, pause.Seconds(), c.LongestPauseS, 60, c.Task)
		require.NotNil(t, c.Missed, c.Task)
		assert.Equal(t, missed[c.Task], *c.Missed, c.Task)
	}
	var missing []string
	for _, m := range got.Missing {
		missing = append(missing, fmt.Sprintf("%s as %s: %d", m.Task, m.Stage, m.Missed))
	}
	assert.Equal(t, []string{"look as egg: 7", "look as metamorph: 16"}, missing, "looking is asked for each day of a week, and each half day of eight days")
}

// checkTable holds the form for a spreadsheet against the JSON form.
func (d *diary) checkTable(end time.Time, got document) {
	t := d.t
	rows, err := csv.NewReader(strings.NewReader(d.report("csv", end))).ReadAll()
	require.NoError(t, err)
	column := func(name string) int { return slices.Index(rows[0], name) }
	above := map[string]float64{}
	for _, r := range rows[1:] {
		hours, err := strconv.ParseFloat(r[column("degree_hours_above")], 64)
		require.NoError(t, err)
		above[r[column("point")]] += hours
	}
	for _, p := range got.Points {
		assert.InDelta(t, p.Whole.DegreeHoursAbove, above[p.Point], 0.001, p.Point)
	}
}

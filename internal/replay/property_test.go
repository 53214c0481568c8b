package replay_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/assemble"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
	"dewline/internal/replay"
	"dewline/internal/source/recorded"
)

// loft is a site with everything that the properties should hold for: a room alarm that speaks for others, day and night,
// a stage change, derived points, wide and narrow gaps, a stale alarm, and points no sensor feeds.
const loft = `
site: north-loft
timezone: Europe/Lisbon
light: {day: "07:00-13:20"}
places:
  - {id: loft, kind: room, bands: {air-temperature: {high: 25 degC, critical-high: 27 degC, on-delay: 40s, off-delay: 40s, night: {high: 24 degC}}}}
  - {id: tub-1, kind: enclosure, in: loft, bands: {water-temperature: {low: 21 degC, high: 24 degC, critical-low: 19 degC, on-delay: 60s, off-delay: 30s}}}
  - id: vivarium-1
    kind: enclosure
    in: loft
    bands:
      air-temperature: {high: 25 degC, on-delay: 30s}
      relative-humidity: {low: 70 %, high: 90 %, on-delay: 60s}
      dew-point: {low: 15 degC, high: 21 degC, on-delay: 60s}
      condensation-margin: {low: 0.5 K, on-delay: 60s}
`

// loftSite is that site with one point that a sensor has promised to feed, with gaps of its own.
func loftSite(t *testing.T) watch.Site {
	site := assemble.Site(load(t, loft))
	site.Points = append(site.Points, watch.Point{
		Point: quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}, Gap: 90 * time.Second, StaleAfter: 3 * time.Minute,
	})
	return site
}

var names = []string{
	"loft/air-temperature", "tub-1/water-temperature", "vivarium-1/air-temperature", "vivarium-1/relative-humidity",
	"vivarium-1/surface-temperature", "shelf-9/air-temperature", "shelf-8/water-temperature",
}

// drawTracks draws the rows of each point in the order of time, with odd spacing, gaps, equal times and every flag. A value
// wanders, but stays among those that its quantity can have: a reader refuses the others.
func drawTracks(t *rapid.T) [][]string {
	var tracks [][]string
	for _, name := range names {
		unit, value, spread, least, greatest := "Cel", 24.0, 2.0, -20.0, 60.0
		if strings.HasSuffix(name, "humidity") {
			unit, value, spread, least, greatest = "%RH", 80, 8, 0, 100
		}
		var track []string
		when := began
		for range rapid.IntRange(0, 40).Draw(t, "length") {
			// Whole tens of seconds more often than not, so that rows of different points meet.
			pause := time.Duration(rapid.SampledFrom([]int{0, 10_000, 10_000, 10_000, 20_000, 50_000, 120_000, 7_001, 333}).Draw(t, "ms")) * time.Millisecond
			when = when.Add(pause)
			value = min(max(value+rapid.Float64Range(-spread, spread).Draw(t, "change"), least), greatest)
			flag := rapid.SampledFrom([]int{1, 1, 1, 1, 1, 2, 3, 4, 9}).Draw(t, "flag")
			track = append(track, fmt.Sprintf("%s,%s,%.3f,%s,%d\n", when.Format(time.RFC3339Nano), name, value, unit, flag))
		}
		tracks = append(tracks, track)
	}
	tracks[0] = append(tracks[0], began.Format(time.RFC3339)+",loft/air-temperature,24,Cel,1\n") // no file is empty
	return tracks
}

// interleave mixes the tracks and keeps the order within each.
func interleave(t *rapid.T, tracks [][]string) string {
	b := strings.Builder{}
	b.WriteString("time,point,value,unit,flag\n")
	at := make([]int, len(tracks))
	for {
		var open []int
		for i := range tracks {
			if at[i] < len(tracks[i]) {
				open = append(open, i)
			}
		}
		if len(open) == 0 {
			return b.String()
		}
		i := rapid.SampledFrom(open).Draw(t, "track")
		b.WriteString(tracks[i][at[i]])
		at[i]++
	}
}

// Shuffling rows across points changes no byte.
func TestShufflingRowsAcrossPointsChangesNothing(t *testing.T) {
	site := loftSite(t)
	rapid.Check(t, func(t *rapid.T) {
		tracks := drawTracks(t)
		var want string
		for i := range 3 {
			result, err := replay.Run(site, read(t, interleave(t, tracks)), replay.Options{})
			require.NoError(t, err)
			got := asJSON(t, result)
			if i == 0 {
				want = got
			}
			require.Equal(t, want, got)
		}
	})
}

// drawRange draws a range whose ends are whole numbers of a unit, which divides the times of the rows.
func drawRange(t *rapid.T, file *recorded.File, unit time.Duration) (from, middle, to instant.Instant) {
	first, last := file.Span()
	length := int64(last.Sub(first))
	draw := func(name string, low, high int64) instant.Instant {
		offset := rapid.Int64Range(low/int64(unit), high/int64(unit)).Draw(t, name) * int64(unit)
		if rapid.Bool().Draw(t, name+" at a row") { // where boundaries and readings meet is where mistakes are
			row := file.Rows[rapid.IntRange(0, len(file.Rows)-1).Draw(t, name+" row")]
			if at := int64(row.At - first); at >= low && at <= high {
				offset = at
			}
		}
		return first + instant.Instant(offset)
	}
	margin := int64(5 * time.Minute)
	from = draw("from", -margin, length+margin)
	to = draw("to", int64(from-first), length+2*margin)
	middle = draw("middle", int64(from-first), int64(to-first))
	return from, middle, to
}

// The seven zone sums of every point equal the elapsed time to the millisecond, over any range.
func TestZoneSumsEqualElapsedTime(t *testing.T) {
	site := loftSite(t)
	rapid.Check(t, func(t *rapid.T) {
		file := read(t, interleave(t, drawTracks(t)))
		from, _, to := drawRange(t, file, time.Nanosecond)
		result, err := replay.Run(site, file, replay.Options{From: from, To: to})
		require.NoError(t, err)
		printed := to.Time().Round(time.Millisecond).Sub(from.Time().Round(time.Millisecond)).Milliseconds()
		for _, p := range result.Points {
			var exact time.Duration
			var sum int64
			for z := range p.Seconds {
				require.GreaterOrEqual(t, p.Seconds[z], int64(0))
				sum += p.Seconds[z]
				exact += p.Ledger.InZone[z]
			}
			require.Equal(t, printed, sum, "%s", p.Point)
			require.Equal(t, to.Sub(from), exact, "%s", p.Point)
		}
	})
}

// Ranges add up: whatever instant a range is split at, the parts of everything that is summed give the whole. A crossing is
// computed on the line that a range sees, so that zone times may differ by the nanosecond to which times are rounded, and by as long as a value
// takes to pass the 5e-10 by which it counts as on a limit: 60 µs at a thousandth in two minutes, the slowest that is drawn. A dew point
// is slower: a thousandth of the humidity moves it by a fifth of that, and less where the temperature moves it the other way. Ranges begin
// and end on whole milliseconds, as they are printed: a nanosecond behind a crossing a value still counts as on its limit, and a delay that
// ends to the nanosecond on a reading would then not be over.
func TestPartsOfARangeAddUp(t *testing.T) {
	site := loftSite(t)
	rapid.Check(t, func(t *rapid.T) {
		file := read(t, interleave(t, drawTracks(t)))
		from, middle, to := drawRange(t, file, time.Millisecond)
		replayed := func(from, to instant.Instant) *replay.Result {
			result, err := replay.Run(site, file, replay.Options{From: from, To: to})
			require.NoError(t, err)
			return result
		}
		whole, earlier, later := replayed(from, to), replayed(from, middle), replayed(middle, to)
		for i := range whole.Points {
			p, a, b := &whole.Points[i], &earlier.Points[i], &later.Points[i]
			require.Equal(t, p.Point, a.Point)
			require.Equal(t, p.Point, b.Point)
			passing := 100 * time.Microsecond
			if p.Point.Quantity == quantity.DewPoint {
				passing = 10 * time.Millisecond
			}
			for z := range p.Ledger.InZone {
				require.InDelta(t, p.Ledger.InZone[z], a.Ledger.InZone[z]+b.Ledger.InZone[z], float64(passing), "%s %s", p.Point, watch.Zone(z))
			}
			require.InDelta(t, float64(p.DegreeHoursAbove), float64(a.DegreeHoursAbove+b.DegreeHoursAbove), 1e-7, "%s", p.Point)
			require.InDelta(t, float64(p.DegreeHoursBelow), float64(a.DegreeHoursBelow+b.DegreeHoursBelow), 1e-7, "%s", p.Point)
			require.InDelta(t, p.Ledger.Integral, a.Ledger.Integral+b.Ledger.Integral, 1e-4, "%s", p.Point)

			lengthOf, unknownOf := stays(p)
			lengthA, unknownA := stays(a)
			lengthB, unknownB := stays(b)
			for side := range lengthOf {
				unknown := unknownA[side] + unknownB[side]
				require.InDelta(t, lengthOf[side]-unknownOf[side], lengthA[side]+lengthB[side]-unknown, float64(passing), "%s", p.Point)
				if reaches(a, side, middle) == reaches(b, side, middle) {
					require.InDelta(t, unknownOf[side], unknown, float64(passing), "%s", p.Point)
				} else { // split where it was not observed: the part in which it is not observed at all does not know of it
					require.LessOrEqual(t, unknown, unknownOf[side]+passing, "%s", p.Point)
				}
			}
		}
		raised := func(r *replay.Result) map[string]bool {
			set := map[string]bool{}
			for _, a := range r.Alarms {
				set[a.Alarm+"@"+a.Raised.String()] = true
			}
			return set
		}
		both := raised(earlier)
		for name := range raised(later) {
			both[name] = true
		}
		require.Equal(t, raised(whole), both)
	})
}

// reaches reports whether an excursion of a side begins or ends at a time.
func reaches(p *replay.PointReport, side string, at instant.Instant) bool {
	return slices.ContainsFunc(p.Excursions, func(e replay.ExcursionReport) bool { return e.Side == side && (e.From == at || e.To == at) })
}

// stays sums the excursions of each side.
func stays(p *replay.PointReport) (length, unknown map[string]time.Duration) {
	length = map[string]time.Duration{"low": 0, "high": 0}
	unknown = map[string]time.Duration{"low": 0, "high": 0}
	for _, e := range p.Excursions {
		length[e.Side] += e.To.Sub(e.From)
		unknown[e.Side] += time.Duration(e.UnknownS)
	}
	return length, unknown
}

// An excursion lies in its range, is observed no longer than it lasts, and goes no further than the readings of the range do.
func TestExcursionsAreCutToTheRange(t *testing.T) {
	site := loftSite(t)
	rapid.Check(t, func(t *rapid.T) {
		file := read(t, interleave(t, drawTracks(t)))
		from, _, to := drawRange(t, file, time.Nanosecond)
		result, err := replay.Run(site, file, replay.Options{From: from, To: to})
		require.NoError(t, err)
		for _, p := range result.Points {
			for _, e := range p.Excursions {
				require.LessOrEqual(t, from, e.From)
				require.LessOrEqual(t, e.From, e.To)
				require.LessOrEqual(t, e.To, to)
				require.LessOrEqual(t, time.Duration(e.UnknownS), e.To.Sub(e.From))
				require.GreaterOrEqual(t, p.LongestExcursionS, exposure.Seconds(e.To.Sub(e.From)))
			}
		}
	})
}

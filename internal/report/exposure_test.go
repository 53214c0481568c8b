package report_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/psychro"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
	"dewline/internal/report"
	"dewline/internal/store"
)

func asJSON(t require.TestingT, v any) string {
	var b bytes.Buffer
	encoder := json.NewEncoder(&b)
	encoder.SetIndent("", "  ")
	encoder.SetEscapeHTML(false)
	require.NoError(t, encoder.Encode(v))
	return b.String()
}

func expose(t require.TestingT, site *config.Site, h report.History, r report.Request) *report.Exposure {
	r.Site = site
	e, err := report.Expose(context(t), h, r)
	require.NoError(t, err)
	return e
}

func lisbonDay(site *config.Site, day int) instant.Instant {
	return instant.Of(time.Date(2026, 10, day, 0, 0, 0, 0, site.Location))
}

// TestGolden holds every form of a report over three days, of which one has 25 hours: read the files when they change.
func TestGolden(t *testing.T) {
	site, h := autumn(t)
	to, err := report.Newest(t.Context(), h)
	require.NoError(t, err)
	made := instant.Of(time.Date(2026, 10, 26, 10, 0, 0, 0, time.UTC))
	for name, request := range map[string]report.Request{
		"whole":  {From: lisbonDay(site, 24), To: to, Made: made},
		"cohort": {From: lisbonDay(site, 24), To: to, Cohort: "a-2026"},
	} {
		e := expose(t, site, h, request)
		golden(t, name+".json", asJSON(t, e))
		sheet := e.Sheet(report.WordsOf(site))
		var text, page, table bytes.Buffer
		require.NoError(t, report.Text(&text, sheet))
		golden(t, name+".txt", text.String())
		require.NoError(t, report.HTML(&page, e.Printed(report.WordsOf(site))))
		golden(t, name+".html", page.String())
		require.NoError(t, report.ExposureCSV(&table, e))
		golden(t, name+".csv", table.String())
	}
}

// What the golden files say, computed by hand where a hand can.
func TestAutumn(t *testing.T) {
	site, h := autumn(t)
	e := expose(t, site, h, report.Request{From: lisbonDay(site, 24), To: lisbonDay(site, 26), Place: "tub-1"})
	require.Len(t, e.Points, 1)
	p := e.Points[0]
	require.Len(t, p.Days, 2)
	assert.Equal(t, []float64{24, 25}, []float64{p.Days[0].Hours, p.Days[1].Hours})
	assert.Equal(t, exposure.Seconds(24*time.Hour), p.Days[0].ElapsedS)
	assert.Equal(t, exposure.Seconds(25*time.Hour), p.Days[1].ElapsedS)
	// Silent from 7:55 to 10:00; the power-on value at 6:00 leaves 5:55 and 6:05, which are joined (gap 15 min).
	assert.Equal(t, int64(125*60*1000), p.Days[0].Seconds[watch.UnknownZone])
	assert.Zero(t, p.Days[1].Seconds[watch.UnknownZone])
	assert.InDelta(t, 1-125.0/(24*60), float64(*p.Days[0].Coverage), 1e-9)
	assert.Less(t, float64(*p.Whole.Max), 27.0, "the power-on value is no reading")
	// Set on the 25th at 9:00 for the evening before: it counts from that evening on.
	require.Len(t, p.Stages, 2)
	assert.Equal(t, "larva", p.Stages[0].Stage)
	assert.Equal(t, "2026-10-24T19:00:00.000Z", p.Stages[1].From.String())
	assert.Equal(t, "metamorph", p.Stages[1].Stage)
	require.Len(t, p.Bands, 2)
	assert.InDelta(t, (75.0-32)/1.8, float64(*p.Bands[0].High), 1e-6)
	assert.InDelta(t, (74.0-32)/1.8, float64(*p.Bands[1].High), 1e-6)
	// Both total and longest are reported, and the day's longest excursion is at most the day's total plus its unobserved time.
	assert.Positive(t, p.Days[0].OutsideS)
	assert.LessOrEqual(t, p.Days[0].LongestExcursionS, p.Days[0].OutsideS)
	require.Len(t, e.Alarms, 2)
	assert.Equal(t, "tub-1/water-temperature/stale", e.Alarms[0].Alarm)
	assert.Equal(t, "tub-1/water-temperature/high", e.Alarms[1].Alarm)
	assert.Equal(t, "keeper", e.Alarms[1].AcknowledgedBy)
	assert.Equal(t, p.Whole.Max, e.Alarms[1].Extreme)
	for _, a := range e.Alarms {
		assert.True(t, strings.HasPrefix(a.Alarm, "tub-1/") || a.Alarm == "sensor/tub-1-probe/fault", a.Alarm)
	}
	var kinds []journal.Kind
	for _, n := range e.Journal {
		kinds = append(kinds, n.Kind)
	}
	assert.Equal(t, []journal.Kind{journal.Note, journal.StageSet}, kinds, "mistings of the vivarium belong elsewhere")
}

// A mean kinetic temperature has its window, exists for temperatures only, and is printed with the text that says what it is not.
func TestMeanKineticHasItsWindow(t *testing.T) {
	site, h := autumn(t)
	e := expose(t, site, h, report.Request{From: lisbonDay(site, 24), To: lisbonDay(site, 26)})
	for _, p := range e.Points {
		rows := []report.Row{p.Whole}
		for _, d := range p.Days {
			rows = append(rows, d.Row)
		}
		for _, r := range rows {
			if !p.Point.Quantity.IsTemperature() || p.Point.Quantity == quantity.DewPoint {
				assert.Nil(t, r.MeanKinetic, p.Point)
				continue
			}
			require.NotNil(t, r.MeanKinetic)
			assert.Equal(t, [2]instant.Instant{r.From, r.To}, [2]instant.Instant{r.MeanKinetic.From, r.MeanKinetic.To})
			assert.Greater(t, r.MeanKinetic.Value, *r.Mean, "the exponential weighs warm hours more (Jensen)")
			assert.Less(t, r.MeanKinetic.Value, *r.Max)
		}
	}
	var text bytes.Buffer
	require.NoError(t, report.Text(&text, e.Sheet(report.WordsOf(site))))
	assert.Contains(t, strings.Join(strings.Fields(text.String()), " "), "for animals it is a heat-load index, nothing more")
	assert.Contains(t, strings.Join(strings.Fields(text.String()), " "), "your veterinarian decide")
}

// USP <1160>, piecewise constant vectors M4 (23 h at 24 °C and 1 h at 32 °C): 24.507 °C over the 24 h, and 24 and 32 over
// their own.
func TestMeanKineticVector(t *testing.T) {
	site := load(t, "site: north-loft\ntimezone: UTC\nplaces: [{id: tub-1, kind: enclosure}]\n")
	begin := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	h := &memory{}
	for minute := range 24*60 + 1 {
		v := 24.0
		if minute > 23*60 {
			v = 32
		}
		if minute == 23*60 { // the step itself: two readings of one moment
			h.readings = append(h.readings, reading(tub, begin.Add(23*time.Hour), 24, quantity.Pass), reading(tub, begin.Add(23*time.Hour), 32, quantity.Pass))
			continue
		}
		h.readings = append(h.readings, reading(tub, begin.Add(time.Duration(minute)*time.Minute), v, quantity.Pass))
	}
	e := expose(t, site, h, report.Request{From: instant.Of(begin), To: instant.Of(begin.Add(24 * time.Hour))})
	assert.InDelta(t, 24.507, float64(e.Points[0].Whole.MeanKinetic.Value), 0.0005)
	assert.InDelta(t, 24.507, psychro.MeanKineticTemperature(23*psychro.KineticRate(24)+psychro.KineticRate(32), 24), 0.0005)
}

// The last seven days end with the newest reading and begin at a midnight of the site, also across a change of the clocks.
func TestLastSevenDays(t *testing.T) {
	site, h := autumn(t)
	to, err := report.Newest(t.Context(), h)
	require.NoError(t, err)
	from := report.DaysBefore(to, site.Location, 7)
	assert.Equal(t, "2026-10-26T09:30:00.000Z", to.String())
	assert.Equal(t, lisbonDay(site, 20), from)
	assert.Equal(t, lisbonDay(site, 26), report.DaysBefore(to, site.Location, 1))
	_, err = report.Newest(t.Context(), &memory{})
	require.ErrorIs(t, err, report.ErrNoReadings)
}

// A cohort's report begins when it came to live there, and judges by its own bands where it shares the place.
func TestCohortsOwnTime(t *testing.T) {
	site := load(t, strings.Replace(northLoft, "cohorts:\n", "cohorts:\n  - {id: b-2026, profile: forest-floor, place: tub-1, stages: [{stage: metamorph, since: 2026-10-25}]}\n", 1))
	_, h := autumn(t)
	h.entries = nil
	e := expose(t, site, h, report.Request{From: lisbonDay(site, 24), To: lisbonDay(site, 26), Cohort: "b-2026"})
	assert.Equal(t, lisbonDay(site, 25), e.From)
	require.Len(t, e.Points[0].Stages, 1)
	assert.Equal(t, "b-2026", e.Points[0].Stages[0].Cohort)
	e = expose(t, site, h, report.Request{From: lisbonDay(site, 24), To: lisbonDay(site, 26), Cohort: "a-2026"})
	require.Len(t, e.Points[0].Stages, 1)
	assert.Equal(t, "a-2026", e.Points[0].Stages[0].Cohort)
	assert.Equal(t, "larva", e.Points[0].Stages[0].Stage)
}

func TestExposeRefuses(t *testing.T) {
	site, h := autumn(t)
	gone := load(t, strings.Replace(northLoft, ", place: tub-1,", ",", 1))
	for want, r := range map[string]report.Request{
		`the configuration has no place "tub-9": it has loft, tub-1, vivarium-1`:  {Site: site, Place: "tub-9"},
		`no cohort "c-2026" is on record: there is a-2026`:                        {Site: site, Cohort: "c-2026"},
		`ask for a place or for a cohort, not for both`:                           {Site: site, Cohort: "a-2026", Place: "tub-1"},
		`cohort a-2026 lived in no place of the site from 2026-10-24 00:00 to`:    {Site: gone, Cohort: "a-2026"},
		`the history holds no readings from 2026-01-01 00:00 to 2026-01-02 00:00`: {Site: site, From: day(1), To: day(2)},
		`cohort a-2026 lived from 2026-09-01 00:00 on: the range does not touch`:  {Site: site, From: day(1), To: day(2), Cohort: "a-2026"},
		`the range ends (2026-01-02 00:00) before it begins`:                      {Site: site, From: day(2), To: day(2)},
	} {
		if r.To == 0 {
			r.From, r.To = lisbonDay(site, 24), lisbonDay(site, 26)
		}
		_, err := report.Expose(t.Context(), h, r)
		require.ErrorContains(t, err, want)
	}
}

func day(n int) instant.Instant { return instant.Of(time.Date(2026, 1, n, 0, 0, 0, 0, time.UTC)) }

// Days add up to the range, and so do stages: every zone to the millisecond, stays by number, degree-hours but for rounding.
// A day asked for by itself says the same as within the range.
func TestDaysAndStagesAddUp(t *testing.T) {
	site := load(t, northLoft)
	begin := time.Date(2026, 10, 23, 18, 0, 0, 0, time.UTC)
	rapid.Check(t, func(t *rapid.T) {
		var readings []store.PointSample
		at := begin
		for at.Before(begin.Add(60 * time.Hour)) {
			minutes := rapid.SampledFrom([]int{5, 10, 10, 15, 15, 40, 300}).Draw(t, "minutes")
			at = at.Add(time.Duration(minutes)*time.Minute + time.Duration(rapid.IntRange(0, 5000).Draw(t, "ms"))*time.Millisecond)
			flag := rapid.SampledFrom([]quantity.Flag{quantity.Pass, quantity.Pass, quantity.Pass, quantity.Suspect, quantity.Fail}).Draw(t, "flag")
			readings = append(readings, reading(tub, at, rapid.Float64Range(19, 29).Draw(t, "value"), flag))
		}
		h := &memory{readings: readings}
		seq := uint64(0)
		for range rapid.IntRange(0, 4).Draw(t, "stage changes") {
			seq++
			h.entries = append(h.entries, &journal.Entry{
				Seq: seq, Kind: journal.StageSet, Cohort: "a-2026", At: instant.Of(begin.Add(time.Duration(rapid.IntRange(0, 3600).Draw(t, "when")) * time.Minute)),
				Stage: rapid.SampledFrom([]string{"larva", "metamorph", "juvenile"}).Draw(t, "stage"),
			})
		}
		from := instant.Of(begin.Add(time.Duration(rapid.IntRange(-40*3600_000, 30*3600_000).Draw(t, "from")) * time.Millisecond))
		to := from.Add(time.Duration(rapid.IntRange(1, 60*3600_000).Draw(t, "length")) * time.Millisecond)
		r := report.Request{Site: site, From: from, To: to, Place: "tub-1"}
		e, err := report.Expose(context(t), h, r)
		if err != nil { // no readings there
			require.ErrorContains(t, err, "the history holds no readings of tub-1")
			return
		}
		p := e.Points[0]
		begins := from // the time before the first reading ever does not count
		if first := readings[0].At; first > from && first < to {
			begins = first
		}
		require.Equal(t, exposure.Seconds(to.Sub(begins)), p.Whole.ElapsedS)
		var days, stages []report.Row
		for _, d := range p.Days {
			days = append(days, d.Row)
		}
		for _, s := range p.Stages {
			stages = append(stages, s.Row)
		}
		require.EqualValues(t, len(p.Excursions), p.Whole.Excursions)
		addUp(t, p.Whole, days)
		addUp(t, p.Whole, stages)
		for _, d := range days {
			day, err := report.Expose(context(t), h, report.Request{Site: site, From: d.From, To: d.To, Place: "tub-1"})
			if err != nil { // not a reading near it
				require.ErrorContains(t, err, "the history holds no readings of tub-1")
				require.Zero(t, *d.Coverage)
				continue
			}
			alone := day.Points[0].Whole
			for z := range d.Seconds {
				require.InDelta(t, d.Seconds[z], alone.Seconds[z], 2, "a crossing is computed on the line that a range sees")
			}
			require.InDelta(t, float64(d.DegreeHoursAbove), float64(alone.DegreeHoursAbove), 1e-6)
			// Only the whole can know that a silence over the end of the day was followed by the same side.
			require.LessOrEqual(t, alone.LongestExcursionS, d.LongestExcursionS+exposure.Seconds(2*time.Millisecond))
			require.Equal(t, d.Min, alone.Min)
			require.Equal(t, d.Max, alone.Max)
		}
	})
}

func addUp(t require.TestingT, whole report.Row, parts []report.Row) {
	var sum report.Row
	lowest, highest := math.Inf(1), math.Inf(-1)
	for _, r := range parts {
		elapsed := int64(0)
		for z, ms := range r.Seconds {
			require.GreaterOrEqual(t, ms, int64(0))
			sum.Seconds[z] += ms
			elapsed += ms
		}
		require.Equal(t, r.ElapsedS, exposure.Seconds(elapsed*int64(time.Millisecond)))
		sum.ElapsedS += r.ElapsedS
		sum.OutsideS += r.OutsideS
		sum.Excursions += r.Excursions
		sum.DegreeHoursAbove += r.DegreeHoursAbove
		sum.DegreeHoursBelow += r.DegreeHoursBelow
		sum.LongestExcursionS = max(sum.LongestExcursionS, r.LongestExcursionS)
		if r.Min != nil {
			lowest, highest = min(lowest, float64(*r.Min)), max(highest, float64(*r.Max))
		}
	}
	require.Equal(t, whole.Seconds, sum.Seconds)
	require.Equal(t, whole.ElapsedS, sum.ElapsedS)
	require.Equal(t, whole.OutsideS, sum.OutsideS)
	require.Equal(t, whole.Excursions, sum.Excursions)
	require.InDelta(t, float64(whole.DegreeHoursAbove), float64(sum.DegreeHoursAbove), 1e-6)
	require.InDelta(t, float64(whole.DegreeHoursBelow), float64(sum.DegreeHoursBelow), 1e-6)
	require.LessOrEqual(t, sum.LongestExcursionS, whole.LongestExcursionS)
	if whole.Min != nil {
		require.Equal(t, [2]float64{float64(*whole.Min), float64(*whole.Max)}, [2]float64{lowest, highest})
	}
}

// A note may come from anywhere: what it holds moves no cursor and opens no tag.
func TestHostileNote(t *testing.T) {
	site, h := autumn(t)
	h.entries = append(h.entries, &journal.Entry{
		Seq: 999, At: lisbonDay(site, 25), Kind: journal.Note, Place: "tub-1", Text: "a\x1b[2Jb\nc<script>alert(1)</script>\u202e", By: "<b>",
	})
	sheet := expose(t, site, h, report.Request{From: lisbonDay(site, 24), To: lisbonDay(site, 26), Place: "tub-1"}).Sheet(report.WordsOf(site))
	var text, page bytes.Buffer
	require.NoError(t, report.Text(&text, sheet))
	assert.NotContains(t, text.String(), "\x1b")
	assert.NotContains(t, text.String(), "\u202e")
	require.NoError(t, report.HTML(&page, sheet))
	assert.NotContains(t, page.String(), "<script>")
	assert.Contains(t, page.String(), "&lt;script&gt;")
	for _, outside := range []string{"http:", "https:", "src=", "@import", "url("} {
		assert.NotContains(t, page.String(), outside, "the page needs nothing else")
	}
}

// The journal is read in pages, however long it is.
func TestEntriesOfManyPages(t *testing.T) {
	h := &memory{}
	for i := range 12_345 {
		h.entries = append(h.entries, &journal.Entry{Seq: uint64(i + 1), Kind: journal.Note, Text: fmt.Sprint(i)})
	}
	all, err := report.Entries(t.Context(), h, store.Filter{Kinds: []journal.Kind{journal.Note}})
	require.NoError(t, err)
	require.Equal(t, h.entries, all)
}

// The journal has the extreme of the moment at which an alarm was raised; that of a running one is looked up in the readings.
func TestExtremeOfARunningAlarmIsThatSoFar(t *testing.T) {
	begin := time.Date(2026, 7, 6, 12, 0, 0, 0, time.UTC)
	h := &memory{}
	for i, v := range []float64{24, 27, 29, 31, 30, 28} {
		h.readings = append(h.readings, reading(tub, begin.Add(time.Duration(i)*10*time.Minute), v, quantity.Pass))
	}
	raised, since, extreme := begin.Add(20*time.Minute), instant.Of(begin.Add(5*time.Minute)), 29.0
	h.entries = append(h.entries, &journal.Entry{
		Seq: 1, At: instant.Of(raised), Kind: journal.AlarmRaised, Alarm: tub.String() + "/high", Occurrence: "1", State: "B", Priority: "high",
		Since: &since, Extreme: &extreme,
	})
	e := expose(t, load(t, northLoft), h, report.Request{From: instant.Of(begin), To: instant.Of(begin.Add(50 * time.Minute))})
	require.Len(t, e.Alarms, 1)
	assert.EqualValues(t, 31, *e.Alarms[0].Extreme)
	e = expose(t, load(t, northLoft), h, report.Request{From: instant.Of(begin), To: instant.Of(begin.Add(20 * time.Minute))})
	assert.EqualValues(t, 29, *e.Alarms[0].Extreme, "what came after the range has no say")
}

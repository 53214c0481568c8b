package report_test

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/report"
	"dewline/internal/store"
)

// diary writes a journal by hand.
type diary struct {
	begin   time.Time
	entries []*journal.Entry
}

func (d *diary) add(minute float64, e journal.Entry) *journal.Entry {
	e.Seq, e.At = uint64(len(d.entries)+1), instant.Of(d.begin.Add(time.Duration(minute*float64(time.Minute))))
	d.entries = append(d.entries, &e)
	return &e
}

func (d *diary) raise(minute float64, alarm, priority string) string {
	e := d.add(minute, journal.Entry{Kind: journal.AlarmRaised, Alarm: alarm, Priority: priority, Was: "A", State: "B"})
	e.Occurrence = alarm + "@" + e.At.String()
	return e.Occurrence
}

func (d *diary) acknowledge(minute float64, alarm, occurrence string) {
	d.add(minute, journal.Entry{Kind: journal.AlarmAcknowledged, Alarm: alarm, Occurrence: occurrence, Was: "B", State: "C", By: "keeper"})
}

func (d *diary) clear(minute float64, alarm, occurrence string, was, state isa.State) {
	d.add(minute, journal.Entry{Kind: journal.AlarmCleared, Alarm: alarm, Occurrence: occurrence, Was: was, State: state})
}

// judge judges so many minutes of the diary, all of them monitored, at a site without light hours.
func (d *diary) judge(minutes int) *report.Performance {
	e := report.Evidence{
		Entries: d.entries, From: instant.Of(d.begin), To: instant.Of(d.begin.Add(time.Duration(minutes) * time.Minute)), Location: time.UTC,
		Light: care.Light{AlwaysDay: true},
	}
	e.Monitored = slices.Repeat([]bool{true}, (minutes+9)/10)
	return report.Judge(e)
}

func figure(t *testing.T, p *report.Performance, name string) report.Figure {
	t.Helper()
	i := slices.IndexFunc(p.Figures, func(f report.Figure) bool { return f.Name == name })
	require.GreaterOrEqual(t, i, 0, name)
	return p.Figures[i]
}

func value(t *testing.T, p *report.Performance, name string) float64 {
	t.Helper()
	f := figure(t, p, name)
	require.NotNil(t, f.Value, name)
	return float64(*f.Value)
}

var midnight = time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)

// The test vector of the project's collected facts on ISA-18.2: minutes of entry into the state unacknowledged in one hour.
// Bins 11, 3, 4, 0, 1, 1: one of six is above ten, and the flood by bins lasts for the first ten minutes.
func TestRateVector(t *testing.T) {
	d := &diary{begin: midnight}
	for i, minute := range []float64{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 9.5, 12, 13, 14, 21, 22, 23, 24, 40, 55} {
		d.raise(minute, fmt.Sprintf("tub-%d/water-temperature/high", i%7+1), "high")
	}
	p := d.judge(60)
	assert.Equal(t, 20, p.Annunciations)
	assert.InDelta(t, 20, value(t, p, "per_hour"), 1e-9)
	assert.InDelta(t, 20.0/6, value(t, p, "per_10_min"), 1e-9)
	assert.InDelta(t, 1.0/6, value(t, p, "bins_above_10"), 1e-9)
	assert.InDelta(t, 1.0/6, value(t, p, "time_in_flood"), 1e-9)
	assert.Equal(t, 1.0, value(t, p, "floods"))
	assert.Equal(t, 11.0, value(t, p, "peak_10_min"))
	assert.Equal(t, 20.0, value(t, p, "peak_hour"))
	assert.Equal(t, 2.0, value(t, p, "peak_minute"), "9 and 9.5")
	assert.Zero(t, value(t, p, "hours_above_30"))
	assert.False(t, p.Enough)
	assert.Equal(t, "0.0 days, not enough", figure(t, p, "per_hour").Verdict)
	require.Len(t, p.Top, 3, "below fifty different alarms the worst three")
	assert.Equal(t, report.Ranked{Alarm: "tub-1/water-temperature/high", Count: 3, Share: 0.15}, p.Top[0])
}

// A flood goes on through a bin of five to ten, and ends before one of fewer than five.
func TestFloodEnds(t *testing.T) {
	d := &diary{begin: midnight}
	for bin, n := range []int{10, 11, 5, 12, 4, 10, 20} {
		for i := range n {
			d.raise(float64(10*bin)+float64(i)/4, "loft/air-temperature/high", "high")
		}
	}
	p := d.judge(70)
	assert.Equal(t, 2.0, value(t, p, "floods"))
	assert.InDelta(t, 4.0/7, value(t, p, "time_in_flood"), 1e-9, "bins 2 to 4, and 7")
}

// Bins are fixed to UTC, whenever the range begins.
func TestBinsAreFixed(t *testing.T) {
	d := &diary{begin: midnight.Add(5 * time.Minute)}
	for i := range 12 {
		d.raise(float64(i), "loft/air-temperature/high", "high")
	}
	p := d.judge(20)
	assert.Equal(t, 7.0, value(t, p, "peak_10_min"), "00:10 to 00:16, after five from 00:05 to 00:09")
	assert.Zero(t, value(t, p, "floods"))
}

// Only entries into the state unacknowledged count, and repeats are counted apart from first annunciations.
func TestWhatCounts(t *testing.T) {
	const a = "tub-1/water-temperature/high"
	d := &diary{begin: midnight}
	id := d.raise(0, a, "high")
	d.add(5, journal.Entry{Kind: journal.AlarmRepeated, Alarm: a, Occurrence: id, Was: "B", State: "B", Priority: "high"})
	d.acknowledge(6, a, id)
	d.add(10, journal.Entry{Kind: journal.AlarmRepeated, Alarm: a, Occurrence: id, Was: "C", State: "B", Priority: "high"})
	d.add(11, journal.Entry{Kind: journal.AlarmShelved, Alarm: a, Occurrence: id, Was: "B", State: "G", Reason: "door open"})
	d.add(20, journal.Entry{Kind: journal.AlarmUnshelved, Alarm: a, Occurrence: id, Was: "G", State: "B", Priority: "high"})
	d.clear(30, a, id, "B", "D")
	d.add(31, journal.Entry{Kind: journal.AlarmRaised, Alarm: "tub-2/water-temperature/high", Occurrence: "x", Was: "H", State: "H", Priority: "high"})
	d.add(32, journal.Entry{Kind: journal.CommandRefused, Alarm: a, Text: "acknowledge"})
	p := d.judge(60)
	assert.Equal(t, 4, p.Annunciations)
	assert.Equal(t, 3, p.Repeats)
	require.Len(t, p.Responses, 1)
	assert.Equal(t, 1, p.Responses[0].Raised, "one occurrence, however often it was repeated")
}

// What lies outside the monitored time makes no rate smaller.
func TestRatesArePerMonitoredTime(t *testing.T) {
	d := &diary{begin: midnight}
	d.raise(1, "loft/air-temperature/high", "high")
	d.raise(2, "loft/air-temperature/high", "high")
	e := report.Evidence{
		Entries: d.entries, From: instant.Of(midnight), To: instant.Of(midnight.Add(10 * time.Hour)), Location: time.UTC,
		Monitored: append(slices.Repeat([]bool{true}, 6), slices.Repeat([]bool{false}, 54)...), Light: care.Light{AlwaysDay: true},
	}
	p := report.Judge(e)
	assert.Equal(t, 2.0, value(t, p, "per_hour"))
	assert.InDelta(t, 1.0/24, float64(p.Days), 1e-9)

	nothing := report.Judge(report.Evidence{Location: time.UTC, From: e.From, To: e.To, Monitored: make([]bool, 60), Light: care.Light{AlwaysDay: true}})
	assert.Nil(t, figure(t, nothing, "per_hour").Value)
	assert.Equal(t, "nothing to judge", figure(t, nothing, "per_hour").Verdict)
}

func TestChatteringAndFleeting(t *testing.T) {
	d := &diary{begin: midnight}
	const chatters, flits, calm = "loft/air-temperature/high", "tub-1/water-temperature/high", "tub-2/water-temperature/high"
	for i := range 3 { // three pairs within 50 s
		at := 10 + float64(i)/3
		d.clear(at+1.0/6, chatters, d.raise(at, chatters, "high"), "B", "D")
	}
	d.clear(30+9.0/60, flits, d.raise(30, flits, "high"), "B", "D") // 9 s, once
	d.clear(50, calm, d.raise(40, calm, "high"), "B", "D")
	p := d.judge(60)
	assert.Equal(t, []report.Counted{{Alarm: chatters, Count: 1}}, p.Chattering)
	assert.Equal(t, []report.Counted{{Alarm: flits, Count: 1}}, p.Fleeting)
}

// Standing alarms, one of which was raised before the range; the worst day decides.
func TestStanding(t *testing.T) {
	d := &diary{begin: midnight}
	hour := 60.0
	d.raise(-30*hour, "tub-1/water-temperature/low", "high") // standing from −6 h on, and never cleared
	b := d.raise(1*hour, "tub-2/water-temperature/low", "high")
	d.clear(26*hour, "tub-2/water-temperature/low", b, "B", "D") // stood from 25 h to 26 h
	c := d.raise(2*hour, "tub-3/water-temperature/low", "high")
	d.clear(25*hour, "tub-3/water-temperature/low", c, "B", "D") // 23 h only
	p := d.judge(3 * 24 * 60)
	require.Len(t, p.Standing, 2)
	assert.True(t, p.Standing[0].Cleared.IsNone())
	assert.Equal(t, 2.0, value(t, p, "standing"))
}

func TestResponses(t *testing.T) {
	d := &diary{begin: midnight}
	for i, minutes := range []float64{10, 25, 50} {
		at := float64(i) * 120
		d.acknowledge(at+minutes, "loft/air-temperature/critical-high", d.raise(at, "loft/air-temperature/critical-high", "critical"))
	}
	d.raise(700, "loft/air-temperature/critical-high", "critical")
	d.raise(701, "tub-1/water-temperature/rising", "medium") // asks for nothing
	p := d.judge(24 * 60)
	require.Len(t, p.Responses, 1)
	r := p.Responses[0]
	assert.Equal(t, 4, r.Raised)
	assert.Equal(t, 3, r.Acknowledged)
	assert.Equal(t, 25*time.Minute, time.Duration(*r.MedianS))
	assert.Equal(t, 50*time.Minute, time.Duration(*r.LongestS))
	assert.Equal(t, 30*time.Minute, time.Duration(*r.AllowableS))
	assert.Equal(t, 2, r.Within)
}

func TestSuppressedAtTheEnd(t *testing.T) {
	d := &diary{begin: midnight}
	until := instant.Of(midnight.Add(2 * time.Hour))
	d.add(10, journal.Entry{Kind: journal.AlarmShelved, Alarm: "a/air-temperature/high", Was: "A", State: "G", Until: &until, By: "keeper", Reason: "door open"})
	d.add(12, journal.Entry{Kind: journal.AlarmRaised, Alarm: "a/air-temperature/high", Was: "G", State: "G"})
	d.add(11, journal.Entry{Kind: journal.AlarmDisabled, Alarm: "b/air-temperature/high", Was: "A", State: "I", By: "keeper", Reason: "empty"})
	d.add(12, journal.Entry{Kind: journal.AlarmSuppressed, Alarm: "c/air-temperature/high", Was: "B", State: "H", By: "loft/air-temperature/critical-high"})
	d.add(20, journal.Entry{Kind: journal.AlarmReturned, Alarm: "c/air-temperature/high", Was: "H", State: "B"})
	p := d.judge(60)
	require.Len(t, p.Suppressed, 2)
	assert.Equal(t, report.Suppressed{
		Alarm: "a/air-temperature/high", State: "shelved", Since: instant.Of(midnight.Add(10 * time.Minute)), Until: until, By: "keeper", Reason: "door open",
	}, p.Suppressed[0])
	assert.Equal(t, "out of service", p.Suppressed[1].State)
	assert.True(t, p.Suppressed[1].Until.IsNone())
}

// After a room's alarm that speaks for others, and after a start, the first ten minutes are looked at.
func TestAfterUpset(t *testing.T) {
	d := &diary{begin: midnight}
	d.raise(0, "tub-1/water-temperature/high", "high")
	d.add(30, journal.Entry{Kind: journal.RunStarted})
	for i := range 4 {
		d.raise(31+float64(i), "tub-1/water-temperature/high", "high")
	}
	d.add(60, journal.Entry{Kind: journal.AlarmRaised, Alarm: "loft/air-temperature/critical-high", Was: "A", State: "B", Priority: "critical", Names: []string{"tub-1"}})
	d.raise(69, "tub-2/water-temperature/high", "high")
	d.raise(70, "tub-3/water-temperature/high", "high")
	p := d.judge(120)
	assert.Equal(t, 4.0, value(t, p, "after_upset"))
}

// Thirty days of data earn a verdict; nights are those of the light hours.
func TestVerdictsAfterThirtyDays(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	begin := time.Date(2026, 7, 1, 0, 0, 0, 0, lisbon)
	d := &diary{begin: begin}
	for n := range 30 {
		d.raise(float64(n*24*60+13*60), "loft/air-temperature/high", "high") // by day
	}
	for _, hour := range []float64{22, 26} { // one night, two dates
		d.raise(hour*60, "tub-1/water-temperature/low", "low")
	}
	e := report.Evidence{
		Entries: d.entries, From: instant.Of(begin), To: instant.Of(begin.AddDate(0, 0, 30)), Location: lisbon,
		Monitored: slices.Repeat([]bool{true}, 30*24*6), Light: care.Light{Location: lisbon, From: 7 * 60, To: 19 * 60},
	}
	p := report.Judge(e)
	assert.True(t, p.Enough)
	assert.Equal(t, 2.0, value(t, p, "worst_night"))
	assert.Equal(t, "missed", figure(t, p, "worst_night").Verdict)
	assert.Equal(t, 2.0, value(t, p, "worst_day"))
	assert.Equal(t, "met", figure(t, p, "worst_day").Verdict)
	assert.Equal(t, "met", figure(t, p, "per_hour").Verdict)
	assert.InDelta(t, 2.0/32, value(t, p, "share_low"), 1e-9)
	assert.Equal(t, "met", figure(t, p, "share_critical").Verdict)
}

// Whatever the journal holds, the figures are shares where they say so, and every annunciation is in the ranking's total.
func TestFiguresOfAnyJournal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := &diary{begin: midnight}
		alarms := []string{"a/air-temperature/high", "b/air-temperature/high", "sensor/x/fault", "c/air-temperature/rising"}
		states := []isa.State{"A", "B", "C", "D", "E", "F", "G", "H", "I", ""}
		kinds := []journal.Kind{journal.AlarmRaised, journal.AlarmCleared, journal.AlarmAcknowledged, journal.AlarmRepeated, journal.AlarmShelved, journal.Note}
		at := -100.0
		for range rapid.IntRange(0, 80).Draw(t, "entries") {
			at += rapid.Float64Range(0, 30).Draw(t, "minutes")
			d.add(at, journal.Entry{
				Kind: rapid.SampledFrom(kinds).Draw(t, "kind"), Alarm: rapid.SampledFrom(alarms).Draw(t, "alarm"), Occurrence: rapid.SampledFrom([]string{"1", "2"}).Draw(t, "id"),
				Was: rapid.SampledFrom(states).Draw(t, "was"), State: rapid.SampledFrom(states).Draw(t, "state"), Priority: rapid.SampledFrom([]string{"", "low", "critical"}).Draw(t, "priority"),
			})
		}
		p := d.judge(rapid.IntRange(1, 3000).Draw(t, "length"))
		for _, f := range p.Figures {
			if f.Unit == "share" && f.Value != nil {
				require.GreaterOrEqual(t, float64(*f.Value), 0.0, f.Name)
				require.LessOrEqual(t, float64(*f.Value), 1.0, f.Name)
			}
		}
		top := 0
		for _, r := range p.Top {
			top += r.Count
		}
		require.LessOrEqual(t, top, p.Annunciations)
		require.LessOrEqual(t, p.Repeats, p.Annunciations)
		if p.Annunciations > 0 {
			require.Positive(t, top)
		}
		_ = asJSON(t, p)
	})
}

// Silence longer than a sensor's rhythm is not monitored time.
func TestMonitored(t *testing.T) {
	h := &memory{}
	for minute := range 60 {
		h.readings = append(h.readings, reading(tub, midnight.Add(time.Duration(minute)*time.Minute), 22, quantity.Pass))
	}
	h.readings = append(h.readings,
		reading(tub, midnight.Add(80*time.Minute), 22, quantity.Pass),  // after 20 minutes
		reading(tub, midnight.Add(130*time.Minute), 22, quantity.Pass), // after 50
		reading(loft, midnight.Add(155*time.Minute), 85, quantity.Fail))
	seen, err := report.Monitored(t.Context(), h, instant.Of(midnight), instant.Of(midnight.Add(160*time.Minute)), 20*time.Minute)
	require.NoError(t, err)
	assert.Equal(t, []bool{true, true, true, true, true, true, true, true, true, false, false, false, false, true, false, false}, seen)
	_, err = report.Monitored(t.Context(), h, 5, 5, 0)
	require.ErrorContains(t, err, "before it begins")
}

// The whole way, with the store itself, in every form.
func TestAlarmsGolden(t *testing.T) {
	site, lived := autumn(t)
	db, err := store.Open(t.TempDir()+"/history.db", store.Options{})
	require.NoError(t, err)
	defer db.Close(t.Context())
	for _, r := range lived.readings {
		db.Append("run-1", r.Point, r.At, r.Value, r.Flag, 0)
	}
	require.NoError(t, db.Record(t.Context(), lived.entries, nil, store.State{}))
	to, err := report.Newest(t.Context(), db)
	require.NoError(t, err)
	from := report.DaysBefore(to, site.Location, 3)
	p, err := report.Alarms(t.Context(), db, report.Request{Site: site, From: from, To: to})
	require.NoError(t, err)
	golden(t, "alarms.json", asJSON(t, p))
	var text, page, table bytes.Buffer
	sheet := p.Sheet(report.WordsOf(site))
	require.NoError(t, report.Text(&text, sheet))
	golden(t, "alarms.txt", text.String())
	require.NoError(t, report.HTML(&page, sheet))
	golden(t, "alarms.html", page.String())
	require.NoError(t, report.PerformanceCSV(&table, p))
	golden(t, "alarms.csv", table.String())
	assert.Equal(t, len(p.Figures)+1, strings.Count(table.String(), "\n"))

	// And the exposure says with the store what it says with the memory.
	request := report.Request{From: from, To: to}
	assert.Equal(t, asJSON(t, expose(t, site, lived, request)), asJSON(t, expose(t, site, db, request)))
}

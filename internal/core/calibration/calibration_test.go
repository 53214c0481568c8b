package calibration_test

import (
	"fmt"
	"math/rand"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/calibration"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quality"
	"dewline/internal/core/quantity"
)

// day returns the beginning of a day of the invented season.
func day(n int) instant.Instant {
	return instant.Of(time.Date(2026, 9, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, n))
}

var water = quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}

// seed is the probe of a tub, of which the configuration says nothing more.
func seed() calibration.Seed {
	return calibration.Seed{Sensor: "tub-1-probe", Channel: "temperature", Point: water, Part: "28-0316a2794bff", Accuracy: 0.5}
}

// book is what was written about sensors, in the order of writing.
type book struct{ calibration.Record }

func (b *book) add(e calibration.Entry) string {
	e.Seq = uint64(len(b.Entries) + 1)
	e.ID, e.Run = fmt.Sprintf("run-%d", e.Seq), "run"
	if e.At == 0 {
		e.At = day(90).Add(time.Duration(e.Seq) * time.Hour)
	}
	b.Entries = append(b.Entries, e)
	return e.ID
}

func (b *book) calibrated(since instant.Instant, offset float64, corrects string) string {
	return b.add(calibration.Entry{
		Kind: journal.SensorCalibrated, Sensor: "tub-1-probe", Channel: "temperature", Part: "28-0316a2794bff", Since: since, Corrects: corrects,
		Found: journal.Calibration{Method: "ice bath", Gain: 1, Offset: offset, Uncertainty: 0.1},
	})
}

func (b *book) now(t *testing.T) calibration.State {
	states := b.States(day(100))
	require.Len(t, states, 1)
	return states[0]
}

func TestTheLatestDateIsInForce(t *testing.T) {
	b := book{calibration.Record{Seeds: []calibration.Seed{seed()}}}
	s := b.now(t)
	assert.Equal(t, calibration.None, s.Origin)
	assert.Nil(t, s.Calibration)
	assert.Equal(t, 0.5, s.Uncertainty, "that of the sensor")
	assert.True(t, s.Due.IsNone())

	b.calibrated(day(10), -0.3, "")
	s = b.now(t)
	assert.Equal(t, calibration.Journal, s.Origin)
	assert.Equal(t, "ice bath", s.Method)
	assert.InDelta(t, -0.3, s.Correction(), 1e-12)
	assert.Equal(t, 0.1, s.Uncertainty)
	assert.Equal(t, day(10).Add(quality.CalibrateEvery), s.Due)
	assert.False(t, s.Overdue(day(10+364)))
	assert.True(t, s.Overdue(day(10+365)))
	assert.Nil(t, s.Drift)
	assert.Equal(t, calibration.None, b.States(day(9))[0].Origin, "before its date it does not hold")

	b.calibrated(day(5), -0.1, "") // written down late
	s = b.now(t)
	assert.InDelta(t, -0.3, s.Correction(), 1e-12)
	require.NotNil(t, s.Drift)
	assert.Equal(t, day(5), s.Drift.Since)
	assert.InDelta(t, 0.2, s.Drift.Of, 1e-12, "corrected by 0.2 K less now, it reads 0.2 K more")
	assert.InDelta(t, 0.1414, s.Drift.Uncertainty, 1e-4)
	assert.True(t, s.Drift.Significant())
}

// The configuration is a seed among the entries: by its date it is in force, or before one of the journal.
func TestConfigurationAndJournal(t *testing.T) {
	of := func(at instant.Instant) *quality.Calibration {
		return &quality.Calibration{Gain: 1, Offset: 0.2, At: at}
	}
	for name, test := range map[string]struct {
		configured *quality.Calibration
		origin     calibration.Origin
		before     instant.Instant // date of the one before
	}{
		"without a date":  {of(0), calibration.Journal, instant.None},
		"an earlier date": {of(day(3)), calibration.Journal, day(3)},
		"a later date":    {of(day(20)), calibration.Configuration, day(10)},
	} {
		t.Run(name, func(t *testing.T) {
			b := book{calibration.Record{Seeds: []calibration.Seed{seed()}}}
			b.Seeds[0].Calibration, b.Seeds[0].Every = test.configured, 30*24*time.Hour
			assert.Equal(t, calibration.Configuration, b.now(t).Origin)
			assert.Equal(t, "offset", b.now(t).Method)
			id := b.calibrated(day(10), -0.3, "")
			s := b.now(t)
			assert.Equal(t, test.origin, s.Origin)
			assert.Equal(t, test.before, s.Drift.Since)
			assert.Equal(t, s.At.Add(30*24*time.Hour), s.Due)
			b.add(calibration.Entry{Kind: journal.Note, Since: day(50), Corrects: id})
			assert.Equal(t, calibration.Configuration, b.now(t).Origin, "a note withdraws")
		})
	}
}

// What was found with another part counts no more.
func TestReplacement(t *testing.T) {
	b := book{calibration.Record{Seeds: []calibration.Seed{seed()}}}
	b.Seeds[0].Calibration = &quality.Calibration{Gain: 1, Offset: 0.2, At: day(1)}
	b.calibrated(day(10), -0.3, "")
	replaced := b.add(calibration.Entry{Kind: journal.SensorReplaced, Sensor: "tub-1-probe", Since: day(30)}) // by hand: it has no part
	s := b.now(t)
	assert.Equal(t, calibration.None, s.Origin)
	assert.True(t, s.Lapsed, "the configuration has that of the part before")
	assert.Equal(t, day(30), s.Replaced)
	assert.Equal(t, calibration.Journal, b.States(day(29))[0].Origin)
	b.calibrated(day(31), 0.1, "")
	s = b.now(t)
	assert.Equal(t, calibration.Journal, s.Origin)
	assert.Nil(t, s.Drift, "two parts do not drift")
	b.add(calibration.Entry{Kind: journal.Note, Since: day(40), Corrects: replaced})
	assert.NotNil(t, b.now(t).Drift)

	b = book{calibration.Record{Seeds: []calibration.Seed{seed()}}}
	b.calibrated(day(10), -0.3, "")
	b.Seeds[0].Part = "28-0516a2794c00" // the address in the configuration
	b.Seeds[0].Calibration = &quality.Calibration{Gain: 1, Offset: 0.4, At: day(30)}
	b.add(calibration.Entry{Kind: journal.SensorReplaced, Sensor: "tub-1-probe", Part: "28-0516a2794c00", Since: day(30).Add(14 * time.Hour)})
	s = b.now(t)
	assert.Equal(t, calibration.Configuration, s.Origin, "calibrated on the day of the exchange")
	assert.False(t, s.Lapsed)
	assert.Nil(t, s.Drift)
}

func TestRefusals(t *testing.T) {
	b := book{calibration.Record{Seeds: []calibration.Seed{seed()}}}
	first := b.calibrated(day(10), -0.3, "")
	second := b.calibrated(day(11), -0.2, first)
	replaced := b.add(calibration.Entry{Kind: journal.SensorReplaced, Sensor: "tub-1-probe", Since: day(5)})
	say := func(change func(e *calibration.Entry)) string {
		e := calibration.Entry{
			Seq: 100, Kind: journal.SensorCalibrated, Sensor: "tub-1-probe", Channel: "temperature", Since: day(20), Found: journal.Calibration{Gain: 1, Offset: 0.1},
		}
		change(&e)
		return b.Refusal(&e)
	}
	assert.Empty(t, say(func(e *calibration.Entry) { e.Corrects = second }))
	assert.Empty(t, say(func(e *calibration.Entry) { e.Kind, e.Corrects = journal.Note, replaced }))
	assert.Equal(t, `no channel "humidity" of the sensor "tub-1-probe" feeds a point: there are temperature of tub-1-probe`,
		say(func(e *calibration.Entry) { e.Channel = "humidity" }))
	assert.Equal(t, `there is no entry "run-9" that could be corrected`, say(func(e *calibration.Entry) { e.Corrects = "run-9" }))
	assert.Equal(t, "run-1 has been corrected already, by run-2: correct that one", say(func(e *calibration.Entry) { e.Corrects = first }))
	assert.Equal(t, replaced+" is a replacement of tub-1-probe, and a calibration cannot take its place: a note that corrects it withdraws it", say(func(e *calibration.Entry) { e.Corrects = replaced }))
	assert.Contains(t, say(func(e *calibration.Entry) { e.Found.Offset = 7 }), "check the reference, then replace the sensor")
	assert.Contains(t, say(func(e *calibration.Entry) { e.Found.Points = make([]journal.Comparison, 3) }), "3 points are given")
}

// drawBook draws what may be on record of two sensors, in any order of writing and with any corrections.
func drawBook(t *rapid.T) *book {
	probe, air := seed(), seed()
	air.Sensor, air.Channel, air.Point, air.Part = "loft-air", "humidity", quantity.Point{Place: "loft", Quantity: quantity.RelativeHumidity}, "sht4x"
	if rapid.Bool().Draw(t, "configured") {
		probe.Calibration = &quality.Calibration{Gain: 1, Offset: 0.2, At: rapid.SampledFrom([]instant.Instant{0, day(4), day(12)}).Draw(t, "date")}
	}
	b := &book{calibration.Record{Seeds: []calibration.Seed{probe, air}}}
	for range rapid.IntRange(0, 15).Draw(t, "entries") {
		of := rapid.SampledFrom(b.Seeds).Draw(t, "channel")
		e := calibration.Entry{Kind: journal.SensorCalibrated, Sensor: of.Sensor, Channel: of.Channel, Part: of.Part, Since: day(rapid.IntRange(0, 20).Draw(t, "day"))}
		switch rapid.IntRange(0, 6).Draw(t, "kind") {
		case 0:
			e.Kind, e.Channel, e.Part = journal.SensorReplaced, "", rapid.SampledFrom([]string{"", "another"}).Draw(t, "part")
		case 1:
			e = calibration.Entry{Kind: journal.Note, Since: e.Since}
		case 2:
			measured, reference := rapid.Float64Range(10, 40).Draw(t, "measured"), rapid.Float64Range(-2, 2).Draw(t, "off")
			e.Found = journal.Calibration{Method: "salt", Gain: 1, Offset: reference, Points: []journal.Comparison{{Measured: measured, Reference: measured + reference}}}
		default:
			e.Found = journal.Calibration{Method: "ice bath", Gain: 1, Offset: rapid.Float64Range(-2, 2).Draw(t, "offset"), Uncertainty: 0.1, Residual: 0.02}
		}
		if len(b.Entries) > 0 && rapid.IntRange(0, 2).Draw(t, "corrects") == 0 {
			e.Corrects = b.Entries[rapid.IntRange(0, len(b.Entries)-1).Draw(t, "which")].ID
		}
		b.add(e)
	}
	return b
}

// The order in which entries arrive makes no difference.
func TestOrderOfArrivalMakesNoDifference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := drawBook(t)
		at := day(rapid.IntRange(0, 25).Draw(t, "at"))
		want := b.States(at)
		shuffled := calibration.Record{Seeds: b.Seeds, Entries: slices.Clone(b.Entries)}
		rand.New(rand.NewSource(rapid.Int64().Draw(t, "shuffle"))).Shuffle(len(shuffled.Entries), func(i, j int) {
			shuffled.Entries[i], shuffled.Entries[j] = shuffled.Entries[j], shuffled.Entries[i]
		})
		require.Equal(t, want, shuffled.States(at))
		twice := calibration.Record{Seeds: b.Seeds}
		twice.Add(shuffled.Entries...)
		twice.Add(b.Entries...)
		require.Equal(t, want, twice.States(at), "entries that are there already change nothing")
	})
}

// An entry and a note that withdraws it leave what was in force before; an entry that another one takes the place of has never been.
func TestCorrectionsUndo(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := drawBook(t)
		at := day(25)
		before := b.States(at)
		entry := calibration.Entry{Kind: journal.SensorCalibrated, Sensor: "tub-1-probe", Channel: "temperature", Since: day(rapid.IntRange(0, 20).Draw(t, "when"))}
		entry.Found = journal.Calibration{Method: "wrong", Gain: 1, Offset: 1.5}
		other := entry
		other.Found.Method, other.Since = "right", day(rapid.IntRange(0, 20).Draw(t, "really"))

		right := &book{calibration.Record{Seeds: b.Seeds, Entries: slices.Clone(b.Entries)}}
		right.add(calibration.Entry{Kind: journal.Note, Since: day(21)}) // so that the numbers of the entries are the same
		right.add(other)

		wrong := b.add(entry)
		other.Corrects = wrong
		b.add(other)
		require.Equal(t, right.States(at), b.States(at))
		b.add(calibration.Entry{Kind: journal.Note, Since: day(22), Corrects: b.Entries[len(b.Entries)-1].ID})
		require.Equal(t, before, b.States(at))
	})
}

// An entry survives its way through the journal.
func TestEncoding(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		for _, e := range drawBook(t).Entries {
			j := journal.Entry{Seq: e.Seq, Run: e.Run, At: e.At, Kind: e.Kind}
			e.WriteTo(&j)
			e.ID = j.ID()
			read, ok := calibration.Of(&j)
			require.Equal(t, e.Kind != journal.Note || e.Corrects != "", ok)
			if ok {
				require.Equal(t, e, read)
			}
		}
	})
	_, ok := calibration.Of(&journal.Entry{Kind: journal.SensorCalibrated, Sensor: "a"})
	assert.False(t, ok, "a calibration that says nothing")
}

// The times of a clock that has since been set move, the dates that people gave stay.
func TestShift(t *testing.T) {
	b := book{calibration.Record{Seeds: []calibration.Seed{seed()}}}
	b.calibrated(day(10), -0.3, "")
	b.add(calibration.Entry{Kind: journal.SensorReplaced, Sensor: "tub-1-probe", Since: day(40), At: day(40)})
	b.Shift([]string{"run"}, time.Hour)
	assert.Equal(t, day(10), b.Entries[0].Since)
	assert.Equal(t, day(40).Add(time.Hour), b.Entries[1].Since)
	assert.Equal(t, b.Entries[1].Since, b.Entries[1].At)
}

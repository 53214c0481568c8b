package watch_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// hotRoom is a room with one tub in it, with short delays.
func hotRoom() watch.Site {
	site := tub(band(none, none, 24, 27, delays(60*time.Second, 60*time.Second, 0.3)), time.Minute)
	site.Places[0].Bands = map[quantity.Quantity]care.DayNight{
		quantity.AirTemperature: band(none, none, 25.5, 27.8, delays(60*time.Second, 60*time.Second, 0.5)),
	}
	site.Points = append(site.Points, watch.Point{Point: air, Gap: time.Minute, StaleAfter: 2 * time.Minute})
	site.Points[0].StaleAfter = 2 * time.Minute
	site.Sensors = []watch.SensorFeeds{
		{ID: "tub-1-probe", Channels: []watch.Channel{{Name: "temperature", Feeds: water}}, FaultAfter: time.Minute},
		{ID: "loft-air", Channels: []watch.Channel{{Name: "temperature", Feeds: air}}, FaultAfter: time.Minute},
	}
	return site
}

// player steps a core through time with readings of both points every 10 s.
type player struct {
	t       *testing.T
	core    *watch.Core
	now     float64
	effects []watch.Effect
}

func play(t *testing.T, site watch.Site) *player {
	p := &player{t: t, core: watch.New(site, "run-1")}
	p.effects = p.core.Step(watch.Event{Kind: watch.StartEvent, At: at(0), Run: "run-1"}, nil)
	return p
}

// run lets seconds pass with the given temperatures; NaN sends no reading of that point.
func (p *player) run(length, waterCelsius, airCelsius float64) {
	for end := p.now + length; p.now < end; {
		p.now += 10
		p.event(watch.Event{Kind: watch.TickEvent})
		for point, v := range []float64{waterCelsius, airCelsius} {
			if v == v {
				p.event(watch.Event{Point: int32(point), Value: v, Flag: quantity.Pass})
			}
		}
	}
}

func (p *player) event(ev watch.Event) []watch.Effect {
	ev.At = at(p.now)
	got := p.core.Step(ev, nil)
	p.effects = append(p.effects, got...)
	return got
}

func (p *player) command(c watch.Command) []watch.Effect {
	c.By = "keeper"
	return p.event(watch.Event{Kind: watch.CommandEvent, Command: &c})
}

func (p *player) letter(name string) string {
	a, ok := p.core.Alarm(name)
	require.True(p.t, ok, name)
	return string(a.Letter)
}

// notified lists the alarms that have called for a person so far.
func (p *player) notified() []string {
	var names []string
	for _, e := range p.effects {
		if e.Kind == watch.Notify {
			names = append(names, e.Entry.Alarm)
		}
	}
	return names
}

const (
	tubHigh      = "tub-1/water-temperature/high"
	tubCritical  = "tub-1/water-temperature/critical-high"
	tubStale     = "tub-1/water-temperature/stale"
	roomHigh     = "loft/air-temperature/high"
	roomCritical = "loft/air-temperature/critical-high"
	probeFault   = "sensor/tub-1-probe/fault"
)

func TestAcknowledgementNamesTheOccurrence(t *testing.T) {
	p := play(t, hotRoom())
	p.run(120, 24.5, 22)
	first, _ := p.core.Alarm(tubHigh)
	require.Equal(t, "B", string(first.Letter))
	p.run(180, 22, 22)
	assert.Equal(t, "D", p.letter(tubHigh), "it was hot and nobody looked")
	p.run(120, 24.5, 22)
	second, _ := p.core.Alarm(tubHigh)
	require.NotEqual(t, first.Occurrence, second.Occurrence)

	got := p.command(watch.Command{Verb: watch.Acknowledge, Occurrence: first.Occurrence})
	require.Equal(t, watch.Refused, got[0].Kind, "a late retry must not silence a new event")
	assert.Contains(t, got[0].Entry.Reason, second.Occurrence)
	got = p.command(watch.Command{Verb: watch.Acknowledge, Alarm: roomHigh})
	require.Equal(t, watch.Refused, got[0].Kind)
	assert.Contains(t, got[0].Entry.Reason, "never been raised")

	got = p.command(watch.Command{Verb: watch.Acknowledge, Occurrence: second.Occurrence})
	require.Equal(t, watch.Record, got[0].Kind)
	assert.Equal(t, "keeper", got[0].Entry.By)
	assert.Equal(t, "C", p.letter(tubHigh))
	assert.Empty(t, p.command(watch.Command{Verb: watch.Acknowledge, Occurrence: second.Occurrence}), "a repeat is harmless")

	p.run(180, 22, 22)
	p.run(120, 24.5, 22)
	third, _ := p.core.Alarm(tubHigh)
	got = p.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubHigh})
	require.Equal(t, watch.Record, got[0].Kind, "the name alone is for the occurrence of the moment")
	assert.Equal(t, third.Occurrence, got[0].Entry.Occurrence)
}

func TestReasonOfAShelfGoesWithIt(t *testing.T) {
	p := play(t, hotRoom())
	p.run(120, 24.5, 22)
	reason := func() string {
		a, _ := p.core.Alarm(tubHigh)
		return a.Reason
	}
	p.command(watch.Command{Verb: watch.Shelve, Alarm: tubHigh, For: time.Minute, Reason: "changing the water"})
	assert.Equal(t, "changing the water", reason())
	p.command(watch.Command{Verb: watch.Unshelve, Alarm: tubHigh})
	assert.Empty(t, reason())
	p.command(watch.Command{Verb: watch.Shelve, Alarm: tubHigh, For: time.Minute, Reason: "and again"})
	p.run(120, 24.5, 22)
	assert.Empty(t, reason(), "also where it ends by itself")
}

func TestRoomAlarmCoversItsEnclosures(t *testing.T) {
	p := play(t, hotRoom())
	p.run(120, 22, 28)
	require.Equal(t, "B", p.letter(roomCritical))
	state, _ := p.core.Alarm(roomCritical)
	assert.Equal(t, []string{"tub-1"}, state.Names)
	p.run(120, 28, 28)
	assert.Equal(t, "H", p.letter(tubHigh))
	assert.Equal(t, "H", p.letter(tubCritical))
	assert.Equal(t, []string{roomHigh, roomCritical}, p.notified(), "one notification for the room instead of one each")
	refusal := p.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})[0].Entry
	assert.Equal(t, tubCritical+" is covered by "+roomCritical+", which is the alarm to see to", refusal.Reason)

	p.run(120, 28, 25)
	assert.Equal(t, "D", p.letter(roomCritical))
	assert.Equal(t, "B", p.letter(tubCritical), "the tub is still hot and nothing covers it any more")
	assert.Contains(t, p.notified(), tubCritical)
}

func TestShelvedRoomAlarmCoversNoEnclosure(t *testing.T) {
	p := play(t, hotRoom())
	p.run(240, 28, 28)
	require.Equal(t, "H", p.letter(tubCritical))
	p.command(watch.Command{Verb: watch.Shelve, Alarm: roomCritical, For: time.Hour, Reason: "air conditioner is being repaired"})
	assert.Equal(t, "G", p.letter(roomCritical))
	assert.Equal(t, "B", p.letter(tubCritical))
}

func TestShelfAlwaysEnds(t *testing.T) {
	p := play(t, hotRoom())
	p.run(120, 24.5, 22)
	p.command(watch.Command{Verb: watch.Shelve, Alarm: tubHigh, For: 5 * time.Minute})
	shelved := p.now
	require.Equal(t, "G", p.letter(tubHigh))
	p.run(400, 24.5, 22)
	ends := entries(p.effects, journal.AlarmUnshelved)
	require.Len(t, ends, 1)
	assert.Equal(t, shelved+300, seconds(ends[0].At))
	assert.Equal(t, "B", p.letter(tubHigh))
	got := p.command(watch.Command{Verb: watch.Shelve, Alarm: tubHigh, For: 13 * time.Hour})
	assert.Equal(t, watch.Refused, got[0].Kind)
	got = p.command(watch.Command{Verb: watch.Shelve, Alarm: tubCritical, For: 3 * time.Hour})
	assert.Equal(t, watch.Refused, got[0].Kind)
	got = p.command(watch.Command{Verb: watch.Shelve, Alarm: tubCritical, For: -time.Hour})
	assert.Equal(t, watch.Refused, got[0].Kind)
}

func TestStaleIsRaisedAtItsTimeAndEndsWithTwoGoodReadings(t *testing.T) {
	p := play(t, hotRoom())
	p.run(60, 22, 22)
	p.run(300, none, 22)
	raised := entries(p.effects, journal.AlarmRaised)
	require.Len(t, raised, 1)
	assert.Equal(t, tubStale, raised[0].Alarm)
	assert.Equal(t, 60.0, seconds(*raised[0].Since))
	assert.Equal(t, 180.0, seconds(raised[0].At))
	assert.Equal(t, watch.UnknownZone, p.core.State(0).Zone)
	p.run(10, 22, 22)
	assert.Equal(t, "B", p.letter(tubStale))
	p.run(10, 22, 22)
	assert.Equal(t, "D", p.letter(tubStale))
	assert.Equal(t, watch.InBand, p.core.State(0).Zone)
}

func TestPointThatNeverReportsBecomesStale(t *testing.T) {
	p := play(t, hotRoom())
	p.run(300, none, 22)
	assert.Equal(t, "B", p.letter(tubStale))
}

func TestFaultSilencesThePointsItAloneFeeds(t *testing.T) {
	p := play(t, hotRoom())
	p.run(120, 24.5, 22)
	require.Equal(t, "B", p.letter(tubHigh))
	p.event(watch.Event{Kind: watch.SensorEvent, Sensor: 0, Failure: "no answer", Flag: quantity.Missing})
	failing := p.now
	p.run(300, none, 22)
	faults := entries(p.effects, journal.AlarmRaised)
	last := faults[len(faults)-1]
	require.Equal(t, tubStale, last.Alarm, "the stale alarm is on record, but silent")
	assert.Equal(t, isa.SuppressedByDesign, last.State)
	fault := faults[len(faults)-2]
	require.Equal(t, probeFault, fault.Alarm)
	assert.Equal(t, failing+60, seconds(fault.At), "a fault within the stale time")
	assert.Equal(t, "no answer", fault.Reason)
	assert.Equal(t, "H", p.letter(tubHigh))
	p.event(watch.Event{Kind: watch.SensorEvent, Sensor: 0})
	assert.Equal(t, "B", p.letter(probeFault), "one good read is not enough")
	p.event(watch.Event{Kind: watch.SensorEvent, Sensor: 0})
	assert.Equal(t, "D", p.letter(probeFault))
	assert.Equal(t, "B", p.letter(tubHigh), "the last known value was too hot, and nobody has seen it cool")
}

func TestTwoWrongValuesAreAFaultAtOnce(t *testing.T) {
	p := play(t, hotRoom())
	p.run(30, 22, 22)
	wrong := watch.Event{Kind: watch.SensorEvent, Sensor: 0, Failure: "power-on value 85 °C", Flag: quantity.Fail}
	p.event(wrong)
	assert.Equal(t, "A", p.letter(probeFault))
	p.event(wrong)
	assert.Equal(t, "B", p.letter(probeFault))
}

func TestFailedReadingsDoNotReachTheLimits(t *testing.T) {
	p := play(t, hotRoom())
	p.run(60, 22, 22)
	for range 30 {
		p.now += 10
		p.event(watch.Event{Kind: watch.ReadingEvent, Point: 0, Value: 85, Flag: quantity.Fail})
	}
	assert.NotContains(t, p.notified(), tubHigh)
	assert.Equal(t, 22.0, p.core.State(0).Value)
}

func TestStageChangeMovesTheBandAndEndsShelves(t *testing.T) {
	site := hotRoom()
	site.Places[1].Bands = nil
	narrow := delays(60*time.Second, 60*time.Second, 0.2)
	site.Profiles = map[string]*care.Profile{"forest": {ID: "forest", Care: map[care.Stage]care.Care{
		care.Larva:     {Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: band(none, 21, 24, none, narrow)}},
		care.Metamorph: {Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: band(none, 21, 23, none, narrow)}},
	}}}
	site.Cohorts = []watch.Cohort{{ID: "a-2026", Profile: "forest", Place: "tub-1", Stages: []care.Since{{Stage: care.Larva, At: at(-1).Time()}}}}
	p := play(t, site)
	p.run(120, 23.5, 22)
	require.Empty(t, p.notified())
	p.command(watch.Command{Verb: watch.Shelve, Alarm: tubHigh, For: time.Hour})
	changed := p.now
	got := p.command(watch.Command{Verb: watch.SetStage, Cohort: "a-2026", Stage: "metamorph"})
	require.Len(t, got, 2)
	assert.Equal(t, journal.CohortStage, got[0].Entry.Kind)
	assert.Equal(t, journal.AlarmUnshelved, got[1].Entry.Kind, "never across a stage change")
	p.run(120, 23.5, 22)
	assert.Equal(t, []string{tubHigh}, p.notified())
	state, _ := p.core.Alarm(tubHigh)
	assert.Equal(t, changed, seconds(state.Since), "counted from the change, since the line crossed the limit then")
	assert.Equal(t, 23.0, state.Setpoint)
	assert.Equal(t, care.Metamorph, p.core.State(0).Stage)
	assert.Len(t, p.core.Animals(), 2)

	for name, cmd := range map[string]watch.Command{
		"unknown cohort":  {Verb: watch.SetStage, Cohort: "c-2026", Stage: "adult"},
		"unknown stage":   {Verb: watch.SetStage, Cohort: "a-2026", Stage: "imago"},
		"in the future":   {Verb: watch.SetStage, Cohort: "a-2026", Stage: "adult", At: at(4e7)},
		"unknown alarm":   {Verb: watch.Reset, Alarm: "tub-9/water-temperature/high"},
		"not latched":     {Verb: watch.Reset, Alarm: tubHigh},
		"mist nowhere":    {Verb: watch.RecordMist},
		"mist elsewhere":  {Verb: watch.RecordMist, Place: "kitchen"},
		"an empty note":   {Verb: watch.WriteNote, Place: "tub-1"},
		"an unknown verb": {Verb: "sing", Alarm: tubHigh},
	} {
		got := p.command(cmd)
		require.Len(t, got, 1, name)
		assert.Equal(t, watch.Refused, got[0].Kind, name)
		assert.NotEmpty(t, got[0].Entry.Reason, name)
	}
}

// Early enough to act: a steady rise of 2 K/h is foreseen before the limit is reached, noise is not.
func TestOutlookForeseesTheLimit(t *testing.T) {
	foresee := func(b *care.Band) { b.Foresee = 45 * time.Minute }
	site := tub(band(none, 21, 24, none, delays(10*time.Minute, 10*time.Minute, 0.3), foresee), time.Minute)
	c := watch.New(site, "test")
	var effects []watch.Effect
	value := func(second int) float64 {
		return 22 + 2*float64(max(0, second-3600))/3600 + 0.03125*float64(second/10%3-1)
	}
	for s := 0; s < 3600*2; s += 10 {
		effects = c.Step(watch.Event{At: at(float64(s)), Value: value(s), Flag: 1}, effects)
	}
	raised := entries(effects, journal.AlarmRaised)
	require.NotEmpty(t, raised)
	assert.Equal(t, "tub-1/water-temperature/rising", raised[0].Alarm)
	lead := 7200 - seconds(raised[0].At)
	assert.Greater(t, lead, 18*60.0, "the limit is reached at 7200 s, and the trend is expected to fade")
	assert.Greater(t, seconds(raised[0].At), 3600.0, "not before it rises")
	assert.Equal(t, 24.0, *raised[0].Setpoint)

	quiet := watch.New(site, "test")
	effects = effects[:0]
	for s := 0; s < 86400; s += 10 {
		effects = quiet.Step(watch.Event{At: at(float64(s)), Value: 23.6 + 0.0625*float64(s/10*7919%5-2), Flag: 1}, effects)
	}
	assert.Empty(t, entries(effects, journal.AlarmRaised), "scatter is no trend")
}

// A clock step shifts all open times: no delay and no exposure counts it, and no time is lost.
func TestClockStepIsNotCounted(t *testing.T) {
	for _, by := range []time.Duration{3 * time.Hour, -40 * time.Minute, 56 * 365 * 24 * time.Hour} {
		c := watch.New(tub(band(none, none, 24, none, delays(100*time.Second, 100*time.Second, 0.3)), time.Minute), "test")
		effects := fold(c, series(t, c, water, 10, 25, 25, 25, 25)...)
		effects = append(effects, c.Step(watch.Event{Kind: watch.ClockStepEvent, At: at(35).Add(by), By: by}, nil)...)
		for i := 4; i < 20; i++ {
			effects = append(effects, c.Step(watch.Event{At: at(float64(i) * 10).Add(by), Value: 25, Flag: 1}, nil)...)
		}
		raised := entries(effects, journal.AlarmRaised)
		require.Len(t, raised, 1, by)
		assert.Equal(t, 100.0, seconds(raised[0].At.Add(-by)), by)
		assert.Equal(t, 100*time.Second, raised[0].At.Sub(*raised[0].Since), by)
		sum, _ := exposure(c, effects, at(190).Add(by))
		assert.Equal(t, 190*time.Second, sum.InZone[watch.HighZone], by)
		assert.Zero(t, sum.InZone[watch.UnknownZone], by)
	}
}

// A restart leaves the time in between unknown and changes no alarm.
func TestRestartNeitherRefiresNorForgets(t *testing.T) {
	p := play(t, hotRoom())
	p.run(120, 24.5, 22)
	before, _ := p.core.Alarm(tubHigh)
	data, err := p.core.Snapshot()
	require.NoError(t, err)

	next := watch.New(hotRoom(), "run-2")
	require.NoError(t, next.Restore(data))
	p.core, p.now, p.effects = next, p.now+30, nil
	p.event(watch.Event{Kind: watch.StartEvent, Run: "run-2"})
	p.run(120, 24.5, 22)
	assert.Empty(t, p.notified())
	after, _ := p.core.Alarm(tubHigh)
	assert.Equal(t, before.Occurrence, after.Occurrence)
	today := p.core.State(0).Today
	assert.Equal(t, 50*time.Second, today.InZone[watch.UnknownZone], "10 s before the first reading, 40 s of the restart")
	require.Error(t, watch.New(hotRoom(), "x").Restore([]byte("nonsense")))
	other := hotRoom()
	other.ID = "south-loft"
	require.ErrorContains(t, watch.New(other, "x").Restore(data), "south-loft")
}

// Near a limit the uncertainty of the sensor leaves the zone open.
func TestCertainty(t *testing.T) {
	site := tub(band(none, 21, 24, none), time.Minute)
	site.Points[0].Accuracy = 0.5
	for value, want := range map[float64]watch.Certainty{
		22.5: watch.CertainlyInside, 23.7: watch.TooClose, 24.3: watch.TooClose, 24.6: watch.CertainlyOutside, 21.2: watch.TooClose,
	} {
		c := watch.New(site, "test")
		fold(c, series(t, c, water, 10, value)...)
		assert.Equal(t, want, c.State(0).Certainty, value)
	}
}

// Derived points follow from their inputs, with the uncertainty of JCGM 100:2008 (the worked example of the check data:
// 24.0 °C ± 0.4 K and 80 % ± 3 % give a dew point of 20.337 °C ± 0.721 K).
func TestDerivedPoints(t *testing.T) {
	humidity := quantity.Point{Place: "loft", Quantity: quantity.RelativeHumidity}
	surface := quantity.Point{Place: "loft", Quantity: quantity.SurfaceTemperature}
	site := tub(band(none, none, none, none), time.Minute)
	site.Points = []watch.Point{{Point: air, Accuracy: 0.4}, {Point: humidity, Accuracy: 3}, {Point: surface, Accuracy: 0.2}}
	c := watch.New(site, "test")
	fold(c,
		watch.Event{Kind: watch.StartEvent, At: at(0)},
		watch.Event{At: at(0), Point: 0, Value: 24, Flag: 1},
		watch.Event{At: at(0), Point: 1, Value: 80, Flag: 1},
		watch.Event{At: at(0), Point: 2, Value: 21, Flag: 1},
	)
	state := func(q quantity.Quantity) watch.PointState {
		index, ok := c.Index(quantity.Point{Place: "loft", Quantity: q})
		require.True(t, ok, q)
		return c.State(index)
	}
	assert.InDelta(t, 20.337, state(quantity.DewPoint).Value, 0.01, "the example uses a Magnus form")
	assert.InDelta(t, 0.721, state(quantity.DewPoint).Accuracy, 0.002)
	assert.InDelta(t, 21-state(quantity.DewPoint).Value, state(quantity.CondensationMargin).Value, 1e-12)
	assert.Equal(t, at(0), state(quantity.VapourPressureDeficit).LastReading)
	assert.Greater(t, state(quantity.AbsoluteHumidity).Value, 0.015)

	c.Step(watch.Event{At: at(10), Point: 0, Value: 24, Flag: 1}, nil)
	c.Step(watch.Event{At: at(10), Point: 1, Value: 104, Flag: 1}, nil)
	wet := state(quantity.DewPoint)
	assert.Equal(t, quantity.Suspect, wet.Flag, "more than saturated air does not exist")
	assert.InDelta(t, 24, wet.Value, 0.01)
}

func TestReadingsThatComeLateAreCountedAndIgnored(t *testing.T) {
	c := watch.New(tub(band(none, none, 24, none), time.Minute), "test")
	fold(c, series(t, c, water, 10, 22, 22, 22)...)
	c.Step(watch.Event{At: at(5), Value: 30, Flag: 1}, nil)
	assert.EqualValues(t, 1, c.Late())
	assert.Equal(t, 22.0, c.State(0).Today.Max)
}

// A tick between the time of a reading and its arrival does not change the exposure.
func TestReadingThatWasUnderWayDuringATickCounts(t *testing.T) {
	c := watch.New(tub(band(none, none, 24, none), time.Minute), "test")
	fold(c,
		watch.Event{Kind: watch.StartEvent, At: at(0)},
		watch.Event{Kind: watch.TickEvent, At: at(1)},
		watch.Event{At: at(0.9), Value: 22, Flag: 1},
		watch.Event{At: at(10), Value: 22, Flag: 1},
		watch.Event{Kind: watch.TickEvent, At: at(100)},
		watch.Event{At: at(99.5), Value: 22, Flag: 1},
	)
	sum, _ := exposure(c, nil, at(99.5))
	assert.Zero(t, c.Late())
	assert.Equal(t, 9100*time.Millisecond, sum.InZone[watch.InBand])
	assert.Equal(t, 90400*time.Millisecond, sum.InZone[watch.UnknownZone])
	assert.Equal(t, 99500*time.Millisecond, sum.Elapsed())
}

func TestFoldingAReadingAllocatesNothing(t *testing.T) {
	site := hotRoom()
	site.Points = append(site.Points, watch.Point{Point: quantity.Point{Place: "loft", Quantity: quantity.RelativeHumidity}})
	c := watch.New(site, "test")
	out := make([]watch.Effect, 0, 16)
	now := epoch
	values := []float64{22, 24, 80}
	assert.Zero(t, testing.AllocsPerRun(2000, func() {
		now = now.Add(10 * time.Second)
		for i, v := range values {
			out = c.Step(watch.Event{At: now, Point: int32(i), Value: v + float64(now/1e10%7)/10, Flag: 1}, out[:0])
		}
	}))
	assert.Equal(t, instant.Instant(0), epoch%1e9)
}

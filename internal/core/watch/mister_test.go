package watch_test

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/misting/schedule"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

var (
	vivariumAir      = quantity.Point{Place: "vivarium-1", Quantity: quantity.AirTemperature}
	vivariumHumidity = quantity.Point{Place: "vivarium-1", Quantity: quantity.RelativeHumidity}
)

const (
	missedMisting = "vivarium-1/relative-humidity/missed-misting"
	stuckMister   = "vivarium-1/relative-humidity/stuck-mister"
)

// vivarium is a site with one planted enclosure whose mister is set to 13:00 and 17:00, one and five hours after time 0.
func vivarium(change ...func(*watch.Place)) watch.Site {
	place := watch.Place{ID: "vivarium-1", In: "loft", Mistings: schedule.Schedule{{Minute: 13 * 60, Dose: 1}, {Minute: 17 * 60, Dose: 1}}}
	for _, f := range change {
		f(&place)
	}
	return watch.Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{AlwaysDay: true, Location: time.UTC},
		Places: []watch.Place{{ID: "loft", Room: true}, place},
		Points: []watch.Point{{Point: vivariumAir, Gap: time.Minute}, {Point: vivariumHumidity, Gap: time.Minute}},
		Sensors: []watch.SensorFeeds{{
			ID: "vivarium-1-air", FaultAfter: 10 * time.Minute, Recovery: 10 * time.Minute,
			Channels: []watch.Channel{{Name: "temperature", Feeds: vivariumAir}, {Name: "humidity", Feeds: vivariumHumidity}},
		}},
	}
}

// dries is the humidity at a minute after time 0 of an enclosure that is misted at minutes: it dries towards 70 %RH in twenty minutes, with a
// small unrest.
func dries(mistings ...float64) func(minute float64) float64 {
	return func(minute float64) float64 {
		wet := 0.0
		for _, m := range mistings {
			if minute >= m {
				wet = max(wet, 25*math.Min(1, (minute-m)/3)*math.Exp(-max(0, minute-m-3)/20))
			}
		}
		return math.Min(100, 70+wet+0.2*math.Sin(minute))
	}
}

// reads are the readings of the enclosure twice a minute, from minute from on; NaN leaves one out.
func reads(t require.TestingT, c *watch.Core, from, to float64, humidity func(minute float64) float64) (events []watch.Event) {
	temperature, ok := c.Index(vivariumAir)
	require.True(t, ok)
	percent, ok := c.Index(vivariumHumidity)
	require.True(t, ok)
	for m := from; m < to; m += 0.5 {
		if v := humidity(m); !math.IsNaN(v) {
			events = append(events,
				watch.Event{At: at(60 * m), Point: temperature, Value: 24, Flag: quantity.Pass},
				watch.Event{At: at(60*m + 1), Point: percent, Value: v, Flag: quantity.Pass})
		}
	}
	return events
}

func vivariumLives(t *testing.T, c *watch.Core, hours float64, humidity func(minute float64) float64) []watch.Effect {
	return fold(c, append([]watch.Event{{Kind: watch.StartEvent, At: at(0)}}, reads(t, c, 0, 60*hours, humidity)...)...)
}

func of(effects []watch.Effect, kind journal.Kind, alarm string) (found []*journal.Entry) {
	for _, e := range entries(effects, kind) {
		if e.Alarm == alarm {
			found = append(found, e)
		}
	}
	return found
}

// The misting of 13:00 does not come, that of 17:00 does: a notice of low priority from the first until the second is seen.
func TestMissedMistingIsANotice(t *testing.T) {
	c := watch.New(vivarium(), "run-1")
	effects := vivariumLives(t, c, 8, dries(300))
	raised := of(effects, journal.AlarmRaised, missedMisting)
	require.Len(t, raised, 1)
	assert.Equal(t, at(3600), *raised[0].Since, "since the time at which it was due")
	assert.Less(t, seconds(raised[0].At), 100*60.0, "within forty minutes")
	assert.Equal(t, "low", raised[0].Priority)
	assert.Nil(t, raised[0].Setpoint)
	cleared := of(effects, journal.AlarmCleared, missedMisting)
	require.Len(t, cleared, 1)
	assert.Greater(t, seconds(cleared[0].At), 300*60.0)
	assert.Equal(t, "A", string(cleared[0].State), "a notice asks for no acknowledgement")
}

// A keeper who mists by hand, and writes nothing down, ends the notice as well.
func TestMistingByHandEndsTheNotice(t *testing.T) {
	c := watch.New(vivarium(), "run-1")
	cleared := of(vivariumLives(t, c, 4.5, dries(130)), journal.AlarmCleared, missedMisting)
	require.Len(t, cleared, 1)
	assert.InDelta(t, 130*60, seconds(cleared[0].At), 40*60)
}

// A core that is given the record finds what one finds to which each misting is said in its time, of an enclosure without a schedule: that the
// second one did not come, whatever came before the first reading, and nothing of one that was withdrawn.
func TestMistingsOnRecordAreFoundAsInTheirTime(t *testing.T) {
	site := vivarium(func(p *watch.Place) { p.Mistings = nil })
	effects := func(c *watch.Core, said ...float64) []watch.Effect {
		events := append([]watch.Event{{Kind: watch.StartEvent, At: at(0)}}, reads(t, c, 0, 480, dries(60, 300))...)
		for _, minute := range said {
			misted := watch.Event{Kind: watch.CommandEvent, At: at(60 * minute), Command: &watch.Command{Verb: watch.RecordMist, Place: "vivarium-1"}}
			k := slices.IndexFunc(events, func(e watch.Event) bool { return e.At >= misted.At })
			events = slices.Insert(events, k, misted)
		}
		return fold(c, events...)
	}
	times := func(effects []watch.Effect) (all []instant.Instant) {
		for _, kind := range []journal.Kind{journal.AlarmRaised, journal.AlarmCleared} {
			for _, e := range of(effects, kind, missedMisting) {
				all = append(all, e.At)
			}
		}
		return all
	}
	live := times(effects(watch.New(site, "run-1"), 60, 150, 300))
	require.Len(t, live, 2)

	var record []cohort.Entry
	add := func(minute float64) *cohort.Entry {
		n := uint64(len(record) + 1)
		record = append(record, cohort.Entry{
			ID: fmt.Sprintf("run-1-%d", n), Seq: n, Kind: journal.Misting, Place: "vivarium-1", At: at(60 * minute), Since: at(60 * minute),
		})
		return &record[n-1]
	}
	for day := range 200 { // long before there were readings
		add(-60 * 24 * float64(day+1))
	}
	add(300)
	add(60)
	add(150)
	assert.Equal(t, live, times(effects(watch.New(site.WithRecord(record), "replay"))))
	withdrawn := add(400)
	withdrawn.Kind, withdrawn.Corrects = journal.Note, record[len(record)-2].ID
	assert.Empty(t, times(effects(watch.New(site.WithRecord(record), "replay"))))
}

func TestNoNoticeOfAMisting(t *testing.T) {
	dry := dries()
	for name, c := range map[string]struct {
		humidity func(float64) float64
		change   func(*watch.Place)
		before   []watch.Event
	}{
		"that came":             {humidity: dries(60, 300)},
		"that came late":        {humidity: dries(75, 312)},
		"into air that was wet": {humidity: func(m float64) float64 { return 95 + 0.3*math.Sin(m) }},
		"while nothing was measured": {humidity: func(m float64) float64 {
			return map[bool]float64{true: math.NaN(), false: dry(m)}[m > 55 && m < 80 || m > 290 && m < 320]
		}},
		"before a value that never moves": {humidity: func(float64) float64 { return 71 }},
		"while the enclosure was open": {humidity: func(m float64) float64 {
			for _, opened := range []float64{50, 305} {
				if m > opened && m < opened+30 {
					return dry(m) - 15*math.Min(1, (m-opened)/3)
				}
			}
			return dry(m)
		}},
		"of a place without a mister":      {humidity: dry, change: func(p *watch.Place) { p.Mistings = nil }},
		"while the clock is not confirmed": {humidity: dry, before: []watch.Event{{Kind: watch.StartEvent, At: at(0), Run: "run-1", Unconfirmed: true}}},
	} {
		t.Run(name, func(t *testing.T) {
			change := c.change
			if change == nil {
				change = func(*watch.Place) {}
			}
			core := watch.New(vivarium(change), "run-1")
			before := c.before
			if before == nil {
				before = []watch.Event{{Kind: watch.StartEvent, At: at(0)}}
			}
			effects := fold(core, append(before, reads(t, core, 0, 8*60, c.humidity)...)...)
			assert.Empty(t, of(effects, journal.AlarmRaised, missedMisting))
			assert.Empty(t, of(effects, journal.AlarmRaised, stuckMister))
		})
	}
}

// The fault of its sensor says nothing of a mister.
func TestNoNoticeByASensorThatIsInFault(t *testing.T) {
	c := watch.New(vivarium(), "run-1")
	events := append([]watch.Event{{Kind: watch.StartEvent, At: at(0)}}, reads(t, c, 0, 50, dries())...)
	for _, second := range []float64{3001, 3002} {
		events = append(events, watch.Event{Kind: watch.SensorEvent, At: at(second), Channel: 2, Failure: "implausible", Flag: quantity.Fail})
	}
	effects := fold(c, append(events, reads(t, c, 51, 8*60, dries())...)...)
	require.NotEmpty(t, of(effects, journal.AlarmRaised, "sensor/vivarium-1-air/humidity/fault"))
	assert.Empty(t, of(effects, journal.AlarmRaised, missedMisting))
}

// A place without a schedule has a mister as soon as a misting is on record, and that misting may be missed.
func TestMistingOnRecordMayBeMissed(t *testing.T) {
	c := watch.New(vivarium(func(p *watch.Place) { p.Mistings = nil }), "run-1")
	_, known := c.Alarm(missedMisting)
	require.True(t, known)
	assert.Empty(t, mistersOf(c), "no alarms on a mister that may not exist")
	events := append([]watch.Event{{Kind: watch.StartEvent, At: at(0)}}, reads(t, c, 0, 120, dries())...)
	events = append(events, watch.Event{Kind: watch.CommandEvent, At: at(7200), Command: &watch.Command{Verb: watch.RecordMist, Place: "vivarium-1", By: "mister"}})
	effects := fold(c, append(events, reads(t, c, 120.5, 200, dries())...)...)
	raised := of(effects, journal.AlarmRaised, missedMisting)
	require.Len(t, raised, 1)
	assert.Equal(t, at(7200), *raised[0].Since)
	assert.ElementsMatch(t, []string{missedMisting, stuckMister}, mistersOf(c))
}

func mistersOf(c *watch.Core) (names []string) {
	for _, a := range c.Alarms() {
		if a.Limit == "missed-misting" || a.Limit == "stuck-mister" {
			names = append(names, a.Name)
		}
	}
	return names
}

// floods is an enclosure whose mister does not stop from minute 60 on, until minute end.
func floods(end float64) func(minute float64) float64 {
	return func(m float64) float64 {
		switch {
		case m < 60:
			return 70 + 0.2*math.Sin(m)
		case m < end:
			return math.Min(99.4, 70+4*(m-60))
		}
		return 70 + 29*math.Exp(-(m-end)/20)
	}
}

// The mister of 13:00 does not stop: an alarm of medium priority after four hours of saturation, or after as long as the configuration says;
// it ends where the air is no longer saturated.
func TestStuckMister(t *testing.T) {
	for name, c := range map[string]struct {
		after time.Duration
		want  float64 // minutes after 13:00
	}{"four hours": {0, 4 * 60}, "as configured": {90 * time.Minute, 90}} {
		t.Run(name, func(t *testing.T) {
			core := watch.New(vivarium(func(p *watch.Place) { p.StuckMisterAfter = c.after }), "run-1")
			effects := vivariumLives(t, core, 12, floods(480))
			raised := of(effects, journal.AlarmRaised, stuckMister)
			require.Len(t, raised, 1)
			assert.Equal(t, "medium", raised[0].Priority)
			assert.InDelta(t, 60+c.want+7, seconds(raised[0].At)/60, 3, "from the beginning of saturation")
			assert.InDelta(t, 67, seconds(*raised[0].Since)/60, 2)
			cleared := of(effects, journal.AlarmCleared, stuckMister)
			require.Len(t, cleared, 1)
			assert.InDelta(t, 484, seconds(cleared[0].At)/60, 4)
			assert.Equal(t, "D", string(cleared[0].State), "it asks to be acknowledged")
			assert.Empty(t, of(effects, journal.AlarmRaised, missedMisting), "one into wet air is not missed")
		})
	}
}

// Air that becomes saturated without any water coming, as on a cold night, is no stuck mister, and a silence interrupts the delay.
func TestNoStuckMister(t *testing.T) {
	slowly := func(m float64) float64 { return math.Min(99, 80+0.05*m+0.2*math.Sin(m)) }
	interrupted := func(m float64) float64 {
		if m > 200 && m < 210 {
			return math.NaN()
		}
		return floods(400)(m)
	}
	for name, humidity := range map[string]func(float64) float64{"night": slowly, "silence": interrupted} {
		t.Run(name, func(t *testing.T) {
			core := watch.New(vivarium(), "run-1")
			assert.Empty(t, of(vivariumLives(t, core, 14, humidity), journal.AlarmRaised, stuckMister))
		})
	}
}

// Resuming from a snapshot anywhere, in any mood of the mister, changes nothing, nor does it matter in which order the readings of the two
// points of a moment come.
func TestMisterSurvivesARestart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		came := rapid.SliceOfN(rapid.Float64Range(0, 480), 0, 4).Draw(t, "mistings")
		end := rapid.Float64Range(60, 480).Draw(t, "end")
		stuckToo := rapid.Bool().Draw(t, "stuck")
		silent := rapid.Float64Range(0, 480).Draw(t, "silent")
		humidity := func(m float64) float64 {
			switch {
			case m > silent && m < silent+12:
				return math.NaN()
			case stuckToo:
				return max(dries(came...)(m), floods(end)(m))
			}
			return dries(came...)(m)
		}
		place := func(p *watch.Place) { p.StuckMisterAfter = time.Hour }
		whole := watch.New(vivarium(place), "run-1")
		events := reads(t, whole, 0, 8*60, humidity)
		start := watch.Event{Kind: watch.StartEvent, At: at(0)}
		effects := fold(whole, append([]watch.Event{start}, events...)...)

		cut := rapid.IntRange(0, len(events)).Draw(t, "cut")
		first := watch.New(vivarium(place), "run-1")
		parts := fold(first, append([]watch.Event{start}, events[:cut]...)...)
		state, err := first.Snapshot()
		require.NoError(t, err)
		second := watch.New(vivarium(place), "run-1")
		require.NoError(t, second.Restore(state))
		parts = append(parts, fold(second, events[cut:]...)...)
		require.Equal(t, told(effects), told(parts))

		swapped := watch.New(vivarium(place), "run-1")
		for i := 0; i+1 < len(events); i += 2 {
			events[i], events[i+1] = events[i+1], events[i]
		}
		require.Equal(t, alarmsOf(effects), alarmsOf(fold(swapped, append([]watch.Event{start}, events...)...)))
	})
}

// told are the entries of effects without their numbers; alarmsOf those on the mister alone.
func told(effects []watch.Effect) (all []journal.Entry) {
	for _, e := range effects {
		if e.Kind == watch.Record {
			all = append(all, *e.Entry)
		}
	}
	return all
}

func alarmsOf(effects []watch.Effect) (all []string) {
	for _, e := range told(effects) {
		if e.Alarm == missedMisting || e.Alarm == stuckMister {
			all = append(all, string(e.Kind)+e.Alarm+e.At.String())
		}
	}
	return all
}

// After a step of the clock nothing is said of the minutes that it has torn apart.
func TestStepOfTheClockIsNoMissedMisting(t *testing.T) {
	c := watch.New(vivarium(), "run-1")
	events := append([]watch.Event{{Kind: watch.StartEvent, At: at(0)}}, reads(t, c, 0, 70, dries(60))...)
	by := 40 * time.Minute
	events = append(events, watch.Event{Kind: watch.ClockStepEvent, At: at(70 * 60).Add(by), By: by})
	later := reads(t, c, 70.5, 200, dries(60))
	for i := range later {
		later[i].At = later[i].At.Add(by)
	}
	effects := fold(c, append(events, later...)...)
	assert.Empty(t, of(effects, journal.AlarmRaised, missedMisting))
}

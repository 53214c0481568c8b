package pipeline_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/pipeline"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/sensors"
)

var (
	noon  = time.Date(2026, 7, 6, 12, 0, 0, 0, time.UTC)
	water = quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}
	air   = quantity.Point{Place: "loft", Quantity: quantity.AirTemperature}
	damp  = quantity.Point{Place: "loft", Quantity: quantity.RelativeHumidity}
)

// site is a room with a tub: the air is too warm from 28 °C on, the water from 24 °C on, each at once. What is not read for two
// minutes is stale, and a sensor that fails for one minute has a fault.
func site() watch.Site {
	limit := func(q quantity.Quantity, high float64) map[quantity.Quantity]care.DayNight {
		b := care.NoBand()
		b.Limits[care.High], b.OnDelay, b.OffDelay, b.Deadband = high, 0, 0, 0
		return map[quantity.Quantity]care.DayNight{q: {Day: b, Night: b}}
	}
	return watch.Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{AlwaysDay: true, Location: time.UTC},
		Places: []watch.Place{
			{ID: "loft", Room: true, Bands: limit(quantity.AirTemperature, 28)},
			{ID: "tub-1", In: "loft", Bands: limit(quantity.WaterTemperature, 24)},
		},
		Points: []watch.Point{
			{Point: water, Gap: time.Minute, StaleAfter: 2 * time.Minute},
			{Point: air, Gap: time.Minute, StaleAfter: 2 * time.Minute},
			{Point: damp, Gap: time.Minute},
		},
		Sensors: []watch.SensorFeeds{
			{ID: "tub-1-probe", Channels: []watch.Channel{{Name: "temperature", Feeds: water}}, FaultAfter: time.Minute},
			{ID: "loft-air", Channels: []watch.Channel{{Name: "temperature", Feeds: air}, {Name: "humidity", Feeds: damp}}, FaultAfter: time.Minute},
		},
	}
}

// scene is a pipeline, the time, and its effects and deliveries as text.
type scene struct {
	t *testing.T
	pipeline.Pipeline
	now  time.Time
	done []string
}

func newScene(t *testing.T) *scene {
	s := &scene{t: t, Pipeline: pipeline.Pipeline{Rules: rules()}, now: noon}
	s.Configure(site(), "run-1")
	s.Line = line(t)
	return s
}

// rules are those of a phone that repeats every quarter of an hour.
func rules() *notify.Rules {
	return notify.New([]notify.Rule{{Every: true, Notifier: "phone", Repeat: 15 * time.Minute}})
}

func line(t require.TestingT) *intake.Line {
	l, err := intake.NewLine([]intake.Source{
		{ID: "tub-1-probe", Feeds: []intake.Feed{{Channel: sensors.Temperature, Point: water}}},
		{
			ID: "loft-air", Feeds: []intake.Feed{{Channel: sensors.Temperature, Point: air}, {Channel: sensors.Humidity, Point: damp}},
			Description: sensors.Description{Measures: []sensors.Measure{{Channel: sensors.Humidity, High: 100}}},
		},
	}, nil)
	require.NoError(t, err)
	return l
}

func (s *scene) at() instant.Instant { return instant.Of(s.now) }

func (s *scene) start() {
	s.Step(watch.Event{Kind: watch.StartEvent, At: s.at(), Run: "run-1"})
}

// gives lets a sensor give values of its channels, temperature first.
func (s *scene) gives(sensor string, values ...float64) intake.Outcome {
	return s.sample(intake.Sample{Sensor: sensor, At: s.now, Reading: reading(values...)})
}

// fails lets a sensor fail, with values for evidence.
func (s *scene) fails(sensor string, kind sensors.Kind, values ...float64) {
	s.sample(intake.Sample{Sensor: sensor, At: s.now, Reading: reading(values...), Err: sensors.Errorf(kind, "it failed")})
}

func reading(values ...float64) (r sensors.Measurement) {
	for i, v := range values {
		r.Values = append(r.Values, sensors.Value{Channel: []sensors.Channel{sensors.Temperature, sensors.Humidity}[i], Value: v})
	}
	return r
}

func (s *scene) sample(sample intake.Sample) intake.Outcome {
	outcome, err := s.Take(sample)
	require.NoError(s.t, err)
	return outcome
}

// pass lets time pass with a tick every ten seconds.
func (s *scene) pass(d time.Duration) {
	for range d / (10 * time.Second) {
		s.now = s.now.Add(10 * time.Second)
		s.Tick(s.at())
	}
}

// carryOut appends the text of the ready work to done.
func (s *scene) carryOut() { s.done = append(s.done, describe(s.Ready())...) }

// forget drops the ready work.
func (s *scene) forget() { s.Ready() }

func describe(w pipeline.Ready) (done []string) {
	for _, e := range w.Effects {
		switch e.Kind {
		case watch.Record, watch.Refused:
			done = append(done, strings.Join(strings.Fields(fmt.Sprint("record ", e.Entry.Kind, " ", e.Entry.Alarm, " ", e.Entry.State)), " "))
		case watch.Notify:
			done = append(done, "ask for a person: "+e.Entry.Alarm)
		}
	}
	for _, d := range w.Deliveries {
		done = append(done, fmt.Sprintf("%s: %s: %s", d.Notifier, d.Reason, d.Entry.Alarm))
	}
	return done
}

func TestOrder(t *testing.T) {
	cases := []struct {
		name string
		play func(*scene)
		want []string
	}{
		{"entries come before the deliveries they cause", func(s *scene) {
			s.gives("tub-1-probe", 25)
			s.gives("loft-air", 29, 60)
		}, []string{
			"record alarm.raised tub-1/water-temperature/high B",
			"ask for a person: tub-1/water-temperature/high",
			"record alarm.raised loft/air-temperature/high B",
			"ask for a person: loft/air-temperature/high",
			"phone: call: tub-1/water-temperature/high",
			"phone: call: loft/air-temperature/high",
		}},
		{"a channel fails before the readings are folded in, and says nothing of the other one", func(s *scene) {
			s.gives("loft-air", 22, 60)
			s.now = s.now.Add(10 * time.Second)
			s.gives("loft-air", 23, 150) // the second value in a row that is known to be wrong is a fault
			s.now = s.now.Add(10 * time.Second)
			s.gives("loft-air", 29, 150)
		}, []string{
			"record alarm.raised sensor/loft-air/humidity/fault B",
			"ask for a person: sensor/loft-air/humidity/fault",
			"record alarm.raised loft/air-temperature/high B",
			"ask for a person: loft/air-temperature/high",
			"phone: call: sensor/loft-air/humidity/fault",
			"phone: call: loft/air-temperature/high",
		}},
		{"a sensor is back after its readings are folded in: the stale alarm that they end is not uncovered", func(s *scene) {
			s.gives("tub-1-probe", 22)
			s.gives("loft-air", 22, 60)
			for range 13 {
				s.pass(10 * time.Second)
				s.gives("loft-air", 22, 60)
				s.fails("tub-1-probe", sensors.Absent)
			}
			s.forget()
			for range 3 {
				s.now = s.now.Add(10 * time.Second)
				s.gives("tub-1-probe", 22)
			}
		}, []string{
			"record alarm.cleared tub-1/water-temperature/stale H",
			"record alarm.cleared sensor/tub-1-probe/fault D",
			"record alarm.returned tub-1/water-temperature/high A",
			"record alarm.returned tub-1/water-temperature/stale A",
			"phone: over: sensor/tub-1-probe/fault",
		}},
		{"a tick brings about what was due, and then what the rules want", func(s *scene) {
			s.gives("tub-1-probe", 25)
			s.gives("loft-air", 22, 60)
			s.forget()
			s.now = s.now.Add(15 * time.Minute)
			s.Tick(s.at())
		}, []string{
			"record alarm.raised tub-1/water-temperature/stale B",
			"ask for a person: tub-1/water-temperature/stale",
			"record alarm.raised loft/air-temperature/stale B",
			"ask for a person: loft/air-temperature/stale",
			"record alarm.repeated tub-1/water-temperature/high B",
			"ask for a person: tub-1/water-temperature/high",
			"phone: call: tub-1/water-temperature/stale",
			"phone: call: loft/air-temperature/stale",
			"phone: again: tub-1/water-temperature/high",
		}},
		{"the tick of the core alone asks no rules", func(s *scene) {
			s.gives("tub-1-probe", 25)
			s.gives("loft-air", 22, 60)
			s.forget()
			s.now = s.now.Add(15 * time.Minute)
			s.gives("tub-1-probe", 25)
			s.gives("loft-air", 22, 60)
			s.Step(watch.Event{Kind: watch.TickEvent, At: s.at()})
		}, nil},
		{"rules hear of a step of the clock before anybody asks them for the time", func(s *scene) {
			s.gives("tub-1-probe", 25)
			s.forget()
			s.now = s.now.Add(time.Hour)
			s.Step(watch.Event{Kind: watch.ClockStepEvent, At: s.at(), By: time.Hour})
			s.Tick(s.at())
		}, []string{"record clock.stepped"}},
		{"without sensors there is no line to hear of a step", func(s *scene) {
			s.Line = nil
			s.Step(watch.Event{Kind: watch.ClockStepEvent, At: s.at(), By: time.Hour})
		}, []string{"record clock.stepped"}},
		{"a command is carried out, or refused", func(s *scene) {
			s.gives("tub-1-probe", 25)
			s.forget()
			high, _ := s.Core.Alarm("tub-1/water-temperature/high")
			for range 2 {
				s.Step(watch.Event{Kind: watch.CommandEvent, At: s.at(), Command: &watch.Command{
					Verb: watch.Acknowledge, Occurrence: high.Occurrence, By: "keeper",
				}})
			}
			s.Step(watch.Event{Kind: watch.CommandEvent, At: s.at(), Command: &watch.Command{Verb: watch.Acknowledge, Occurrence: "none"}})
		}, []string{
			"record alarm.acknowledged tub-1/water-temperature/high C",
			"record command.refused",
		}},
		{"effects added by the caller keep their place and reach the rules: the end of a refused alarm is not sent", func(s *scene) {
			s.gives("tub-1-probe", 25)
			high, _ := s.Core.Alarm("tub-1/water-temperature/high")
			again := watch.Command{Verb: watch.Repeat, Alarm: high.Name, Occurrence: high.Occurrence}
			s.AddEffects(s.Core.Refuse(s.at(), &again, "there is no such alarm", nil))
			s.now = s.now.Add(10 * time.Second)
			s.gives("tub-1-probe", 22)
		}, []string{
			"record alarm.raised tub-1/water-temperature/high B",
			"ask for a person: tub-1/water-temperature/high",
			"record command.refused tub-1/water-temperature/high",
			"record alarm.cleared tub-1/water-temperature/high D",
			"phone: call: tub-1/water-temperature/high",
		}},
		{"another configuration: a new core, and the rules still know what they have sent", func(s *scene) {
			s.gives("tub-1-probe", 25)
			s.forget()
			state, err := s.Core.Snapshot()
			require.NoError(s.t, err)
			s.Configure(site(), "run-1")
			require.NoError(s.t, s.Core.Restore(state))
			s.now = s.now.Add(10 * time.Second)
			s.gives("tub-1-probe", 22)
		}, []string{
			"record alarm.cleared tub-1/water-temperature/high D",
			"phone: over: tub-1/water-temperature/high",
		}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			s := newScene(t)
			s.start()
			s.forget()
			c.play(s)
			s.carryOut()
			assert.Equal(t, c.want, s.done)
			assert.Empty(t, describe(s.Ready()), "nothing is carried out twice")
		})
	}
}

// Readings on both sides of a clock step are still compared.
func TestClockStepReachesTheLine(t *testing.T) {
	s := newScene(t)
	s.start()
	s.gives("tub-1-probe", 22)
	s.now = s.now.Add(time.Hour)
	s.Step(watch.Event{Kind: watch.ClockStepEvent, At: s.at(), By: time.Hour})
	s.now = s.now.Add(10 * time.Second)
	outcome := s.gives("tub-1-probe", 32)
	require.Len(t, outcome.Readings, 1)
	assert.Equal(t, quantity.Suspect, outcome.Readings[0].Flag, "ten kelvin in ten seconds")
}

// A start with a saved state and the readings stored after it: a point that became stale meanwhile did so at its own time, and an
// active alarm is repeated and its end sent as if the rules had sent its call.
func TestRestoreAndReplay(t *testing.T) {
	before := newScene(t)
	before.start()
	before.gives("tub-1-probe", 25)
	before.gives("loft-air", 22, 60)
	state, err := before.Core.Snapshot()
	require.NoError(t, err)

	s := newScene(t)
	require.NoError(t, s.Core.Restore(state))
	index, ok := s.Core.Index(water)
	require.True(t, ok)
	for range 13 {
		s.now = s.now.Add(10 * time.Second)
		s.ReplayReading(watch.Event{At: s.at(), Point: index, Value: 25, Flag: quantity.Pass})
	}
	s.start()
	work := s.Ready()
	require.NotEmpty(t, work.Effects)
	assert.Equal(t, instant.Of(noon.Add(2*time.Minute)), work.Effects[0].Entry.At)
	assert.Equal(t, []string{
		"record alarm.raised loft/air-temperature/stale B",
		"ask for a person: loft/air-temperature/stale",
		"record run.started",
		"phone: call: loft/air-temperature/stale",
	}, describe(work))

	s.now = s.now.Add(15 * time.Minute)
	for range 2 {
		s.now = s.now.Add(10 * time.Second)
		s.gives("loft-air", 22, 60)
		s.gives("tub-1-probe", 25)
	}
	s.Tick(s.at())
	s.now = s.now.Add(10 * time.Second)
	s.gives("tub-1-probe", 22)
	s.carryOut()
	assert.Equal(t, []string{
		"record alarm.cleared loft/air-temperature/stale D",
		"record alarm.repeated tub-1/water-temperature/high B",
		"ask for a person: tub-1/water-temperature/high",
		"record alarm.cleared tub-1/water-temperature/high D",
		"phone: over: loft/air-temperature/stale",
		"phone: again: tub-1/water-temperature/high",
		"phone: over: tub-1/water-temperature/high",
	}, s.done)
}

// A call that the journal holds is not sent again, and its end is sent; entries that lie further back are not known.
func TestResume(t *testing.T) {
	for _, age := range []time.Duration{time.Hour, 30 * 24 * time.Hour} { // of the alarm when the newest entry was made
		s := newScene(t)
		s.start()
		s.gives("tub-1-probe", 25)
		var entries []*journal.Entry
		for _, e := range s.Ready().Effects {
			if e.Kind == watch.Record {
				entries = append(entries, e.Entry)
			}
		}
		entries = append(entries, &journal.Entry{Kind: journal.Note, At: instant.Of(noon.Add(age))})
		s.Rules = rules()
		s.Resume(entries)
		s.Resume(nil)
		s.now = s.now.Add(10 * time.Second)
		s.gives("tub-1-probe", 22)
		assert.Len(t, s.Ready().Deliveries, 1, age)
	}
}

func TestUnknownSensors(t *testing.T) {
	s := newScene(t)
	_, err := s.Take(intake.Sample{Sensor: "attic", At: noon})
	assert.ErrorContains(t, err, `"attic", which feeds nothing`)
	fewer := site()
	fewer.Sensors = fewer.Sensors[:1]
	s.Configure(fewer, "run-1")
	_, err = s.Take(intake.Sample{Sensor: "loft-air", At: noon, Reading: reading(29, 60)})
	assert.ErrorContains(t, err, `"loft-air", which the core does not know`)
	assert.Equal(t, pipeline.Ready{}, s.Ready())
	index, ok := s.Sensor("tub-1-probe")
	assert.True(t, ok)
	assert.Zero(t, index)
	_, ok = s.Sensor("loft-air")
	assert.False(t, ok)
}

// However often work is carried out, it is the same work.
func TestBatchingReadyChangesNothing(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		often, once := newScene(t), newScene(t)
		var effects [2][]watch.Effect
		var deliveries [2][]notify.Delivery
		keep := func(i int, w pipeline.Ready) {
			effects[i], deliveries[i] = append(effects[i], w.Effects...), append(deliveries[i], w.Deliveries...)
		}
		for range rapid.IntRange(1, 60).Draw(rt, "calls") {
			after := rapid.SampledFrom([]time.Duration{time.Second, 10 * time.Second, time.Minute, 16 * time.Minute}).Draw(rt, "after")
			what := rapid.IntRange(0, 4).Draw(rt, "what")
			value := rapid.SampledFrom([]float64{20, 22, 25, 29, 300}).Draw(rt, "value")
			for i, s := range []*scene{often, once} {
				s.now = s.now.Add(after)
				switch what {
				case 0:
					s.gives("tub-1-probe", value)
				case 1:
					s.gives("loft-air", value, 60)
				case 2:
					s.fails("loft-air", sensors.Implausible, value)
				case 3:
					s.Tick(s.at())
				case 4:
					s.now = s.now.Add(-time.Hour)
					s.Step(watch.Event{Kind: watch.ClockStepEvent, At: s.at(), By: -time.Hour})
				}
				if i == 0 {
					keep(i, s.Ready())
				}
			}
		}
		keep(0, often.Ready())
		keep(1, once.Ready())
		require.Equal(rt, effects[0], effects[1])
		require.Equal(rt, deliveries[0], deliveries[1])
	})
}

// A reading without effects allocates only what the line does.
func TestQuietReadingsAllocateNothing(t *testing.T) {
	sample := intake.Sample{Sensor: "loft-air", At: noon, Reading: reading(22, 60)}
	step := 0
	next := func() intake.Sample {
		step++
		sample.At = sample.At.Add(10 * time.Second)
		sample.Reading.Values[0].Value, sample.Reading.Values[1].Value = 22+float64(step%7)/10, 60+float64(step%5)/10
		return sample
	}
	alone := line(t)
	want := testing.AllocsPerRun(2000, func() { _, _ = alone.Take(next()) })
	s := newScene(t)
	s.start()
	assert.Equal(t, want, testing.AllocsPerRun(2000, func() {
		_, _ = s.Take(next())
		s.Ready()
	}))
}

func BenchmarkTake(b *testing.B) {
	c := pipeline.Pipeline{Line: line(b), Rules: rules()}
	c.Configure(site(), "run-1")
	sample := intake.Sample{Sensor: "loft-air", At: noon, Reading: reading(22, 60)}
	for b.Loop() {
		sample.At = sample.At.Add(10 * time.Second)
		if _, err := c.Take(sample); err != nil {
			b.Fatal(err)
		}
		c.Ready()
	}
}

package pipeline_test

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/intake"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/pipeline"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/sensors"
)

// attic is a room that one sensor measures once a minute, with the limits and delays of a shipped band.
func attic(t *testing.T) *scene { return atticOf(t, "loft-air") }

// atticOf is the same room, measured by sensors of these names.
func atticOf(t *testing.T, sensors ...string) *scene {
	b := care.NoBand()
	b.Limits = [care.LimitCount]float64{14, 18, 26, 28}
	b.OnDelay, b.OffDelay, b.CriticalOnDelay, b.Deadband = 15*time.Minute, 10*time.Minute, 3*time.Minute, 0.5
	s := &scene{t: t, Pipeline: pipeline.Pipeline{Rules: notify.New([]notify.Rule{{Notifier: "phone"}})}, now: noon}
	site := watch.Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{AlwaysDay: true, Location: time.UTC},
		Places: []watch.Place{{ID: "loft", Room: true, Bands: map[quantity.Quantity]care.DayNight{quantity.AirTemperature: {Day: b, Night: b}}}},
		Points: []watch.Point{{Point: air, Gap: 3 * time.Minute, StaleAfter: 5 * time.Minute}},
	}
	for _, id := range sensors {
		site.Sensors = append(site.Sensors, watch.SensorFeeds{
			ID: id, Channels: []watch.Channel{{Name: "temperature", Feeds: air}}, FaultAfter: 3 * time.Minute, Recovery: 10 * time.Minute,
		})
	}
	s.Configure(site, "run-1")
	s.Line = atticLine(t, sensors)
	s.start()
	return s
}

func atticLine(t *testing.T, ids []string) *intake.Line {
	var sources []intake.Source
	for _, id := range ids {
		sources = append(sources, intake.Source{
			ID: id, Gap: 3 * time.Minute, Feeds: []intake.Feed{{Channel: sensors.Temperature, Point: air}},
			Description: sensors.Description{Measures: []sensors.Measure{{Channel: sensors.Temperature, Low: -200, High: 850}}}, // invented: nothing is impossible
		})
	}
	line, err := intake.NewLine(sources, map[quantity.Point]float64{air: 1.5})
	require.NoError(t, err)
	return line
}

// minute reads the sensor once, and a second one where there is a value for it, and returns the entries that were recorded.
func (s *scene) minute(values ...float64) (recorded []*journal.Entry) {
	s.now = s.now.Add(time.Minute)
	for i, value := range values {
		s.gives([]string{"loft-air", "loft-second"}[i], value)
	}
	s.Tick(s.at())
	for _, e := range s.Ready().Effects {
		if e.Kind == watch.Record {
			recorded = append(recorded, e.Entry)
		}
	}
	return recorded
}

// The case is that of a real room whose sensor jumped between 23 and 70 to 390 °C in 65 % of its minutes: it is one fault, and
// after the first half hour no critical alarm.
func TestARavingSensorIsOneFault(t *testing.T) {
	for _, restart := range []bool{false, true} {
		for seed := range uint64(5) {
			ceiling := []float64{850, 125}[seed%2] // what the part can say; beyond it, it says just that
			s := attic(t)
			chance := rand.New(rand.NewPCG(seed, 1))
			for range 60 {
				s.minute(23 + 0.2*chance.Float64())
			}
			began, faults := s.now, 0
			for minute := range 3 * 24 * 60 {
				if restart && minute == 24*60 {
					state, err := s.Core.Snapshot()
					require.NoError(t, err)
					next := attic(t)
					require.NoError(t, next.Core.Restore(state))
					next.now = s.now
					next.start()
					s = next
				}
				value := 23 + 0.2*chance.Float64()
				if chance.Float64() < 0.65 {
					value = min(70+320*chance.Float64(), ceiling)
				}
				for _, e := range s.minute(value) {
					switch {
					case e.Kind != journal.AlarmRaised:
					case strings.HasSuffix(e.Alarm, "/fault"):
						faults++
						assert.Contains(t, e.Reason, "temperature is raving and cannot be believed")
					case strings.Contains(e.Alarm, "critical"):
						assert.Less(t, e.At.Time().Sub(began), 30*time.Minute, "seed %d: %s", seed, e.Alarm)
					}
				}
			}
			assert.Equal(t, 1, faults, "seed %d", seed)
		}
	}
}

// A sensor that raves beside one that does not: once it is known to rave, the other one alone is believed. In a hot room it still
// calls.
func TestASensorThatRavesBesideAnother(t *testing.T) {
	for seed := range uint64(5) {
		s := atticOf(t, "loft-air", "loft-second")
		chance := rand.New(rand.NewPCG(seed, 1))
		minute := func(celsius float64) (critical int) {
			wild := celsius
			if chance.Float64() < 0.65 {
				wild = min(15+320*chance.Float64(), 85)
			}
			for _, e := range s.minute(celsius+0.2*chance.Float64(), wild) {
				if e.Kind == journal.AlarmRaised && strings.Contains(e.Alarm, "critical") {
					critical++
				}
			}
			return critical
		}
		for range 30 {
			minute(23)
		}
		critical := 0
		for range 3 * 24 * 60 {
			critical += minute(23)
		}
		assert.Zero(t, critical, "seed %d", seed)
		for range 10 {
			critical += minute(31)
		}
		assert.Equal(t, 1, critical, "seed %d", seed)
	}
}

// While the sensor raves, the room becomes really too hot: what it says steadily is believed.
func TestASteadyReadingOfARavingSensorCalls(t *testing.T) {
	s := attic(t)
	chance := rand.New(rand.NewPCG(1, 1))
	for range 120 {
		value := 23.0
		if chance.Float64() < 0.65 {
			value = 70 + 320*chance.Float64()
		}
		s.minute(value)
	}
	require.Len(t, s.Core.UnsteadyChannels(), 1)
	var raised []string
	for range 10 {
		for _, e := range s.minute(31) {
			if e.Kind == journal.AlarmRaised {
				raised = append(raised, e.Alarm+", in doubt: "+e.Doubt)
			}
		}
	}
	require.Len(t, raised, 1, "the critical alarm; the other one waits for a quarter of an hour")
	assert.Contains(t, raised[0], "loft/air-temperature/critical-high, in doubt: temperature is raving")
}

func TestLoneSpikesRaiseNothing(t *testing.T) {
	s := attic(t)
	chance := rand.New(rand.NewPCG(1, 1))
	for minute := range 2 * 24 * 60 {
		value := 23 + 0.2*chance.Float64()
		if minute%47 == 20 {
			value = 70 + 320*chance.Float64()
		}
		for _, e := range s.minute(value) {
			assert.NotEqual(t, journal.AlarmRaised, e.Kind, e.Alarm)
		}
	}
}

package watch_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

const (
	airFault      = "sensor/loft-air/fault"
	humidityFault = "sensor/loft-air/humidity/fault"
	humidityLow   = "loft/relative-humidity/low"
	humidityDry   = "loft/relative-humidity/critical-low"
	humidityStale = "loft/relative-humidity/stale"
)

var loftHumidity = quantity.Point{Place: "loft", Quantity: quantity.RelativeHumidity}

// combined is a room that one part measures: its temperature and its humidity.
func combined() watch.Site {
	site := hotRoom()
	site.Places[0].Bands[quantity.RelativeHumidity] = band(50, 60, none, none, delays(time.Minute, time.Minute, 3))
	site.Points = append(site.Points, watch.Point{Point: loftHumidity, Gap: time.Minute, StaleAfter: 2 * time.Minute})
	site.Sensors[1].Channels = append(site.Sensors[1].Channels, watch.Channel{Name: "humidity", Feeds: loftHumidity})
	return site
}

// humidity lets ten seconds pass with a temperature of the room, and reports its humidity: a value, or why there is none.
func (p *player) humidity(airCelsius, percent float64, failure string) {
	p.now += 10
	p.event(watch.Event{Kind: watch.TickEvent})
	p.event(watch.Event{Point: 0, Value: 22, Flag: quantity.Pass})
	if failure != "" {
		p.event(watch.Event{Kind: watch.SensorEvent, Sensor: 1, Channel: 2, Failure: failure, Flag: quantity.Fail})
	}
	p.event(watch.Event{Point: 1, Value: airCelsius, Flag: quantity.Pass})
	if failure == "" {
		p.event(watch.Event{Point: 2, Value: percent, Flag: quantity.Pass})
		p.event(watch.Event{Kind: watch.SensorEvent, Sensor: 1, Channel: 2})
	}
	p.event(watch.Event{Kind: watch.SensorEvent, Sensor: 1, Channel: 1})
	p.event(watch.Event{Kind: watch.SensorEvent, Sensor: 1})
}

// A stuck humidity does not affect the temperature of the same part.
func TestFaultOfAChannelIsItsOwn(t *testing.T) {
	p := play(t, combined())
	for range 20 {
		p.humidity(22, 70, "")
	}
	for range 20 {
		p.humidity(22, 70, "humidity 70 %RH: stuck")
	}
	require.Equal(t, "B", p.letter(humidityFault))
	assert.Equal(t, "A", p.letter(airFault))
	assert.Equal(t, "H", p.letter(humidityLow), "what only the stuck channel could say")
	assert.Equal(t, "A", p.letter(humidityDry), "no fault silences a critical alarm")
	assert.Equal(t, "A", p.letter(roomHigh))
	state, _ := p.core.Alarm(humidityFault)
	assert.Equal(t, "sensor", state.Place)
	assert.Equal(t, "loft-air", state.Quantity)
	assert.Equal(t, "humidity", state.Channel)

	for range 20 {
		p.humidity(34, 70, "humidity 70 %RH: stuck")
	}
	assert.Equal(t, "B", p.letter(roomHigh))
	assert.Equal(t, "B", p.letter(roomCritical))
	assert.Equal(t, []string{humidityFault, roomHigh, roomCritical}, p.notified())
	state, _ = p.core.Alarm(roomCritical)
	assert.Empty(t, state.Doubt, "nothing is wrong with the temperature")
}

// A critical alarm is raised even if its own channel is in fault, and its entry says so.
func TestCriticalAlarmSaysThatItsSensorIsInDoubt(t *testing.T) {
	p := play(t, combined())
	for range 2 {
		p.humidity(22, 70, "the sensors of loft/relative-humidity differ")
	}
	require.Equal(t, "B", p.letter(humidityFault))
	for range 12 { // it is in fault, and yet usable readings of it arrive
		p.humidity(22, 40, "")
		p.event(watch.Event{Kind: watch.SensorEvent, Sensor: 1, Channel: 2, Failure: "humidity: erratic", Flag: quantity.Fail})
	}
	require.Equal(t, "B", p.letter(humidityDry))
	assert.Equal(t, "H", p.letter(humidityLow))
	raised := entries(p.effects, journal.AlarmRaised)
	last := raised[len(raised)-1]
	for _, e := range raised {
		if e.Alarm == humidityDry {
			last = e
		}
	}
	assert.Equal(t, humidityDry, last.Alarm)
	assert.Equal(t, "humidity: erratic", last.Doubt)
	state, _ := p.core.Alarm(humidityDry)
	assert.Equal(t, "humidity: erratic", state.Doubt)
}

// A sensor that falls silent causes one message, not one per point, also if its failure is noticed late.
func TestSilentSensorIsOneMessage(t *testing.T) {
	site := combined()
	site.Sensors[1].FaultAfter = 5 * time.Minute // longer than the points take to become stale
	p := play(t, site)
	for range 6 {
		p.humidity(22, 70, "")
	}
	for range 30 {
		p.now += 10
		p.event(watch.Event{Kind: watch.TickEvent})
		p.event(watch.Event{Point: 0, Value: 22, Flag: quantity.Pass})
		p.event(watch.Event{Kind: watch.SensorEvent, Sensor: 1, Failure: "none came for 2m0s", Flag: quantity.Missing})
	}
	assert.Equal(t, []string{airFault}, p.notified())
	assert.Equal(t, "H", p.letter("loft/air-temperature/stale"))
	assert.Equal(t, "H", p.letter(humidityStale))
	fault, _ := p.core.Alarm(airFault)
	assert.Equal(t, "none came for 2m0s", fault.Reason)
}

// A reading that was on its way while its stale alarm was raised does not end that alarm before its time.
func TestStaleAlarmIsNotOverBeforeItWasRaised(t *testing.T) {
	p := play(t, hotRoom())
	p.run(30, 22, 22)
	p.now += 125
	p.event(watch.Event{Kind: watch.TickEvent})
	require.Equal(t, "B", p.letter(tubStale))
	for _, late := range []float64{-4, -2} {
		ev := watch.Event{Point: 0, Value: 22, Flag: quantity.Pass, At: at(p.now + late)}
		p.effects = append(p.effects, p.core.Step(ev, nil)...)
	}
	state, _ := p.core.Alarm(tubStale)
	require.False(t, state.Active)
	assert.GreaterOrEqual(t, state.Cleared, state.Raised)
}

// A state from before channels had faults of their own is still read: its fault ends when the sensor answers.
func TestStateOfBeforeChannelsHadFaults(t *testing.T) {
	site := combined()
	site.Sensors[1].Channels = nil // as far as the state is concerned, that is how it was
	p := play(t, site)
	for range 4 {
		p.event(watch.Event{Kind: watch.SensorEvent, Sensor: 1, Failure: "humidity 70 %RH: stuck", Flag: quantity.Fail})
	}
	require.Equal(t, "B", p.letter(airFault))
	state, err := p.core.Snapshot()
	require.NoError(t, err)

	p.core = watch.New(combined(), "run-2")
	require.NoError(t, p.core.Restore(state))
	p.event(watch.Event{Kind: watch.StartEvent, Run: "run-2"})
	assert.Equal(t, "B", p.letter(airFault))
	assert.Equal(t, "A", p.letter(humidityFault))
	for range 2 {
		p.humidity(22, 70, "")
	}
	assert.Equal(t, "D", p.letter(airFault))
}

// While usable readings of a point arrive, no fault suppresses its critical alarms: whatever is said of the part and its channels,
// a critical alarm is raised as it would be without any of it, and calls.
func TestNoFaultSilencesCriticalAlarmsOfUsableReadings(t *testing.T) {
	type step struct {
		air, humid   float64
		hasAir, hasH bool
		reports      []watch.Event
	}
	rapid.Check(t, func(t *rapid.T) {
		var steps []step
		for range rapid.IntRange(1, 120).Draw(t, "length") {
			s := step{
				air: rapid.SampledFrom([]float64{22, 26.5, 34}).Draw(t, "air"), humid: rapid.SampledFrom([]float64{70, 55, 40}).Draw(t, "humidity"),
				hasAir: rapid.IntRange(0, 9).Draw(t, "air comes") > 0, hasH: rapid.IntRange(0, 9).Draw(t, "humidity comes") > 0,
			}
			for range rapid.IntRange(0, 3).Draw(t, "reports") {
				s.reports = append(s.reports, watch.Event{
					Kind: watch.SensorEvent, Sensor: rapid.Int32Range(0, 1).Draw(t, "sensor"), Channel: rapid.Int32Range(0, 1).Draw(t, "channel"),
					Failure: rapid.SampledFrom([]string{"", "stuck", "no answer"}).Draw(t, "failure"),
					Flag:    rapid.SampledFrom([]quantity.Flag{quantity.Fail, quantity.Missing}).Draw(t, "flag"),
				})
			}
			steps = append(steps, s)
		}
		critical := func(withReports bool) (calls []string) {
			core := watch.New(combined(), "run-1")
			core.Step(watch.Event{Kind: watch.StartEvent, At: at(0)}, nil)
			for i, s := range steps {
				now := at(float64(i+1) * 10)
				events := []watch.Event{{Kind: watch.TickEvent}}
				if withReports {
					events = append(events, s.reports...)
				}
				if s.hasAir {
					events = append(events, watch.Event{Point: 1, Value: s.air, Flag: quantity.Suspect})
				}
				if s.hasH {
					events = append(events, watch.Event{Point: 2, Value: s.humid, Flag: quantity.Pass})
				}
				for _, ev := range events {
					ev.At = now
					for _, e := range core.Step(ev, nil) {
						if e.Kind == watch.Notify && strings.Contains(e.Entry.Alarm, "critical") {
							calls = append(calls, fmt.Sprint(e.Entry.Alarm, " ", e.Entry.At))
						}
					}
				}
				for _, a := range core.Alarms() {
					if strings.HasPrefix(a.Limit, "critical") && strings.HasPrefix(a.By, journal.FaultPlace+"/") {
						t.Fatalf("%s is covered by %s", a.Name, a.By)
					}
				}
			}
			return calls
		}
		assert.Equal(t, critical(false), critical(true))
	})
}

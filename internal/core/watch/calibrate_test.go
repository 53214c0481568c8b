package watch_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/calibration"
	"dewline/internal/core/journal"
	"dewline/internal/core/quality"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

var secondWater = quantity.Point{Place: "tub-2", Quantity: quantity.WaterTemperature}

// probed is twoTubs with a probe in each tub; the configuration has a calibration of the second.
func probed() watch.Site {
	site := twoTubs()
	for i, id := range []string{"tub-1-probe", "tub-2-probe"} {
		point := site.Points[i].Point
		site.Points[i].Accuracy = 0.5
		site.Sensors = append(site.Sensors, watch.SensorFeeds{ID: id, Part: "28-" + id, Channels: []watch.Channel{{Name: "temperature", Feeds: point}}})
		site.Calibrations = append(site.Calibrations, calibration.Seed{Sensor: id, Channel: "temperature", Point: point, Part: "28-" + id, Accuracy: 0.5})
	}
	site.Calibrations[1].Calibration = &quality.Calibration{Gain: 1, Offset: 0.2, At: at(-86400)}
	return site
}

func calibrate(offset, uncertainty float64) watch.Command {
	return watch.Command{
		Verb: watch.Calibrate, Sensor: "tub-1-probe", Channel: "temperature",
		Calibration: &journal.Calibration{Method: "ice bath", Offset: offset, Uncertainty: uncertainty},
	}
}

// A calibration is an entry of its own, which is in force from then on, says how far the point can be believed, and can be taken back.
func TestCalibrationGoesIntoTheJournal(t *testing.T) {
	p := play(t, probed())
	p.run(60, 22, 22)
	states, before := p.core.Calibrations()
	assert.Equal(t, calibration.None, states[0].Origin)
	assert.Equal(t, 0.5, p.core.State(0).Accuracy)

	got := p.command(calibrate(-0.3, 0.1))
	require.Len(t, got, 1)
	e := got[0].Entry
	assert.Equal(t, journal.SensorCalibrated, e.Kind)
	assert.Equal(t, []string{"tub-1-probe", "temperature", "28-tub-1-probe", "tub-1", "Cel", "keeper"}, []string{e.Sensor, e.Channel, e.Part, e.Place, e.Unit, e.By})
	assert.Equal(t, journal.Calibration{Method: "ice bath", Gain: 1, Offset: -0.3, Uncertainty: 0.1}, *e.Calibration)
	states, after := p.core.Calibrations()
	assert.NotEqual(t, before, after)
	assert.Equal(t, calibration.Journal, states[0].Origin)
	assert.Equal(t, calibration.Configuration, states[1].Origin)
	assert.Equal(t, 0.1, p.core.State(0).Accuracy)
	assert.Equal(t, 0.5, p.core.State(1).Accuracy)

	again := calibrate(-0.3, 0.1)
	again.At = at(p.now)
	assert.Empty(t, p.command(again), "what is on record already changes nothing")
	withdrawn := p.command(watch.Command{Verb: watch.WriteNote, Text: "it was not ice but water", Corrects: e.ID()})
	require.Len(t, withdrawn, 1)
	assert.Equal(t, journal.Note, withdrawn[0].Entry.Kind)
	states, _ = p.core.Calibrations()
	assert.Equal(t, calibration.None, states[0].Origin)
	assert.Equal(t, 0.5, p.core.State(0).Accuracy)
}

// Gain and offset follow from the points, whatever a command says of them.
func TestPointsDecide(t *testing.T) {
	p := play(t, probed())
	p.run(60, 22, 22)
	c := calibrate(3, 0)
	c.Calibration.Points = []journal.Comparison{{Measured: 0.5, Reference: 0, ReferenceUncertainty: 0.05}, {Measured: 40, Reference: 40, ReferenceUncertainty: 0.05}}
	got := p.command(c)
	require.Len(t, got, 1)
	assert.InDelta(t, 40/39.5, got[0].Entry.Calibration.Gain, 1e-12)
	assert.InDelta(t, -20/39.5, got[0].Entry.Calibration.Offset, 1e-12)
}

func TestCalibrationsThatAreRefused(t *testing.T) {
	p := play(t, probed())
	p.run(60, 22, 22)
	refused := func(c watch.Command) string {
		got := p.command(c)
		require.Len(t, got, 1)
		require.Equal(t, watch.Refused, got[0].Kind)
		return got[0].Entry.Reason
	}
	other := func(change func(c *watch.Command)) watch.Command {
		c := calibrate(-0.3, 0.1)
		change(&c)
		return c
	}
	assert.Equal(t, `there is no sensor "nose": there are tub-1-probe, tub-2-probe`, refused(other(func(c *watch.Command) { c.Sensor = "nose" })))
	assert.Contains(t, refused(other(func(c *watch.Command) { c.Channel = "humidity" })), `no channel "humidity" of the sensor "tub-1-probe" feeds a point`)
	assert.Contains(t, refused(other(func(c *watch.Command) { c.Calibration = nil })), "must say what was found")
	assert.Contains(t, refused(other(func(c *watch.Command) { c.At = at(p.now + 86400) })), "lies in the future")
	assert.Contains(t, refused(calibrate(9, 0.1)), "then replace the sensor")
	assert.Contains(t, refused(calibrate(0.1, -1)), "is negative")
	assert.Contains(t, refused(watch.Command{Verb: watch.ReplaceSensor}), "name the sensor")
}

// The record survives a restart, and what the new configuration has exchanged is written down once.
func TestCalibrationsSurvive(t *testing.T) {
	p := play(t, probed())
	p.run(60, 22, 22)
	p.command(calibrate(-0.3, 0.1))
	state, err := p.core.Snapshot()
	require.NoError(t, err)

	same := watch.New(probed(), "run-2")
	require.NoError(t, same.Restore(state))
	states, _ := same.Calibrations()
	assert.Equal(t, calibration.Journal, states[0].Origin)
	assert.Empty(t, same.FollowConfiguration(at(p.now+10)))

	site := probed()
	site.Sensors[0].Part, site.Calibrations[0].Part = "28-another", "28-another"
	site.Sensors[1].ID, site.Calibrations[1].Sensor = "new-probe", "new-probe"
	core := watch.New(site, "run-2")
	require.NoError(t, core.Restore(state))
	got := core.FollowConfiguration(at(p.now + 10))
	require.Len(t, got, 2)
	assert.Equal(t, journal.SensorReplaced, got[0].Entry.Kind)
	assert.Equal(t, "tub-1-probe is 28-another now, and was 28-tub-1-probe", got[0].Entry.Text)
	assert.Equal(t, journal.SensorAssigned, got[1].Entry.Kind)
	assert.Equal(t, "tub-2/water-temperature is measured by new-probe now, and was by tub-2-probe", got[1].Entry.Text)
	assert.Equal(t, secondWater.Place, got[1].Entry.Place)
	assert.Empty(t, core.FollowConfiguration(at(p.now+20)))
	states, _ = core.Calibrations()
	assert.Equal(t, calibration.None, states[0].Origin, "what was found with the part before counts no more")
	assert.Equal(t, at(p.now+10), states[0].Replaced)
}

package pipeline_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/calibration"
	"dewline/internal/core/journal"
	"dewline/internal/core/pipeline"
	"dewline/internal/core/quality"
	"dewline/internal/core/watch"
)

// The line corrects by what is in force from then on, and by the configuration again once that is taken back. What was recorded before
// stays.
func TestCalibrationIsAppliedFromThenOn(t *testing.T) {
	s := &scene{t: t, Pipeline: pipeline.Pipeline{Rules: rules()}, now: noon}
	watched := site()
	watched.Calibrations = []calibration.Seed{{Sensor: "tub-1-probe", Channel: "temperature", Point: water, Accuracy: 0.5, Calibration: &quality.Calibration{Gain: 1}}}
	s.Configure(watched, "run-1")
	s.Line = line(t)
	s.start()
	s.Ready()
	taken := func() float64 {
		s.now = s.now.Add(10 * time.Second)
		outcome := s.gives("tub-1-probe", 22)
		require.Len(t, outcome.Readings, 1)
		return outcome.Readings[0].Value
	}
	command := func(c watch.Command) string {
		s.Step(watch.Event{Kind: watch.CommandEvent, At: s.at(), Command: &c})
		effects := s.Ready().Effects
		last := effects[len(effects)-1]
		require.Equal(t, watch.Record, last.Kind)
		return last.Entry.ID()
	}
	assert.Equal(t, 22.0, taken())
	id := command(watch.Command{Verb: watch.Calibrate, Sensor: "tub-1-probe", Channel: "temperature", Calibration: &journal.Calibration{Offset: -0.25, Uncertainty: 0.1}})
	outcome := s.gives("tub-1-probe", 22)
	assert.Equal(t, 21.75, outcome.Readings[0].Value)
	command(watch.Command{Verb: watch.Calibrate, Sensor: "tub-1-probe", Channel: "temperature", At: s.at().Add(-time.Hour), Calibration: &journal.Calibration{Offset: 1}})
	assert.Equal(t, 21.75, taken(), "one that is dated earlier does not hold")
	s.Line = line(t) // as a reload makes another one
	assert.Equal(t, 21.75, taken())
	command(watch.Command{Verb: watch.WriteNote, Text: "not settled", Corrects: id})
	assert.Equal(t, 23.0, taken())
}

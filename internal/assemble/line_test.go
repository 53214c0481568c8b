package assemble_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/intake"
	"dewline/internal/core/quantity"
	"dewline/sensors"
)

// degrees is a sample of a temperature.
func degrees(sensor string, at time.Time, celsius float64) intake.Sample {
	return intake.Sample{Sensor: sensor, At: at, Reading: sensors.Measurement{Values: []sensors.Value{{Channel: sensors.Temperature, Value: celsius}}}}
}

// What the configuration says of a sensor reaches the line: its calibration, the range that is believed, and what its maker says.
func TestLine(t *testing.T) {
	site, problems := config.Load("../config/testdata/everything/site.yaml")
	require.NoError(t, problems.Err())
	part := sensors.Description{Measures: []sensors.Measure{{Channel: sensors.Temperature, Low: -55, High: 125, Resolution: 1. / 16}}}
	cases := []struct {
		name    string
		celsius float64
		parts   map[string]*sensors.Description
		value   float64
		flag    quantity.Flag
	}{
		{"calibrated; a first value has none to be compared with", 22, nil, 21.7, quantity.NotEvaluated},
		{"beyond the range that is believed", 42, nil, 41.7, quantity.Suspect},
		{"beyond what the part can measure", 130, map[string]*sensors.Description{"probe-1": &part}, 129.7, quantity.Fail},
		{"nobody knows what the part can measure", 130, nil, 129.7, quantity.Suspect},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			line, err := assemble.Line(site, c.parts)
			require.NoError(t, err)
			outcome, err := line.Take(degrees("probe-1", time.Unix(1e9, 0), c.celsius))
			require.NoError(t, err)
			require.Len(t, outcome.Readings, 1)
			assert.InDelta(t, c.value, outcome.Readings[0].Value, 1e-9)
			assert.Equal(t, c.flag, outcome.Readings[0].Flag)
		})
	}
}

// Two sensors of one point may say different things of how far they may differ: the narrower limit holds.
func TestLineOfSensorsThatDisagree(t *testing.T) {
	tub := quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}
	probe := func(id string, limit float64) config.SensorConfig {
		return config.SensorConfig{
			ID: id, Feeds: map[sensors.Channel]quantity.Point{sensors.Temperature: tub}, Disagree: map[sensors.Channel]float64{sensors.Temperature: limit},
		}
	}
	for _, limits := range [][2]float64{{1, 3}, {3, 1}} {
		site := config.Site{Sensors: []config.SensorConfig{probe("one", limits[0]), probe("two", limits[1])}}
		line, err := assemble.Line(&site, nil)
		require.NoError(t, err)
		failure := ""
		for i := range 62 { // ten minutes
			at := time.Unix(1e9+int64(i)*10, 0)
			_, err := line.Take(degrees("one", at, 22))
			require.NoError(t, err)
			outcome, err := line.Take(degrees("two", at, 24))
			require.NoError(t, err)
			failure = outcome.Worst().Failure
		}
		assert.Contains(t, failure, "differ by 2.0 K (allowed: 1)", "%v", limits)
	}
}

func TestLineThatCannotBeMade(t *testing.T) {
	humid := quantity.Point{Place: "loft", Quantity: quantity.RelativeHumidity}
	site := config.Site{Sensors: []config.SensorConfig{{ID: "odd", Feeds: map[sensors.Channel]quantity.Point{sensors.Temperature: humid}}}}
	_, err := assemble.Line(&site, nil)
	assert.ErrorContains(t, err, `"odd"`)
}

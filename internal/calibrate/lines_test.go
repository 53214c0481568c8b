package calibrate_test

import (
	"fmt"
	"math"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/calibrate"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/psychro"
	"dewline/internal/core/quality"
	"dewline/internal/core/quantity"
	"dewline/internal/store"
	"dewline/sensors"
)

const site = `
site: north-loft
timezone: Europe/Lisbon
places: [{id: vivarium-1, kind: enclosure}]
sensors:
  - id: vivarium-1-air
    driver: bme280
    bus: I2C1
    feeds: {temperature: vivarium-1/air-temperature, humidity: vivarium-1/relative-humidity, pressure: vivarium-1/pressure}
%s`

func sensorWith(t require.TestingT, lines string) *config.SensorConfig {
	loaded, problems := config.LoadFS(fstest.MapFS{"site.yaml": {Data: fmt.Appendf(nil, site, lines)}}, "site.yaml")
	require.NoError(t, problems.Err(), lines)
	return &loaded.Sensors[0]
}

func feeds(t require.TestingT) map[sensors.Channel]quantity.Point { return sensorWith(t, "").Feeds }

// The lines that are printed are lines that the configuration takes, and say there what was found; the other channels keep theirs.
func TestLinesAreTaken(t *testing.T) {
	day := time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)
	rapid.Check(t, func(t *rapid.T) {
		sensor := sensorWith(t, "    calibration: {date: 2026-05-01, humidity: {offset: -1.5 %RH, uncertainty: 1 %RH}, pressure: {points: [{measured: 1012 hPa, reference: 1013 hPa}]}}\n")
		offset := rapid.Float64Range(-4.9, 4.9).Draw(t, "offset")
		uncertainty := rapid.Float64Range(0.001, 1).Draw(t, "uncertainty")
		at := instant.Of(day)
		c, err := quality.OnePoint(quantity.AirTemperature, at, quality.Comparison{Measured: -offset, ReferenceUncertainty: uncertainty})
		require.NoError(t, err)
		if rapid.Bool().Draw(t, "two") {
			c, err = quality.TwoPoint(quantity.AirTemperature, at, quality.Comparison{Measured: -offset, ReferenceUncertainty: uncertainty},
				quality.Comparison{Measured: 40 - offset/2, Reference: 40, ReferenceUncertainty: uncertainty})
			require.NoError(t, err)
		}
		pasted := sensorWith(t, calibrate.Lines(sensor, sensors.Temperature, day, c))
		got, err := pasted.CalibrationOf(sensors.Temperature)
		require.NoError(t, err)
		assert.InDelta(t, c.Gain, got.Gain, 1e-4)
		for _, celsius := range []float64{0, 22, 40} {
			assert.InDelta(t, c.Apply(celsius), got.Apply(celsius), 0.002)
		}
		assert.GreaterOrEqual(t, pasted.AccuracyOf(sensors.Temperature), c.Uncertainty-1e-9, "an uncertainty does not shrink by being written")
		assert.InDelta(t, c.Uncertainty, pasted.AccuracyOf(sensors.Temperature), 0.0101)
		assert.Equal(t, sensor.Calibration.Channels[sensors.Humidity], pasted.Calibration.Channels[sensors.Humidity])
		assert.Equal(t, sensor.Calibration.Channels[sensors.Pressure], pasted.Calibration.Channels[sensors.Pressure])
		assert.Equal(t, "2026-07-01", pasted.Calibration.Channels[sensors.Temperature].Date.Format(time.DateOnly))
	})
}

// Where the uncertainty of the reference is not known, that of the sensor stays in force.
func TestUntoldUncertaintyIsLeftOut(t *testing.T) {
	sensor := sensorWith(t, "")
	c, err := quality.OnePoint(quantity.RelativeHumidity, 0, quality.Comparison{Measured: 74, MeasuredUncertainty: 0.1, Reference: 75.3})
	require.NoError(t, err)
	lines := calibrate.Lines(sensor, sensors.Humidity, time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC), c)
	assert.Equal(t, "    calibration:\n      humidity: {points: [{measured: 74.00 %RH, reference: 75.30 %RH}], date: 2026-07-01}\n", lines)
	assert.Equal(t, 3.0, sensorWith(t, lines).AccuracyOf(sensors.Humidity))
}

func TestParseAgainst(t *testing.T) {
	for _, test := range []struct {
		text    string
		channel sensors.Channel
		value   float64 // at 25 °C
	}{
		{"ice", sensors.Temperature, 0},
		// 25 °C: L. Greenspan 1977, 75.29 % and 32.78 %, both from memory; CRC Handbook 75.3 and 32.8.
		{"salt:NaCl", sensors.Humidity, 75.29},
		{"salt:mgcl2", sensors.Humidity, 32.78},
		{"71.6 degF", sensors.Temperature, 22},
		{"75.3 %RH", sensors.Humidity, 75.3},
		{"75 %", sensors.Humidity, 75},
		{"1013.25 hPa", sensors.Pressure, 101325},
	} {
		a, err := calibrate.ParseAgainst(test.text, feeds(t))
		require.NoError(t, err, test.text)
		assert.Equal(t, test.channel, a.Channel, test.text)
		value, _, err := a.Reference(25, 0.2)
		require.NoError(t, err)
		assert.InDelta(t, test.value, value, 0.01, test.text)
		assert.NotEmpty(t, a.String())
		assert.NotEmpty(t, a.Instructions(true))
	}
	onlyWater := map[sensors.Channel]quantity.Point{sensors.Temperature: {Place: "tub-1", Quantity: quantity.WaterTemperature}}
	for text, want := range map[string]string{
		"salt:NaCl": "a saturated salt is a reference for humidity, and the sensor feeds none: it feeds temperature",
		"salt:sand": `unknown salt "sand"`,
		"75 %RH":    `"75 %RH" is no reference for this sensor, which feeds temperature`,
		"22":        `"22" is no reference for this sensor`,
		"":          `"" is no reference for this sensor`,
	} {
		_, err := calibrate.ParseAgainst(text, onlyWater)
		require.ErrorContains(t, err, want)
	}
	_, err := calibrate.ParseAgainst("ice", map[sensors.Channel]quantity.Point{sensors.Humidity: {Place: "loft", Quantity: quantity.RelativeHumidity}})
	require.ErrorContains(t, err, "an ice bath is a reference for temperature")
}

// Over a salt the home-made vessel is the larger part of the uncertainty; outside the salt's range there is no reference.
func TestSaltReference(t *testing.T) {
	a, err := calibrate.ParseAgainst("salt:NaCl", feeds(t))
	require.NoError(t, err)
	_, uncertainty, err := a.Reference(22, 0.3)
	require.NoError(t, err)
	assert.Greater(t, uncertainty, psychro.SodiumChloride.RelativeHumidityUncertainty(22, 0.3))
	assert.InDelta(t, 0.2*0.06*75.4, uncertainty, 0.1)
	_, _, err = a.Reference(-3, 0.3)
	require.ErrorContains(t, err, "is known from 0 °C on")
}

func TestSecondPoint(t *testing.T) {
	now := instant.Of(time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC))
	day := 24 * time.Hour
	record := func(age time.Duration, channel string, reference float64, readings ...float64) store.Calibration {
		return store.Calibration{At: now.Add(-age), Sensor: "a", Channel: channel, Reference: reference, Uncertainty: 1, Readings: readings}
	}
	records := []store.Calibration{
		record(60*day, "humidity", 11.3, 12),
		record(20*day, "humidity", 32.8, 30, 31),
		record(10*day, "humidity", 70, 71),
		record(5*day, "temperature", 0, 0.3),
		record(-day, "humidity", 33, 20), // a clock that was wrong
		record(day, "humidity", 33),      // without readings
	}
	second, ok := calibrate.Second(records, sensors.Humidity, 75.3, 0.01, now)
	require.True(t, ok)
	assert.Equal(t, 30.5, second.Measured)
	assert.Equal(t, 32.8, second.Reference)
	_, ok = calibrate.Second(records, sensors.Temperature, 5, 0.0625, now)
	assert.False(t, ok, "points 5 K apart say nothing about the gain")
	_, ok = calibrate.Second(records, sensors.Pressure, 101325, 1, now)
	assert.False(t, ok)
	assert.False(t, math.IsNaN(second.MeasuredUncertainty))
}

package quality

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

var made = instant.Of(time.Date(2026, 2, 28, 9, 0, 0, 0, time.UTC))

func TestIcePoint(t *testing.T) {
	point, err := Compare([]float64{0.3125, 0.375, 0.3125, 0.25}, 0.0625, 0, 0.02)
	require.NoError(t, err)
	assert.Equal(t, 0.3125, point.Measured)
	// By hand: s² = 0.00260417, /4 = 0.00065104; 0.0625²/12 = 0.00032552; twice the root of the sum.
	assert.InDelta(t, 2*math.Sqrt(0.00065104+0.00032552), point.MeasuredUncertainty, 1e-6)

	c, err := OnePoint(quantity.WaterTemperature, made, point)
	require.NoError(t, err)
	assert.InDelta(t, 0, c.Apply(0.3125), 1e-12)
	assert.InDelta(t, 22, c.Apply(22.3125), 1e-12)
	assert.InDelta(t, math.Hypot(0.0625, 0.02), c.Uncertainty, 1e-4)
}

// Greenspan 1977 at 25 °C: magnesium chloride 32.78 %RH, sodium chloride 75.29 %RH.
func TestTwoSalts(t *testing.T) {
	low := Comparison{Measured: 35.1, MeasuredUncertainty: 0.1, Reference: 32.78, ReferenceUncertainty: 0.16}
	high := Comparison{Measured: 76.2, MeasuredUncertainty: 0.1, Reference: 75.29, ReferenceUncertainty: 0.12}
	c, err := TwoPoint(quantity.RelativeHumidity, made, high, low)
	require.NoError(t, err)
	assert.InDelta(t, (75.29-32.78)/(76.2-35.1), c.Gain, 1e-12)
	assert.InDelta(t, 32.78, c.Apply(35.1), 1e-12)
	assert.InDelta(t, 75.29, c.Apply(76.2), 1e-12)
	assert.InDelta(t, math.Hypot(0.1, 0.16), c.Uncertainty, 1e-12, "that of the worse point")
	assert.NoError(t, c.Check())
}

func TestCalibrationRefuses(t *testing.T) {
	const rh, water = quantity.RelativeHumidity, quantity.WaterTemperature
	two := func(q quantity.Quantity, m1, r1, m2, r2 float64) error {
		_, err := TwoPoint(q, made, Comparison{Measured: m1, Reference: r1}, Comparison{Measured: m2, Reference: r2})
		return err
	}
	one := func(q quantity.Quantity, m, r float64) error {
		_, err := OnePoint(q, made, Comparison{Measured: m, Reference: r})
		return err
	}
	assert.ErrorContains(t, two(rh, 75, 75.3, 84, 84.2), "the two references are 8.9 %RH apart, take ones at least 15 %RH apart")
	assert.ErrorContains(t, two(water, 0, 0, 9, 9), "9.0 K apart, take ones at least 10 K apart")
	assert.ErrorContains(t, two(quantity.Pressure, 9e4, 9e4, 9e4, 9e4), "0.0 Pa apart")
	assert.ErrorContains(t, two(rh, 33, 33, 33, 75), "42.0 %RH apart")
	assert.ErrorContains(t, two(rh, 30, 33, 80, 75), "the gain would be 0.840, outside 0.9 to 1.1")
	assert.ErrorContains(t, two(rh, 35, 33, 70, 75), "the gain would be 1.200")
	assert.ErrorContains(t, two(rh, 75, 33, 33, 75), "the gain would be -1.000", "mixed-up salts")
	assert.NoError(t, two(rh, 33, 33, 75, 75+0.1*41.9), "just inside")
	assert.ErrorContains(t, two(rh, 33, none, 75, 75), "no number")
	assert.ErrorContains(t, one(water, 5.1, 0), "off by 5.10 K, more than the 5 K that a correction may hide")
	assert.ErrorContains(t, one(rh, 59, 75.3), "off by -16.30 %RH")
	assert.NoError(t, one(water, 3, 0), "a clone")
	_, err := OnePoint(water, made, Comparison{MeasuredUncertainty: -1})
	assert.ErrorContains(t, err, "an uncertainty is negative")
	_, err = Compare(nil, 0, 0, 0)
	assert.ErrorContains(t, err, "no reading")
	_, err = Compare([]float64{1, none}, 0, 0, 0)
	assert.ErrorContains(t, err, "a reading is missing")

	for want, c := range map[string]*Calibration{
		"a gain of 0 is outside":      {Offset: 1},
		"a gain of 1.2 is outside":    {Gain: 1.2},
		"must be numbers":             {Gain: 1, Offset: none},
		"uncertainty of -1 is negati": {Gain: 1, Uncertainty: -1},
	} {
		assert.ErrorContains(t, c.Check(), want)
	}
}

func TestWithoutCalibrationNothingChanges(t *testing.T) {
	var c *Calibration
	assert.Equal(t, 21.5, c.Apply(21.5))
	assert.NoError(t, c.Check())
}

func TestTwoPointHitsBothPoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gain := rapid.Float64Range(0.91, 1.09).Draw(t, "gain")
		offset := rapid.Float64Range(-10, 10).Draw(t, "offset")
		low := rapid.Float64Range(0, 50).Draw(t, "low")
		high := low + rapid.Float64Range(20, 50).Draw(t, "apart")
		c, err := TwoPoint(quantity.RelativeHumidity, made,
			Comparison{Measured: low, Reference: gain*low + offset}, Comparison{Measured: high, Reference: gain*high + offset})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(c.Gain-gain) > 1e-9 || math.Abs(c.Offset-offset) > 1e-9 {
			t.Fatalf("got %v and %v", c.Gain, c.Offset)
		}
	})
}

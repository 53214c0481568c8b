package quality

import (
	"errors"
	"fmt"
	"math"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// Comparison is a reading of a sensor beside a reference, such as an ice bath (0 °C, ASTM E563), the air over a saturated
// salt (ASTM E104; L. Greenspan, J. Res. Natl. Bur. Stand. 81A, 1977), or a better instrument. Values are in the canonical unit,
// uncertainties expanded (k = 2).
type Comparison struct {
	Measured             float64
	MeasuredUncertainty  float64 // of the mean of the readings: their scatter and the resolution
	Reference            float64
	ReferenceUncertainty float64
}

// Compare makes a comparison of several readings with a reference. The uncertainty of their mean is taken from their
// standard deviation (type A, JCGM 100:2008 4.2) and from the resolution of the sensor as a rectangular distribution
// (type B, 4.3.7).
func Compare(readings []float64, resolution, reference, referenceUncertainty float64) (Comparison, error) {
	n := float64(len(readings))
	if n == 0 {
		return Comparison{}, errors.New("no reading to compare with the reference")
	}
	var sum, squares float64
	for _, r := range readings {
		if absent(r) {
			return Comparison{}, errors.New("a reading is missing: take the comparison anew")
		}
		sum += r
	}
	mean := sum / n
	for _, r := range readings {
		squares += (r - mean) * (r - mean)
	}
	variance := resolution * resolution / 12
	if n > 1 {
		variance += squares / (n - 1) / n
	}
	return Comparison{
		Measured: mean, MeasuredUncertainty: 2 * math.Sqrt(variance),
		Reference: reference, ReferenceUncertainty: referenceUncertainty,
	}, nil
}

// uncertainty returns that of the correction at this point (k = 2).
func (c Comparison) uncertainty() float64 {
	return math.Hypot(c.MeasuredUncertainty, c.ReferenceUncertainty)
}

// check refuses what is no comparison.
func (c Comparison) check() error {
	for _, v := range []float64{c.Measured, c.MeasuredUncertainty, c.Reference, c.ReferenceUncertainty} {
		if absent(v) {
			return errors.New("the comparison holds a value that is no number")
		}
	}
	if c.MeasuredUncertainty < 0 || c.ReferenceUncertainty < 0 {
		return errors.New("an uncertainty is negative")
	}
	return nil
}

// Calibration corrects a sensor: value = Gain·measured + Offset. A nil calibration corrects nothing.
type Calibration struct {
	Gain   float64
	Offset float64 // in the unit of a difference
	// Uncertainty is the expanded uncertainty (k = 2) of a corrected value at the points of comparison. It replaces the
	// accuracy of the maker.
	Uncertainty float64
	// At is when it was made; the zero value where it is not known.
	At instant.Instant
	// Points are the one or two comparisons it was made from, in the order of the measured values; empty where only
	// the numbers above are known.
	Points []Comparison
	// GainUncertainty is the expanded uncertainty of the gain of a one-point calibration, which cannot measure it.
	GainUncertainty float64
}

// CalibrateEvery is how long a calibration is trusted where the configuration says nothing else. Common practice, no published source. By
// their data sheets humidity sensors drift by 0.25 to 0.5 %RH a year in clean air.
const CalibrateEvery = 365 * 24 * time.Hour

// The bounds of a calibration that is believed: engineering judgement, no published source. Beyond them the sensor or
// the reference is broken, and a correction would hide it.
const (
	minGain, maxGain   = 0.9, 1.1
	minHumiditySpan    = 15.0 // percent relative humidity
	minTemperatureSpan = 10.0 // kelvin
	maxHumidityOffset  = 15.0 // percent relative humidity
	maxKelvinOffset    = 5.0
	beyondPoints       = 5.0 // how far outside its two points a calibration is still trusted, in kelvin or percent humidity
)

// OnePoint returns the calibration by one comparison: an offset. Away from that point its uncertainty grows, since
// nothing is known of the gain: 1 % of the distance, 5 % for humidity (engineering judgement).
func OnePoint(q quantity.Quantity, at instant.Instant, point Comparison) (*Calibration, error) {
	if err := point.check(); err != nil {
		return nil, fmt.Errorf("calibrating %s: %w", q, err)
	}
	c := &Calibration{
		Gain: 1, Offset: point.Reference - point.Measured, At: at,
		Uncertainty: point.uncertainty(), Points: []Comparison{point}, GainUncertainty: 0.01,
	}
	if q == quantity.RelativeHumidity {
		c.GainUncertainty = 0.05
	}
	maxOffset, unit := math.Inf(1), q.DifferenceUnit()
	switch unit {
	case quantity.Kelvin:
		maxOffset = maxKelvinOffset
	case quantity.PercentRelativeHumidity:
		maxOffset = maxHumidityOffset
	}
	if math.Abs(c.Offset) > maxOffset {
		return nil, fmt.Errorf("calibrating %s: the sensor is off by %.2f %s, more than the %g %s that a correction may hide: "+
			"check the reference, then replace the sensor", q, -c.Offset, unit.Shown(), maxOffset, unit.Shown())
	}
	return c, nil
}

// TwoPoint returns the calibration by two comparisons: gain and offset. It refuses points that lie too close together
// (15 %RH, 10 K) and gains outside 0.9 to 1.1.
func TwoPoint(q quantity.Quantity, at instant.Instant, a, b Comparison) (*Calibration, error) {
	if err := errors.Join(a.check(), b.check()); err != nil {
		return nil, fmt.Errorf("calibrating %s: %w", q, err)
	}
	if a.Measured > b.Measured {
		a, b = b, a
	}
	unit := q.DifferenceUnit()
	minSpan := 0.0
	switch unit {
	case quantity.Kelvin:
		minSpan = minTemperatureSpan
	case quantity.PercentRelativeHumidity:
		minSpan = minHumiditySpan
	}
	apart := math.Abs(b.Reference - a.Reference)
	if apart < minSpan || apart == 0 || a.Measured == b.Measured {
		return nil, fmt.Errorf("calibrating %s: the two references are %.1f %s apart, take ones at least %g %s apart",
			q, apart, unit.Shown(), minSpan, unit.Shown())
	}
	gain := (b.Reference - a.Reference) / (b.Measured - a.Measured)
	if gain < minGain || gain > maxGain {
		return nil, fmt.Errorf("calibrating %s: the gain would be %.3f, outside %g to %g: the sensor is damaged, "+
			"or the references were mixed up or had not settled", q, gain, minGain, maxGain)
	}
	return &Calibration{
		Gain: gain, Offset: a.Reference - gain*a.Measured, At: at,
		Uncertainty: max(a.uncertainty(), b.uncertainty()), Points: []Comparison{a, b},
	}, nil
}

// Check returns an error for a calibration, such as one from a configuration, whose numbers no comparison can have given.
func (c *Calibration) Check() error {
	switch {
	case c == nil:
		return nil
	case absent(c.Gain) || absent(c.Offset) || absent(c.Uncertainty):
		return errors.New("calibration: gain, offset and uncertainty must be numbers")
	case c.Gain < minGain || c.Gain > maxGain:
		return fmt.Errorf("calibration: a gain of %g is outside %g to %g", c.Gain, minGain, maxGain)
	case c.Uncertainty < 0:
		return fmt.Errorf("calibration: an uncertainty of %g is negative", c.Uncertainty)
	}
	return nil
}

// Apply corrects a measured value.
func (c *Calibration) Apply(measured float64) float64 {
	if c == nil {
		return measured
	}
	return c.Gain*measured + c.Offset
}

// Invert returns the measured value that [Calibration.Apply] has corrected, to 1e-9, so that a value at the end of a range stays in it.
func (c *Calibration) Invert(value float64) float64 {
	if c == nil {
		return value
	}
	return math.Round((value-c.Offset)/c.Gain*1e9) / 1e9
}

// Expanded returns the expanded uncertainty (k = 2) of a corrected value. accuracy is that of the maker, or 0; it holds
// where there is no calibration. More than 5 K or 5 %RH outside two points it holds too if it is the larger.
func (c *Calibration) Expanded(measured, accuracy float64) float64 {
	switch {
	case c == nil:
		return accuracy
	case len(c.Points) == 1:
		return math.Hypot(c.Uncertainty, c.GainUncertainty*(measured-c.Points[0].Measured))
	case len(c.Points) < 2:
		return c.Uncertainty
	}
	a, b := c.Points[0], c.Points[1]
	// The correction is a straight line through two uncertain points (JCGM 100:2008 5.1.2, independent).
	weight := (measured - a.Measured) / (b.Measured - a.Measured)
	expanded := math.Hypot((1-weight)*a.uncertainty(), weight*b.uncertainty())
	if measured < a.Measured-beyondPoints || measured > b.Measured+beyondPoints {
		return max(expanded, accuracy)
	}
	return expanded
}

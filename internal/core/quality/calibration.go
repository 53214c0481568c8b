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
)

// OnePoint returns the calibration by one comparison: an offset.
func OnePoint(q quantity.Quantity, at instant.Instant, point Comparison) (*Calibration, error) {
	if err := point.check(); err != nil {
		return nil, fmt.Errorf("calibrating %s: %w", q, err)
	}
	c := &Calibration{
		Gain: 1, Offset: point.Reference - point.Measured, At: at,
		Uncertainty: point.uncertainty(), Points: []Comparison{point},
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

// FromPoints returns the calibration by one or two comparisons, or, where there is none, by an offset: the reference of the comparison
// that is given for it, since it is not known where the offset was found.
func FromPoints(q quantity.Quantity, at instant.Instant, offset Comparison, points []Comparison) (*Calibration, error) {
	switch len(points) {
	case 0:
		c, err := OnePoint(q, at, offset)
		if err != nil {
			return nil, err
		}
		c.Points = nil
		return c, nil
	case 1:
		return OnePoint(q, at, points[0])
	case 2:
		return TwoPoint(q, at, points[0], points[1])
	}
	return nil, fmt.Errorf("calibrating %s: %d points are given, and a straight line takes one or two: the two that lie farthest apart will do", q, len(points))
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

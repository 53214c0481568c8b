package quantity

import (
	"math"
	"strconv"
)

// Decimal returns the decimal number of at most twelve digits that v is but for the rounding of binary fractions, as after 20.1 + 0.05
// or a conversion between units; v itself where there is none. No sensor gives more digits.
func Decimal(v float64) float64 {
	short, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 12, 64), 64)
	if err != nil || math.Abs(short-v) > 4*(math.Nextafter(math.Abs(v), math.Inf(1))-math.Abs(v)) {
		return v
	}
	return short
}

// Known returns a value for a document; nil for what JSON cannot carry, which is what is not known.
func Known(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

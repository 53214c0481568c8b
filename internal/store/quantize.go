package store

import "math"

// quantizer is the set of numbers that a sensor can give: origin + k·stride/scale for whole k. A division is used since it cannot
// be fused with the addition into one rounding, so that all processors agree on every bit.
type quantizer struct {
	origin, scale float64
	stride        int64
}

// maxSteps is the largest k in use: all smaller whole numbers are exact as floats.
const maxSteps = 1 << 50

func (l quantizer) value(k int64) float64 { return l.origin + float64(k*l.stride)/l.scale }

// nearest returns the k nearest to v; ok is false where v does not lie on the quantizer but for rounding.
func (l quantizer) nearest(v float64) (k int64, ok bool) {
	scale := l.scale / float64(l.stride)
	x := math.Round((v - l.origin) * scale)
	if !(math.Abs(x) < maxSteps) {
		return 0, false
	}
	k = int64(x)
	return k, math.Abs((v-l.value(k))*scale) < 1e-4
}

func (l quantizer) holds(values []float64) bool {
	for _, v := range values {
		if _, ok := l.nearest(v); !ok {
			return false
		}
	}
	return true
}

// exact reports whether all values lie on the quantizer to the last bit.
func (l quantizer) exact(values []float64) bool {
	for _, v := range values {
		if k, ok := l.nearest(v); !ok || ordered(l.value(k)) != ordered(v) {
			return false
		}
	}
	return true
}

// findQuantizer looks for a quantizer that all values lie on but for rounding, and if it can be, without rounding. distinct are
// finite, sorted, and not empty.
func findQuantizer(distinct []float64, resolution float64) (quantizer, bool) {
	l, ok := nearQuantizer(distinct, resolution)
	if !ok || l.exact(distinct) {
		return l, ok
	}
	// The formulas of sensors have a whole origin and the ratio of two numbers, such as -45 + 175*word/65535.
	if stride, scale, ok := ratio(1 / l.scale); ok {
		for origin := range lowestOrigin + 1 {
			if formula := (quantizer{float64(-origin), scale, stride}); formula.exact(distinct[:1]) && formula.exact(distinct) {
				return formula, true
			}
		}
	}
	return l, true
}

// lowestOrigin is that of the temperatures of some sensors, below zero.
const lowestOrigin = 50

// nearQuantizer allows for rounding. Tried in turn: multiples of the sensor's resolution; the resolution from another origin; the
// common divisor of the steps between the values, for sensors whose formula, calibration or description has another step.
func nearQuantizer(distinct []float64, resolution float64) (quantizer, bool) {
	least := distinct[0]
	if scale := 1 / resolution; scale > 0 && !math.IsInf(scale, 0) {
		if whole := math.Round(scale); math.Abs(scale-whole) < 1e-9*scale {
			scale = whole
		}
		for _, l := range []quantizer{{0, scale, 1}, {least, scale, 1}} {
			if l.holds(distinct) {
				return l, true
			}
		}
	}
	step, ok := commonStep(distinct)
	if !ok {
		return quantizer{}, false
	}
	l := quantizer{least, 1 / step, 1}
	return l, !math.IsInf(l.scale, 0) && l.holds(distinct)
}

// ratio returns the simplest ratio of whole numbers that is a step, by its continued fraction, where the upper one is small.
func ratio(step float64) (over int64, under float64, ok bool) {
	before, upper := 0., 1.
	lowerBefore, lower := 1., 0.
	for rest := step; ; {
		whole := math.Floor(rest)
		before, upper = upper, whole*upper+before
		lowerBefore, lower = lower, whole*lower+lowerBefore
		if !(upper <= maxStride && lower < maxSteps) {
			return 0, 0, false
		}
		if upper > 0 && math.Abs(upper/lower-step) < 1e-9*step {
			return int64(upper), lower, true
		}
		rest = 1 / (rest - whole)
	}
}

// maxStride is what fits into a byte.
const maxStride = 255

// commonStep is Euclid's algorithm on the differences of sorted values, with room for rounding.
func commonStep(distinct []float64) (float64, bool) {
	least, most := distinct[0], distinct[len(distinct)-1]
	span := most - least
	if span == 0 {
		return 1, true
	}
	if span > math.MaxFloat64/4 { // the multiple of a step next to a difference could be infinite, and the search without end
		return 0, false
	}
	// Steps this small against the values cannot be distinguished from rounding.
	smallest := max(math.Abs(least), math.Abs(most)) * 0x1p-36
	step := span
	for i := 1; i < len(distinct); i++ {
		for rest := distinct[i] - distinct[i-1]; ; {
			if step < smallest {
				return 0, false
			}
			rest = math.Abs(rest - math.Round(rest/step)*step)
			if rest <= step*1e-3 {
				break
			}
			step, rest = rest, step
		}
	}
	return span / math.Round(span/step), true
}

// ordered maps a float to a whole number such that neighbouring floats are neighbouring numbers. It is one to one.
func ordered(v float64) int64 {
	b := int64(math.Float64bits(v))
	return b ^ int64(uint64(b>>63)>>1)
}

// unordered is the inverse of ordered.
func unordered(o int64) float64 { return math.Float64frombits(uint64(o ^ int64(uint64(o>>63)>>1))) }

package watch

import (
	"math"
	"time"
)

// outlook looks ahead: it fits a straight line to the recent readings, older ones counting less (weights fall by 1/e per
// fifth of the horizon), and tells when that line meets the next limit. It holds weighted sums with the latest reading
// as the origin of time, so that a reading costs a few multiplications and no memory.
type outlook struct {
	Weight float64 `json:"weight"` // Σ w
	T      float64 `json:"t"`      // Σ w·t, t ≤ 0 in seconds before the latest reading
	TT     float64 `json:"tt"`
	V      float64 `json:"v"` // Σ w·v
	TV     float64 `json:"tv"`
	VV     float64 `json:"vv"`
	Span   float64 `json:"span"` // seconds covered without a gap
}

// forget starts anew after a gap.
func (o *outlook) forget() { *o = outlook{} }

// add takes in a reading that came dt after the last one.
func (o *outlook) add(dt time.Duration, v float64, horizon time.Duration) {
	seconds := dt.Seconds()
	if o.Weight == 0 {
		seconds = 0
	}
	// Move the origin of time to the new reading.
	o.TV -= seconds * o.V
	o.TT += seconds * (seconds*o.Weight - 2*o.T)
	o.T -= seconds * o.Weight
	fade := math.Exp(-seconds / (horizon.Seconds() / 5))
	o.Weight, o.T, o.TT = o.Weight*fade, o.T*fade, o.TT*fade
	o.V, o.TV, o.VV = o.V*fade, o.TV*fade, o.VV*fade
	o.Weight++
	o.V += v
	o.VV += v * v
	o.Span += seconds
}

// trend returns the fitted value now and the slope per second. It is known once the readings cover a sixth of the
// horizon, and only if the movement stands out from the scatter around it.
func (o *outlook) trend(horizon time.Duration) (level, slope float64, known bool) {
	if o.Span < horizon.Seconds()/6 {
		return 0, 0, false
	}
	tt := o.TT - o.T*o.T/o.Weight
	tv := o.TV - o.T*o.V/o.Weight
	vv := o.VV - o.V*o.V/o.Weight
	if tt <= 0 {
		return 0, 0, false
	}
	slope = tv / tt
	level = (o.V - slope*o.T) / o.Weight
	scatter := math.Sqrt(max(0, vv-slope*tv) / o.Weight)
	// What the fit has seen move must exceed twice the scatter, else noise would be called a trend.
	if seen := math.Abs(slope) * 2 * math.Sqrt(tt/o.Weight); seen < 2*scatter {
		return level, 0, true
	}
	return level, slope, true
}

// reaches returns the time until the trend meets the level in the direction of sign; false when it never does.
func reaches(value, slope, level, sign float64) (time.Duration, bool) {
	speed, distance := sign*slope, sign*(level-value)
	if speed <= 0 || distance < 0 {
		return 0, false
	}
	seconds := distance / speed
	if seconds > 1e6 { // eleven days and more are no forecast
		return 0, false
	}
	return time.Duration(seconds * float64(time.Second)), true
}

package watch

import (
	"math"
	"time"
)

// outlook fits a straight line to the recent readings, older ones counting less (weights fall by 1/e per fifth of the
// horizon), to predict when the value meets the next limit. It holds weighted sums with the latest reading as the origin
// of time, so that a reading costs a few multiplications and no memory.
type outlook struct {
	Weight float64 `json:"weight"` // Σ w
	T      float64 `json:"t"`      // Σ w·t, t ≤ 0 in seconds before the latest reading
	TT     float64 `json:"tt"`
	V      float64 `json:"v"` // Σ w·v
	TV     float64 `json:"tv"`
	VV     float64 `json:"vv"`
	Span   float64 `json:"span"` // seconds covered without a gap
}

// reset drops all readings, after a gap.
func (o *outlook) reset() { *o = outlook{} }

// add folds in a reading that came dt after the last one.
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

// fit returns the trend. It is known once the readings cover a sixth of the horizon, and has a slope only if the movement
// exceeds the scatter around it.
func (o *outlook) fit(horizon time.Duration) (n trend, known bool) {
	if o.Span < horizon.Seconds()/6 {
		return trend{}, false
	}
	tt := o.TT - o.T*o.T/o.Weight
	tv := o.TV - o.T*o.V/o.Weight
	vv := o.VV - o.V*o.V/o.Weight
	if tt <= 0 {
		return trend{}, false
	}
	slope := tv / tt
	n = trend{value: (o.V - slope*o.T) / o.Weight, horizon: horizon.Seconds()}
	scatter := math.Sqrt(max(0, vv-slope*tv) / o.Weight)
	// What the fit has seen move must exceed twice the scatter, else noise would be called a trend.
	if seen := math.Abs(slope) * 2 * math.Sqrt(tt/o.Weight); seen >= 2*scatter {
		n.slope = slope
	}
	return n, true
}

// trend is the fitted value now and its expected course: the slope fades by 1/e per horizon. Hardly anything in a room continues
// in a straight line: heating and cooling approach an end value, and a straight line would predict a limit at each thermostat cycle
// (E. S. Gardner and E. McKenzie, Forecasting trends in time series, Management Science 31, 1985, on damped trends).
type trend struct {
	value   float64
	slope   float64 // per second, now
	horizon float64 // seconds
}

// after returns the trend as it is expected to be some time later.
func (n trend) after(wait time.Duration) trend {
	left := math.Exp(-wait.Seconds() / n.horizon)
	return trend{n.value + n.slope*n.horizon*(1-left), n.slope * left, n.horizon}
}

// reaches returns the time until the trend meets the level in the direction of sign; false when it never does.
func (n trend) reaches(level, sign float64) (time.Duration, bool) {
	speed, distance := sign*n.slope, sign*(level-n.value)
	if speed <= 0 || distance < 0 {
		return 0, false
	}
	share := distance / (speed * n.horizon) // of all that the trend will ever move
	if share >= 1 {
		return 0, false
	}
	return time.Duration(-math.Log1p(-share) * n.horizon * float64(time.Second)), true
}

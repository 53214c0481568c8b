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
	Last   float64 `json:"last"` // the latest value
	// Deviates is whether the values are deviations from the usual day.
	Deviates bool `json:"deviates,omitempty"`
}

// reset drops all readings, after a gap.
func (o *outlook) reset() { *o = outlook{Last: o.Last, Deviates: o.Deviates} }

// move adds a number to all values.
func (o *outlook) move(by float64) {
	o.VV += by * (2*o.V + by*o.Weight)
	o.TV += by * o.T
	o.V += by * o.Weight
}

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
	n = trend{value: (o.V - slope*o.T) / o.Weight, horizon: fadeHorizons * horizon.Seconds()}
	scatter := math.Sqrt(max(0, vv-slope*tv) / o.Weight)
	// What the fit has seen move must exceed twice the scatter, else noise would be called a trend.
	if seen := math.Abs(slope) * 2 * math.Sqrt(tt/o.Weight); seen >= 2*scatter {
		n.slope = slope
	}
	return n, true
}

// slopes knows how fast a point usually moves in each hour of the day: heating in the morning is steep every day, and at noon the same
// slope is news.
type slopes struct {
	Square [24]float64 `json:"square"` // mean square of the slopes of the last days, (per second)²
	Seen   [24]float64 `json:"seen"`   // seconds that it knows of

	// Of the hour that is going on, which enters when it is over: what moves now is not usual yet.
	Hour   int     `json:"hour"`
	Sum    float64 `json:"sum"`    // of the squares, each for as long as it held
	Length float64 `json:"length"` // seconds
}

// The memory of slopes, in seconds of each hour.
const (
	slopesMemory = 7 * 3600
	slopesKnown  = 2.5 * 3600 // so that it is of three days
	slopesSpread = 16         // times the mean square: what is more enters it as that, so that one event is not usual at once, and a daily one soon
	slowSlope    = 0.1 / 3600 // per second: hardly a slope for a temperature in °C or a humidity in %
	usualSlope   = 2.5        // times the root of the mean square: what is no more than that is usual
)

// unusual takes in a slope that has held for some time, and returns what is left of it: nothing of a usual one, most of one that is far
// from usual.
func (s *slopes) unusual(minute, slope float64, dt time.Duration) float64 {
	hour, seconds := int(minute)/60, min(dt.Seconds(), 3600)
	if s.Hour != hour {
		s.keep()
		s.Hour = hour
	}
	s.Sum += slope * slope * seconds
	s.Length += seconds
	if s.Seen[hour] < slopesKnown || slope == 0 {
		return slope
	}
	return slope * max(0, 1-usualSlope*usualSlope*s.Square[hour]/(slope*slope))
}

// keep lets an hour that is over enter what is usual.
func (s *slopes) keep() {
	if s.Length > 0 {
		known, square, entering := s.Seen[s.Hour] >= slopesKnown, s.Square[s.Hour], s.Sum/s.Length
		if known {
			entering = min(entering, slopesSpread*max(square, slowSlope*slowSlope))
		}
		s.Seen[s.Hour] = min(s.Seen[s.Hour]+s.Length, slopesMemory)
		s.Square[s.Hour] += (entering - square) * min(s.Length/s.Seen[s.Hour], 1)
	}
	s.Sum, s.Length = 0, 0
}

// turning knows what a trend has been, to see that it slows down, or that it is a return to the usual day.
type turning struct {
	Slopes [3]float64 `json:"slopes"`         // of the looks before, per second, the latest first; 0 for none
	Ages   [3]float64 `json:"ages"`           // how long ago those were, in seconds
	Held   float64    `json:"held,omitempty"` // seconds for which the trend has gone on in its direction
	Peak   float64    `json:"peak"`           // the largest deviation of late, fading by 1/e per horizon
}

// overshoot is the share of a deviation by which its return must have passed the usual day to be a trend of its own: until then what has
// come back is taken to stay. Engineering judgement, no published source.
const overshoot = 0.5

// reset drops the slopes, after a gap or a jump.
func (t *turning) reset() { t.Slopes, t.Ages = [3]float64{}, [3]float64{} }

// pass lets time pass until the next look.
func (t *turning) pass(since, horizon time.Duration) {
	for i := range t.Ages {
		t.Ages[i] += since.Seconds()
	}
	t.Held += since.Seconds()
	t.Peak *= math.Exp(-since.Seconds() / horizon.Seconds())
}

// bend lets a trend that slows down end as an exponential approach does that has slowed down so since the third look before: air that
// has lost its heating falls fast at first, and then only as fast as the walls. A straight line stays one.
func (t *turning) bend(n *trend) {
	const last = len(t.Slopes) - 1
	if left := n.slope / t.Slopes[last]; left > 0 && left < 1 {
		n.horizon = 1 / (1/n.horizon - math.Log(left)/t.Ages[last])
	}
	if n.slope*t.Slopes[0] <= 0 {
		t.Held = 0
	}
	copy(t.Slopes[1:], t.Slopes[:last])
	copy(t.Ages[1:], t.Ages[:last])
	t.Slopes[0], t.Ages[0] = n.slope, 0
}

// returns reports whether a deviation is what is left of the return from one on the other side: it has passed the usual day, and not yet
// by much.
func (t *turning) returns(deviation float64) bool {
	back := t.Peak*deviation < 0
	if back && math.Abs(deviation) < overshoot*math.Abs(t.Peak) {
		return true
	}
	if back || math.Abs(deviation) > math.Abs(t.Peak) {
		t.Peak = deviation
	}
	return false
}

func (t *turning) valid() bool {
	return finite(t.Slopes[:]...) && finite(t.Ages[:]...) && finite(t.Held, t.Peak) && t.Held >= 0
}

// trend is the fitted deviation now and its expected course: the slope fades by 1/e per horizon of the trend, since heating and
// cooling approach an end value (E. S. Gardner and E. McKenzie, Forecasting trends in time series, Management Science 31, 1985, on
// damped trends).
type trend struct {
	value   float64
	slope   float64 // per second, now
	horizon float64 // seconds
}

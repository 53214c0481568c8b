package misting

import (
	"errors"
	"math"
	"time"
)

// Outlook is what a schedule would bring if the days of the recording came again, each with the interval that holds it in four of five
// cases. Hours are a day.
type Outlook struct {
	Schedule      Schedule
	Days          float64
	Below, Above  Interval // hours outside the band; NaN without a band
	Saturated     Interval // hours at saturation, as the sensor shows it
	DryEnough     Interval // hours in which leaves dry
	LongestDry    Interval // longest unbroken time below the band, h
	WetNights     Interval // nights a week with condensation; NaN where no surface is known
	RelativeWater float64  // of today's; NaN where today's is not known
}

// dryMark is where leaves dry within hours rather than days. Common practice, no published source.
const dryMark = 85.0

// DryPct is the humidity, in %RH, under which leaves dry within hours, and DryFor how long they should have of it on a day. Husbandry: leaves
// should dry within 2 to 4 h at least once a day; common practice, no published source.
const (
	DryPct = dryMark
	DryFor = 2 * time.Hour
)

// figures are what is counted of a run.
type figures [6]float64

const (
	below = iota
	above
	saturated
	dryEnough
	maxDry
	wetNights
)

// count counts figures of a course of humidity over the minutes that are judged.
func (a *Analysis) count(humidity []float64, vapour func(i int) float64, use []bool) (f figures) {
	limits := a.limits()
	minutes, run := 0, 0
	for i, u := range use {
		if !u {
			continue
		}
		minutes++
		h := humidity[i]
		if h < limits.low[i] {
			f[below]++
			run++
			f[maxDry] = max(f[maxDry], float64(run)/60)
		} else {
			run = 0
		}
		if h > limits.high[i] {
			f[above]++
		}
		if h >= saturatedPct {
			f[saturated]++
		}
		if h < dryMark {
			f[dryEnough]++
		}
	}
	for _, k := range []int{below, above, saturated, dryEnough} {
		f[k] *= 24 / float64(max(1, minutes))
	}
	f[wetNights] = math.NaN()
	if wet, nights := a.nightsOf(vapour, a.surface); nights > 0 {
		f[wetNights] = 7 * float64(wet) / float64(nights)
	}
	if a.recording.Limits == nil {
		f[below], f[above], f[maxDry] = math.NaN(), math.NaN(), math.NaN()
	}
	return f
}

type bandSeries struct{ low, high []float64 }

// limits returns the band minute by minute.
func (a *Analysis) limits() *bandSeries {
	if a.band == nil {
		n := a.series.len()
		a.band = &bandSeries{unknowns(n), unknowns(n)}
		if a.recording.Limits != nil {
			for i := range n {
				a.band.low[i], a.band.high[i] = a.recording.Limits(a.series.at(i))
			}
		}
	}
	return a.band
}

// A forecast is unsure by its parameters and by what the model is not: the humidity of the forecast may be off by some %RH for hours, a part of
// the change may not come, and a rest. The sizes were chosen on simulated enclosures with seeds 1 to 60.
const (
	unsureLevel  = 0.35 // %RH
	unsureChange = 0.10 // of the change
	unsureRest   = 0.05 // h a day
	unsureSpell  = 0.3  // h of the longest spell, and nights a week
)

// Errors of a forecast.
var errNoFit = errors.New("the enclosure could not be fitted")

// WhatIf returns what a schedule would bring. The forecast is what was measured plus the difference that the model makes between the
// present mistings and the schedule: what the model does not know of this enclosure is in both and cancels.
func (a *Analysis) WhatIf(schedule Schedule) (Outlook, error) {
	if !a.Fit.usable {
		return Outlook{}, errNoFit
	}
	s := a.series
	asked := doses(schedule.Over(a.From, a.To, a.recording.Location), s.from, s.len())
	out := Outlook{Schedule: schedule, Days: a.Fit.Days, RelativeWater: math.NaN()}
	if now := a.Present.Water(); now > 0 {
		out.RelativeWater = schedule.Water() / now
	}
	o := &a.Fit.result
	c := a.compare()
	mid := c.figuresOf(&o.theta, asked, 0)
	spread := figures{}
	add := func(up, down figures) {
		for k := range spread {
			spread[k] += sqr((up[k] - down[k]) / 2)
		}
	}
	for _, direction := range directions(&o.covariance) {
		up, down := o.theta, o.theta
		for k := range parameters {
			up[k] += direction[k]
			down[k] -= direction[k]
		}
		change := func(t *theta) figures {
			f, present := c.figuresOf(t, asked, 0), c.figuresOf(t, a.Fit.recordedDoses, 0)
			for k := range f {
				f[k] -= present[k]
			}
			return f
		}
		add(change(&up), change(&down))
	}
	add(c.figuresOf(&o.theta, asked, unsureLevel), c.figuresOf(&o.theta, asked, -unsureLevel))
	interval := func(k int, most float64) Interval {
		rest, change := unsureRest, mid[k]-c.present[k]
		if k == maxDry || k == wetNights {
			rest = unsureSpell
		}
		sd := math.Sqrt(spread[k] + sqr(unsureChange*change) + sqr(rest))
		value := c.measured[k] + change
		clamp := func(v float64) float64 { return min(max(v, 0), most) }
		return Interval{clamp(value - z80*sd), clamp(value), clamp(value + z80*sd)}
	}
	out.Below, out.Above = interval(below, 24), interval(above, 24)
	out.Saturated, out.DryEnough = interval(saturated, 24), interval(dryEnough, 24)
	out.LongestDry, out.WetNights = interval(maxDry, a.Fit.Days*24), interval(wetNights, 7)
	return out, nil
}

// PresentOutlook returns the same figures as they were measured: they are counted and have no interval.
func (a *Analysis) PresentOutlook() Outlook {
	out := Outlook{Schedule: a.Present, Days: a.Fit.Days, RelativeWater: 1}
	s := a.series
	use := make([]bool, s.len())
	for i := range use {
		use[i] = !math.IsNaN(s.humidity[i])
	}
	f := a.count(s.humidity, func(i int) float64 { return s.vapour[i] }, use)
	exact := func(k int) Interval { return Interval{f[k], f[k], f[k]} }
	out.Below, out.Above, out.Saturated, out.DryEnough = exact(below), exact(above), exact(saturated), exact(dryEnough)
	out.LongestDry, out.WetNights = exact(maxDry), exact(wetNights)
	return out
}

func sqr(x float64) float64 { return x * x }

// comparison is what the runs of one forecast share.
type comparison struct {
	a                 *Analysis
	lost              []float64 // share of the vapour over the room that each door took
	level             []float64 // by how much the model was off for hours, %RH: it comes to every schedule
	use               []bool
	measured, present figures // of the present mistings: as measured, and by the model
}

const (
	// settling is how long after the beginning a schedule has not come into its own.
	settling = dayMinutes
	// The level is the mean difference over levelMinutes to both sides, of those minutes in which the leaves were dry by the model; where
	// these are fewer than levelLeast it counts less.
	levelMinutes = 120
	levelLeast   = 30
)

// compare prepares forecasts.
func (a *Analysis) compare() *comparison {
	if a.prepared != nil {
		return a.prepared
	}
	s, o := a.series, &a.Fit.result
	n := s.len()
	c := &comparison{a: a, lost: make([]float64, n), level: make([]float64, n), use: make([]bool, n)}
	also := newLife(n)
	shown := make([]float64, n)
	s.live(&o.theta, a.Fit.recordedDoses, shown, nil, also)
	for i := 1; i < n; i++ {
		if s.reset != nil && !math.IsNaN(s.reset[i]) {
			if over := also.vapour[i-1] - s.room[i]; over > 0.5 {
				c.lost[i] = min(max(1-(s.reset[i]-s.room[i])/over, 0), 1)
			}
		}
	}
	first := min(settling, n/4)
	for i := first; i < n; i++ {
		c.use[i] = !math.IsNaN(s.humidity[i]) && !math.IsNaN(shown[i])
	}
	c.levels(shown, also.film)
	c.measured = a.count(s.humidity, func(i int) float64 { return s.vapour[i] }, c.use)
	c.present = c.figuresOf(&o.theta, a.Fit.recordedDoses, 0)
	a.prepared = c
	return c
}

// levels finds by how much the model is off for hours.
func (c *comparison) levels(shown, film []float64) {
	h := c.a.series.humidity
	n := len(shown)
	sums, counts := make([]float64, n+1), make([]float64, n+1)
	for i := range n {
		sums[i+1], counts[i+1] = sums[i], counts[i]
		if d := h[i] - shown[i]; !math.IsNaN(d) && film[i] == 0 {
			sums[i+1] += d
			counts[i+1]++
		}
	}
	for i := range n {
		from, to := max(0, i-levelMinutes), min(n, i+levelMinutes)
		if count := counts[to] - counts[from]; count > 0 {
			c.level[i] = (sums[to] - sums[from]) / max(count, levelLeast)
		}
	}
}

func newLife(n int) *life { return &life{make([]float64, n), make([]float64, n)} }

// figuresOf counts the figures of a run under some mistings, with the humidity shifted by some %RH.
func (c *comparison) figuresOf(t *theta, doses []float64, shift float64) figures {
	s := c.a.series
	n := s.len()
	shown, also := make([]float64, n), newLife(n)
	s.live(t, doses, shown, c.lost, also)
	for i := range shown {
		shown[i] = min(100, shown[i]+c.level[i]+shift)
	}
	return c.a.count(shown, func(i int) float64 {
		if math.IsNaN(s.vapour[i]) {
			return math.NaN()
		}
		return min(s.sat[i], also.vapour[i]+(c.level[i]+shift)/100*s.sat[i])
	}, c.use)
}

// directions returns the columns of the square root of a covariance (Cholesky); directions of no spread are left out.
func directions(covariance *[parameters][parameters]float64) (all []theta) {
	var l [parameters][parameters]float64
	for i := range parameters {
		for j := range i + 1 {
			sum := covariance[i][j]
			for k := range j {
				sum -= l[i][k] * l[j][k]
			}
			switch {
			case i == j:
				l[i][i] = math.Sqrt(max(sum, 0))
			case l[j][j] > 0:
				l[i][j] = sum / l[j][j]
			}
		}
	}
	for j := range parameters {
		if l[j][j] == 0 {
			continue
		}
		var column theta
		for i := range parameters {
			column[i] = l[i][j]
		}
		all = append(all, column)
	}
	return all
}

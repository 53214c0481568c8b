package misting

import (
	"math"
	"slices"
)

const (
	// The difference between measurement and model is not independent from one minute to the next: the ventilation has weather of its
	// own, and so do stores of water. It is taken in bins of some minutes and as a process of first order, of which the new part
	// of each bin counts: how the air dries weighs more than where it ends.
	binMinutes   = 5
	memory       = 2 * 60 // minutes
	huber        = 2.5    // where a residual begins to count as an outlier, in standard deviations
	minSigma     = 0.1    // %RH; what quantisation leaves of a new part
	burstMinutes = 12     // after a misting, while the mist itself is about
	warmUp       = 3 * 60 // minutes after each start that are not judged
	// trust is the number of bins that count as one against the prior: what the model does not know fools many bins at once.
	trust      = 20
	maxSteps   = 30
	dayMinutes = 24 * 60
)

var memoryLeft = math.Exp(-binMinutes / float64(memory))

// outcome is what a fit came to.
type outcome struct {
	theta      theta
	covariance [parameters][parameters]float64
	shown      []float64 // humidity of the model each minute
	scatter    float64   // root mean square of the difference, %RH
	sigma      float64   // of the new part of a bin, %RH
	judged     int       // minutes
}

// fitter holds what the steps of one fit share.
type fitter struct {
	s     *series
	doses []float64
	use   []bool // minutes that count
	fixed [parameters]bool
	sigma float64
}

// bins returns the new parts of a series of differences, bin by bin; NaN where there is none.
func (f *fitter) bins(difference func(i int) float64, out []float64) []float64 {
	out = out[:0]
	before := math.NaN()
	for from := 0; from < len(f.use); from += binMinutes {
		sum, count := 0.0, 0
		for i := from; i < min(from+binMinutes, len(f.use)); i++ {
			if f.use[i] {
				sum += difference(i)
				count++
			}
		}
		if count == 0 {
			before = math.NaN()
			out = append(out, math.NaN())
			continue
		}
		mean := sum / float64(count)
		if math.IsNaN(before) {
			out = append(out, mean*math.Sqrt(1-memoryLeft*memoryLeft))
		} else {
			out = append(out, mean-memoryLeft*before)
		}
		before = mean
	}
	return out
}

// fit finds the parameters that let the model show what was measured, by least squares with the weights of Huber and the
// prior (Levenberg–Marquardt). The covariance is that of whole days against each other, since what the model does not know is alike
// within a day and differs between days.
func (s *series) fit(start theta, doses []float64, mask []bool) outcome {
	n := s.len()
	f := &fitter{s: s, doses: doses, use: make([]bool, n), fixed: s.fixed(), sigma: 1}
	o := outcome{theta: start, shown: make([]float64, n)}
	since, settles := 0, 0
	for i := range n {
		if doses[i] > 0 {
			settles = burstMinutes
		}
		settles--
		if math.IsNaN(s.sat[i]) || math.IsNaN(s.room[i]) {
			since = 0
			continue
		}
		since++
		f.use[i] = since > warmUp && !math.IsNaN(s.humidity[i]) && !mask[i] && settles < 0
		if f.use[i] {
			o.judged++
		}
	}
	s.run(&o.theta, doses, o.shown)
	if o.judged == 0 {
		return o
	}
	for range 3 { // the scatter that a residual is compared with is known only after a fit
		f.descend(&o)
		sigma := f.scatter(o.shown)
		settled := math.Abs(sigma-f.sigma) < 0.1*f.sigma
		f.sigma = sigma
		if settled {
			break
		}
	}
	o.sigma = f.sigma
	o.covariance = f.covariance(&o)
	sum := 0.0
	for i, u := range f.use {
		if u {
			d := s.humidity[i] - o.shown[i]
			sum += d * d
		}
	}
	o.scatter = math.Sqrt(sum / float64(o.judged))
	return o
}

func (f *fitter) residuals(shown, out []float64) []float64 {
	return f.bins(func(i int) float64 { return f.s.humidity[i] - shown[i] }, out)
}

// scatter returns the standard deviation of the new parts, from their median.
func (f *fitter) scatter(shown []float64) float64 {
	var all []float64
	for _, r := range f.residuals(shown, nil) {
		if !math.IsNaN(r) {
			all = append(all, math.Abs(r))
		}
	}
	slices.Sort(all)
	return max(minSigma, all[len(all)*2/3]) // two thirds of a normal distribution lie within 0.97 standard deviations
}

// descend improves an outcome until it does not get better.
func (f *fitter) descend(o *outcome) {
	trial := make([]float64, len(o.shown))
	residual := f.residuals(o.shown, nil)
	other := make([]float64, len(residual))
	cost := f.cost(&o.theta, residual)
	damping := 1e-2
	for range maxSteps {
		columns := f.jacobian(o)
		normal, gradient := f.normal(&o.theta, residual, columns)
		won := 0.0
		for range 6 {
			damped := normal
			for k := range parameters {
				damped[k][k] *= 1 + damping
			}
			inverse, ok := invert(damped)
			next := o.theta
			for k := range parameters {
				step := 0.0
				for l := range parameters {
					step += inverse[k][l] * gradient[l]
				}
				if !f.fixed[k] {
					next[k] += min(max(step, -1), 1)
				}
			}
			f.s.run(&next, f.doses, trial)
			other = f.residuals(trial, other)
			if c := f.cost(&next, other); ok && c < cost {
				won, cost = cost-c, c
				o.theta = next
				o.shown, trial = trial, o.shown
				residual, other = other, residual
				damping = max(damping/10, 1e-6)
				break
			}
			damping *= 10
		}
		if won < 1e-5*cost {
			return
		}
	}
}

// fixed names the parameters of which this recording can say nothing at all.
func (s *series) fixed() (fixed [parameters]bool) {
	days := 0
	for _, d := range s.day {
		if d {
			days++
		}
	}
	fixed[byLight] = days == 0 || days == len(s.day)
	fixed[kappaByLight] = fixed[byLight]
	return fixed
}

func (f *fitter) weight(residual float64) float64 {
	if r := math.Abs(residual) / f.sigma; r > huber {
		return huber / r
	}
	return 1
}

func (f *fitter) cost(t *theta, residuals []float64) float64 {
	sum := 0.0
	for _, r := range residuals {
		if math.IsNaN(r) {
			continue
		}
		r = math.Abs(r) / f.sigma
		if r <= huber {
			sum += r * r
		} else {
			sum += huber * (2*r - huber)
		}
	}
	sum /= trust
	for k := range t {
		d := (t[k] - prior[k].mean) / prior[k].sd
		sum += d * d
	}
	return sum
}

// jacobian returns by how much each parameter moves the new part of each bin.
func (f *fitter) jacobian(o *outcome) (columns [parameters][]float64) {
	moved := make([]float64, len(o.shown))
	for k := range columns {
		if f.fixed[k] {
			continue
		}
		step := 0.01 * prior[k].sd
		t := o.theta
		t[k] += step
		f.s.run(&t, f.doses, moved)
		columns[k] = f.bins(func(i int) float64 { return (moved[i] - o.shown[i]) / step }, nil)
	}
	return columns
}

// normal returns the normal matrix and the gradient, with the prior in both.
func (f *fitter) normal(t *theta, residuals []float64, columns [parameters][]float64) (a [parameters][parameters]float64, g [parameters]float64) {
	for i, r := range residuals {
		if math.IsNaN(r) {
			continue
		}
		w := f.weight(r) / (f.sigma * f.sigma) / trust
		for k, column := range columns {
			if column == nil {
				continue
			}
			ck := column[i] * w
			g[k] += ck * r
			for l := range k + 1 {
				if columns[l] != nil {
					a[k][l] += ck * columns[l][i]
				}
			}
		}
	}
	for k := range parameters {
		for l := range k {
			a[l][k] = a[k][l]
		}
		precision := 1 / (prior[k].sd * prior[k].sd)
		a[k][k] += precision
		g[k] += precision * (prior[k].mean - t[k])
	}
	return a, g
}

// covariance is the sandwich of the normal matrix around the scatter of the gradients of single days, with the prior counted as one
// more observation.
func (f *fitter) covariance(o *outcome) (c [parameters][parameters]float64) {
	residuals, columns := f.residuals(o.shown, nil), f.jacobian(o)
	normal, _ := f.normal(&o.theta, residuals, columns)
	inverse, ok := invert(normal)
	if !ok {
		return c
	}
	var middle [parameters][parameters]float64
	days := 0
	const dayBins = dayMinutes / binMinutes
	for from := 0; from < len(residuals); from += dayBins {
		var g [parameters]float64
		any := false
		for i := from; i < min(from+dayBins, len(residuals)); i++ {
			if math.IsNaN(residuals[i]) {
				continue
			}
			any = true
			w := f.weight(residuals[i]) / (f.sigma * f.sigma) / trust * residuals[i]
			for k, column := range columns {
				if column != nil {
					g[k] += w * column[i]
				}
			}
		}
		if !any {
			continue
		}
		days++
		for k := range parameters {
			for l := range parameters {
				middle[k][l] += g[k] * g[l]
			}
		}
	}
	few := 1.0
	if days > 1 {
		few = float64(days) / float64(days-1)
	}
	for k := range parameters {
		for l := range parameters {
			middle[k][l] *= few
		}
		middle[k][k] += 1 / (prior[k].sd * prior[k].sd)
	}
	return product(product(inverse, middle), inverse)
}

func product(a, b [parameters][parameters]float64) (c [parameters][parameters]float64) {
	for i := range parameters {
		for j := range parameters {
			for k := range parameters {
				c[i][j] += a[i][k] * b[k][j]
			}
		}
	}
	return c
}

// invert returns the inverse of a matrix (Gauss–Jordan with pivots).
func invert(a [parameters][parameters]float64) (b [parameters][parameters]float64, ok bool) {
	for i := range parameters {
		b[i][i] = 1
	}
	for column := range parameters {
		pivot := column
		for row := column + 1; row < parameters; row++ {
			if math.Abs(a[row][column]) > math.Abs(a[pivot][column]) {
				pivot = row
			}
		}
		if !(math.Abs(a[pivot][column]) > 1e-300) {
			return b, false
		}
		a[column], a[pivot] = a[pivot], a[column]
		b[column], b[pivot] = b[pivot], b[column]
		scale := 1 / a[column][column]
		for j := range parameters {
			a[column][j] *= scale
			b[column][j] *= scale
		}
		for row := range parameters {
			if row == column {
				continue
			}
			factor := a[row][column]
			for j := range parameters {
				a[row][j] -= factor * a[column][j]
				b[row][j] -= factor * b[column][j]
			}
		}
	}
	return b, true
}

package growth

import (
	"math"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// Span is a time of life, such as that of the larva, from one Gosner stage to another.
type Span struct {
	Reference
	First, End int // Gosner stages at its beginning and at its end; 0 where they do not apply: then no stage that was seen narrows it
}

// SpanOf returns the time of life that a stage of a profile is. Nothing gets faster above the high limit of its water. It reports false
// where the profile has no reference for it.
func SpanOf(needs *care.Care) (Span, bool) {
	if needs.Lasts.For == 0 {
		return Span{}, false
	}
	span := Span{Reference: Reference{For: needs.Lasts.For, At: needs.Lasts.At}}
	if first, last := needs.GosnerRange(); first > 0 {
		span.First, span.End = first, last+1
	}
	if water, ok := needs.Bands[quantity.WaterTemperature]; ok && water.Day.Has(care.High) {
		span.Cap = water.Day.Limits[care.High]
	}
	return span, true
}

// Day is the mean temperature of the water of a day.
type Day struct {
	At      instant.Instant // its beginning
	Celsius float64
}

// Window is when a span ends. Early or Late is [instant.None] where that lies further ahead than [Horizon], as in water in which
// development stands still.
type Window struct {
	Early, Late instant.Instant
}

// Horizon is how far ahead of now a window can reach.
const Horizon = 400 * day

const (
	// fastest and slowest are the spread of batches about the reference: siblings differ by 7 % (Regnet et al., Ranitomeya
	// variabilis) to a factor of 2.6 (Edmonds et al. 2015, Mantella aurantiaca). The values are common practice, no published source.
	fastest, slowest = 0.8, 1.4
	// misjudged is the standard error of a late stage that was seen, relative to the span: a keeper is at times one stage off. Half
	// way it is four times as large in effect, since the landmarks of early stages are the least sure. landmarked is how far the
	// landmarks can be from those of the batch in the middle of the span, where it is most; no number of sights helps against that.
	// All of it is chosen on the tuning seeds of the growth trial.
	misjudged  = 0.036
	landmarked = 0.03
	// reach is how many standard errors of its middle the window reaches to either side.
	reach = 1.5
	// recent is the time whose mean temperature is taken for that of the days to come.
	recent = 7 * day
)

// Forecast returns when a span that began at from will end, or would have ended. Days are in the order of time, and what no day covers
// has the temperature of the day before. Stages that were seen after now are left out.
func Forecast(span Span, from instant.Instant, days []Day, seen []Sight, now instant.Instant) Window {
	end := now.Add(Horizon)
	w := Window{Early: end, Late: from}
	for _, rate := range [...]Rate{span.Linear(), span.Arrhenius()} {
		c := newCurve(&span, from, days, rate)
		f := wide()
		for _, s := range seen {
			if s.At <= now && s.At >= from && span.First > 0 && s.Gosner >= span.First && s.Gosner < span.End {
				f.narrow(c.at(s.At), span.part(s.Gosner))
			}
		}
		low, high := f.bounds()
		w.Early, w.Late = min(w.Early, c.reach(low, end)), max(w.Late, c.reach(high, end))
	}
	if w.Early >= end {
		w.Early = instant.None
	}
	if w.Late >= end {
		w.Late = instant.None
	}
	return w
}

// factor is what is known of how much longer than the reference a batch takes, as a logarithm: its mean, and its weight, which is one
// over the square of its standard error.
type factor struct {
	mean, weight float64
	latest       float64 // the greatest part of the span that was seen to have passed
}

// wide is the factor of a batch of which nothing was seen: its bounds are fastest and slowest.
func wide() factor {
	deviation := math.Log(slowest/fastest) / 2 / reach
	return factor{mean: math.Log(slowest*fastest) / 2, weight: 1 / (deviation * deviation)}
}

// narrow takes in a stage that was seen at a progress by the reference, when part of the span had really passed. A late stage weighs
// more, by the fourth power.
func (f *factor) narrow(progress, part float64) {
	if progress <= 0 || part <= 0 {
		return
	}
	weight := math.Pow(part*part/misjudged, 2)
	f.mean = (f.mean*f.weight + math.Log(progress/part)*weight) / (f.weight + weight)
	f.weight, f.latest = f.weight+weight, max(f.latest, part)
}

// bounds returns the factor at either end of the window.
func (f *factor) bounds() (low, high float64) {
	variance := 1 / f.weight
	if f.latest > 0 { // a landmark is certain at the beginning and at the end of the span
		common := 4 * landmarked * (1 - f.latest)
		variance = min(variance+common*common, 1/wide().weight)
	}
	half := reach * math.Sqrt(variance)
	return math.Exp(f.mean - half), math.Exp(f.mean + half)
}

// Then returns when a span ends that begins within a window: the stage after the next.
func Then(begins Window, span Span, days []Day, now instant.Instant) Window {
	w := Window{instant.None, instant.None}
	if !begins.Early.IsNone() {
		w.Early = Forecast(span, begins.Early, days, nil, now).Early
	}
	if !begins.Late.IsNone() {
		w.Late = Forecast(span, begins.Late, days, nil, now).Late
	}
	return w
}

// curve is the progress of a span: straight between its steps, and at the rate of the last days after them.
type curve struct {
	from  instant.Instant
	steps []step
	rate  float64 // a day, after the last step
}

// step is the progress at a time.
type step struct {
	at  instant.Instant
	sum float64
}

func newCurve(span *Span, from instant.Instant, days []Day, rate Rate) curve {
	c := curve{from: from, rate: rate(span.At)}
	sum, at := 0.0, from
	for i, d := range days {
		until := d.At.Add(day)
		if i+1 < len(days) {
			until = days[i+1].At
		}
		if until <= at {
			continue
		}
		sum, at = sum+rate(d.Celsius)*inDays(until.Sub(at)), until
		c.steps = append(c.steps, step{at, sum})
	}
	if n := len(days); n > 0 {
		kelvins, count := 0.0, 0.0
		for _, d := range days {
			if d.At > days[n-1].At.Add(-recent) {
				kelvins, count = kelvins+d.Celsius, count+1
			}
		}
		c.rate = rate(kelvins / count)
	}
	return c
}

// at returns the progress at a time.
func (c *curve) at(t instant.Instant) float64 {
	before := step{c.from, 0}
	for _, s := range c.steps {
		if t <= s.at {
			return before.sum + (s.sum-before.sum)*float64(t-before.at)/float64(s.at-before.at)
		}
		before = s
	}
	return before.sum + c.rate*inDays(t.Sub(before.at))
}

// reach returns when the progress reaches a value, end where that is later.
func (c *curve) reach(progress float64, end instant.Instant) instant.Instant {
	before := step{c.from, 0}
	for _, s := range c.steps {
		if s.sum >= progress {
			return min(end, before.at.Add(time.Duration((progress-before.sum)/(s.sum-before.sum)*float64(s.at.Sub(before.at)))))
		}
		before = s
	}
	left := (progress - before.sum) / c.rate // infinite where it stands still
	if left >= inDays(end.Sub(before.at)) {
		return end
	}
	return before.at.Add(time.Duration(left * float64(day)))
}

func inDays(d time.Duration) float64 { return d.Hours() / 24 }

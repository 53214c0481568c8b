package report

import (
	"cmp"
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
)

// The plot of a point is drawn in greys, so that it says the same on any printer. Lengths are in units of the drawing, of which the
// width of a page has plotWidth.
const (
	plotWidth  = 720.0
	plotHeight = 117.0
	plotLeft   = 38.0
	plotRight  = 716.0
	stripTop   = 2.0
	stripHigh  = 12.0
	plotTop    = 18.0
	plotBottom = 102.0
	maxYTicks  = 6
	maxXTicks  = 14
)

// plotKey explains the plots.
const plotKey = "Grey bar: the lowest to the highest value of a day; black line: daily means; no bar: unknown. Shaded between thin lines: the band by " +
	"day; dotted: by night, where that differs; dashed: critical limits. Time without a limit is neither in band nor outside. Strip: who lived there. Weeks begin on Monday; a median is that of the " +
	"means of ten minutes; times in hours:minutes."

// plot draws the days of one point.
type plot struct {
	strings.Builder
	w        Words
	q        quantity.Quantity
	from, to instant.Instant
	low, top float64 // ends of the scale, in the unit that is shown
}

// plotOf draws a point over a range that has some length. The text is SVG that needs nothing else.
func (w Words) plotOf(p *Point, from, to instant.Instant) template.HTML {
	d := &plot{w: w, q: p.Point.Quantity, from: from, to: to}
	d.scale(p)
	fmt.Fprintf(d, `<svg class="plot" viewBox="0 0 %g %g" role="img" aria-label="%s by day, %s to %s">`, plotWidth, plotHeight,
		template.HTMLEscapeString(p.Point.String()), w.date(from), w.date(to))
	d.bands(p)
	d.axes()
	d.days(p)
	d.limits(p)
	d.strip(p)
	fmt.Fprintf(d, `<rect class="frame" x="%g" y="%g" width="%g" height="%g"/></svg>`, plotLeft, plotTop, plotRight-plotLeft, plotBottom-plotTop)
	return template.HTML(d.String()) // every text in it is escaped
}

// shown converts a value to the unit that is shown.
func (d *plot) shown(v exposure.Number) float64 {
	return d.q.Keeper(d.w.Temperature).FromCanonical(float64(v))
}

// scale fits the values of the days and all limits.
func (d *plot) scale(p *Point) {
	d.low, d.top = math.Inf(1), math.Inf(-1)
	take := func(v *exposure.Number) {
		if v != nil {
			d.low, d.top = min(d.low, d.shown(*v)), max(d.top, d.shown(*v))
		}
	}
	for i := range p.Days {
		take(p.Days[i].Min)
		take(p.Days[i].Max)
	}
	for i := range p.held {
		for _, of := range []*limits{p.held[i].day, p.held[i].night} {
			if of != nil {
				for _, v := range each(&of.Limits) {
					take(v)
				}
			}
		}
	}
	if d.low > d.top {
		d.low, d.top = 0, 1
	}
	margin := cmp.Or(0.05*(d.top-d.low), 1)
	d.low, d.top = d.low-margin, d.top+margin
}

func (d *plot) x(t instant.Instant) float64 {
	share := float64(t.Sub(d.from)) / float64(d.to.Sub(d.from))
	return plotLeft + min(max(share, 0), 1)*(plotRight-plotLeft)
}

func (d *plot) y(shown float64) float64 {
	return plotBottom - (shown-d.low)/(d.top-d.low)*(plotBottom-plotTop)
}

// bands shades what is within the limits of the day; of the night where there is no day.
func (d *plot) bands(p *Point) {
	for i := range p.held {
		h := &p.held[i]
		of := cmp.Or(h.day, h.night)
		if of == nil || of.Limits == (exposure.Limits{}) {
			continue
		}
		floor, ceiling := plotBottom, plotTop
		for _, v := range []*exposure.Number{of.CriticalLow, of.Low} {
			if v != nil {
				floor = d.y(d.shown(*v))
			}
		}
		for _, v := range []*exposure.Number{of.CriticalHigh, of.High} {
			if v != nil {
				ceiling = d.y(d.shown(*v))
			}
		}
		fmt.Fprintf(d, `<rect class="band" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`, d.x(h.from), ceiling, d.x(h.to)-d.x(h.from), floor-ceiling)
	}
}

// limits draws those of the day, those of the night where they are others, and the critical ones.
func (d *plot) limits(p *Point) {
	for i := range p.held {
		h := &p.held[i]
		line := func(class string, v *exposure.Number) {
			if v != nil {
				fmt.Fprintf(d, `<path class="%s" d="M%.1f %.1fH%.1f"/>`, class, d.x(h.from), d.y(d.shown(*v)), d.x(h.to))
			}
		}
		if inner := h.day; inner != nil {
			line("limit", inner.Low)
			line("limit", inner.High)
		}
		for _, of := range []*limits{h.day, h.night} {
			if of != nil && (of == h.day || h.day == nil || !equal(h.day, h.night)) {
				line("critical", of.CriticalLow)
				line("critical", of.CriticalHigh)
			}
		}
		if h.day != nil && h.night != nil && !equal(h.day, h.night) {
			line("night", h.night.Low)
			line("night", h.night.High)
		}
	}
}

// days draws the bar of each day and the line of their means, which breaks where a day is missing.
func (d *plot) days(p *Point) {
	var line strings.Builder
	end, joined := instant.None, 0
	var last float64
	lone := func() { // a day between unknown ones has a mean, too
		if joined == 1 {
			fmt.Fprintf(&line, "h4")
		}
	}
	for i := range p.Days {
		day := &p.Days[i]
		if day.Min == nil || day.Max == nil {
			continue
		}
		left, right := d.x(day.From), d.x(day.To)
		top, bottom := d.y(d.shown(*day.Max)), d.y(d.shown(*day.Min))
		fmt.Fprintf(d, `<rect class="day" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`, left, top, max(right-left, 0.5), max(bottom-top, 0.8))
		if day.Mean == nil {
			continue
		}
		last = (left + right) / 2
		at := fmt.Sprintf("%.1f %.1f", last, d.y(d.shown(*day.Mean)))
		if day.From == end {
			line.WriteString("L" + at)
			joined++
		} else {
			lone()
			line.WriteString("M" + at)
			joined = 1
		}
		end = day.To
	}
	lone()
	if line.Len() > 0 {
		fmt.Fprintf(d, `<path class="mean" d="%s"/>`, line.String())
	}
}

// axes draws the scale of values at round numbers, and that of time at midnights, Mondays or months.
func (d *plot) axes() {
	step := roundStep((d.top - d.low) / maxYTicks)
	decimals := max(0, int(-math.Floor(math.Log10(step))))
	for v := math.Ceil(d.low/step) * step; v <= d.top; v += step {
		if math.Abs(v) < step/2 {
			v = 0 // not −0, and free of what the sum has gathered
		}
		fmt.Fprintf(d, `<path class="grid" d="M%g %.1fH%g"/><text class="value" x="%g" y="%.1f">%.*f</text>`, plotLeft, d.y(v), plotRight,
			plotLeft-4, d.y(v)+3, decimals, v)
	}
	previous := math.Inf(-1)
	for at, layout := range d.midnights() {
		x := d.x(at)
		fmt.Fprintf(d, `<path class="grid" d="M%.1f %gV%g"/>`, x, plotTop, plotBottom+3)
		if x-previous > 34 && x < plotRight-14 {
			fmt.Fprintf(d, `<text class="date" x="%.1f" y="%g">%s</text>`, x, plotBottom+13, at.Time().In(d.w.Location).Format(layout))
			previous = x
		}
	}
}

// midnights yields the times at which the scale of time is marked, and how they are written.
func (d *plot) midnights() func(yield func(instant.Instant, string) bool) {
	begin := d.from.Time().In(d.w.Location)
	days := d.to.Sub(d.from).Hours() / 24
	next := func(t time.Time) time.Time { return t.AddDate(0, 0, 1) }
	wanted, layout := func(time.Time) bool { return true }, "2 Jan"
	switch {
	case days > 7*maxXTicks:
		wanted, layout = func(t time.Time) bool { return t.Day() == 1 }, "Jan 06"
	case days > maxXTicks:
		wanted = func(t time.Time) bool { return t.Weekday() == time.Monday }
	}
	return func(yield func(instant.Instant, string) bool) {
		year, month, day := begin.Date()
		for t := time.Date(year, month, day, 0, 0, 0, 0, d.w.Location); instant.Of(t) < d.to; t = next(t) {
			if at := instant.Of(t); at >= d.from && wanted(t) && !yield(at, layout) {
				return
			}
		}
	}
}

// roundStep returns the smallest of 1, 2, 5, 10 … and their decimal fractions that is at least v.
func roundStep(v float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if m*power >= v {
			return m * power
		}
	}
	return 10 * power
}

// strip names who lived there, and at which stage.
func (d *plot) strip(p *Point) {
	for i := 0; i < len(p.held); {
		of, end := &p.held[i], i+1
		for end < len(p.held) && p.held[end].cohort == of.cohort && p.held[end].stage == of.stage && p.held[end].from == p.held[end-1].to {
			end++
		}
		left, right := d.x(of.from), d.x(p.held[end-1].to)
		i = end
		if of.cohort == "" {
			continue
		}
		fmt.Fprintf(d, `<rect class="stage" x="%.1f" y="%g" width="%.1f" height="%g"/>`, left, stripTop, right-left, stripHigh)
		name := of.cohort + " " + of.stage
		if width := right - left; width < 5*float64(len(name)) { // a letter is about 5 wide
			name = of.stage
		}
		if right-left >= 5*float64(len(name)) {
			fmt.Fprintf(d, `<text class="name" x="%.1f" y="%g">%s</text>`, (left+right)/2, stripTop+9, template.HTMLEscapeString(name))
		}
	}
}

// daysShown reports whether a point has anything to draw.
func daysShown(p *Point) bool {
	for i := range p.Days {
		if p.Days[i].Seconds[watch.UnknownZone] < time.Duration(p.Days[i].ElapsedS).Milliseconds() {
			return true
		}
	}
	return false
}

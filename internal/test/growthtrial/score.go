package main

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/growth"
	"dewline/internal/core/instant"
)

// span is what the model knows of the larva: the reference holds for the mean batch, its cap is the high limit of the band.
var span = growth.Span{Reference: growth.Reference{For: 60 * 24 * time.Hour, At: 24, Cap: 26}, First: 21, End: 42}

// shown is a window as it was shown at a time, in days since the larvae began.
type shown struct{ early, late float64 }

func (s shown) width() float64             { return s.late - s.early }
func (s shown) has(day float64) bool       { return s.early <= day && day <= s.late }
func (s shown) missed(day float64) float64 { return max(0, s.early-day, day-s.late) }

// row is the score of one cohort.
type row struct {
	seed               uint64
	celsius, end       float64
	start, later, last shown   // after the first day, after 21 days, when Gosner 38 or a later stage was first seen
	when               float64 // that was
	siblings           float64 // the part of them in that last window
	capless, without   shown   // the last window without a cap, and without stages seen
}

func days(i instant.Instant) float64 {
	if i.IsNone() {
		return math.Inf(1)
	}
	return i.Sub(begun).Hours() / 24
}

func windowAt(s growth.Span, c *cohort, day float64, seen []growth.Sight) shown {
	w := growth.Forecast(s, begun, c.days[:int(day)], seen, after(day))
	return shown{days(w.Early), days(w.Late)}
}

// score invents a cohort and asks for its windows.
func score(seed uint64) row {
	c := newCohort(seed)
	r := row{seed: seed, celsius: c.means, end: c.end, when: math.NaN()}
	r.start, r.later = windowAt(span, &c, 1, nil), windowAt(span, &c, 21, c.seen)
	for _, s := range c.seen {
		if s.Gosner >= 38 {
			r.when = days(s.At)
			break
		}
	}
	if math.IsNaN(r.when) { // all but over before the keeper looked again
		return r
	}
	r.last, r.without = windowAt(span, &c, r.when, c.seen), windowAt(span, &c, r.when, nil)
	uncapped := span
	uncapped.Cap = 0
	r.capless = windowAt(uncapped, &c, r.when, c.seen)
	in := 0
	for _, end := range c.ends {
		if r.last.has(end) {
			in++
		}
	}
	r.siblings = float64(in) / float64(len(c.ends))
	return r
}

const header = "seed   °C  true day   day 1: window        day 21: window       Gosner 38 seen: window  width  siblings in"

// line is a row of the table; ! marks a window that the true day is not in, and a width of more than ten days.
func (r *row) line() string {
	cell := func(s shown) string {
		mark := " "
		if !s.has(r.end) {
			mark = "!"
		}
		return fmt.Sprintf("%6.1f to %6.1f %s", s.early, s.late, mark)
	}
	line := fmt.Sprintf("%4d %5.1f %8.1f  %s  %s", r.seed, r.celsius, r.end, cell(r.start), cell(r.later))
	if math.IsNaN(r.when) {
		return line + "     not seen"
	}
	wide := " "
	if r.last.width() > 10 {
		wide = "!"
	}
	return line + fmt.Sprintf("  %5.0f: %s %5.1f %s  %3.0f %%", r.when, cell(r.last), r.last.width(), wide, 100*r.siblings)
}

// summary is what the rows come to.
type summary struct {
	n, seen                              int
	start, later, last, capless, without float64 // the part of the cohorts with the true day in the window
	narrow                               float64 // the part of the last windows of at most ten days
	median, widest, missed, siblings     float64
	startWidth, withoutWidth             float64 // median widths
}

func summarise(rows []row) (s summary) {
	var widths, starts, withouts []float64
	count := func(to *float64, in bool) {
		if in {
			*to++
		}
	}
	for i := range rows {
		r := &rows[i]
		s.n++
		count(&s.start, r.start.has(r.end))
		count(&s.later, r.later.has(r.end))
		starts = append(starts, r.start.width())
		if math.IsNaN(r.when) {
			continue
		}
		s.seen++
		count(&s.last, r.last.has(r.end))
		count(&s.capless, r.capless.has(r.end))
		count(&s.without, r.without.has(r.end))
		count(&s.narrow, r.last.width() <= 10)
		widths, withouts = append(widths, r.last.width()), append(withouts, r.without.width())
		s.missed, s.siblings = max(s.missed, r.last.missed(r.end)), s.siblings+r.siblings
	}
	n, seen := float64(max(s.n, 1)), float64(max(s.seen, 1))
	s.start, s.later = s.start/n, s.later/n
	for _, of := range []*float64{&s.last, &s.capless, &s.without, &s.narrow, &s.siblings} {
		*of /= seen
	}
	s.median, s.startWidth, s.withoutWidth = median(widths), median(starts), median(withouts)
	if len(widths) > 0 {
		s.widest = slices.Max(widths)
	}
	return s
}

func median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	values = slices.Sorted(slices.Values(values))
	return values[len(values)/2]
}

func (s *summary) text() string {
	return fmt.Sprintf(`
cohorts                                              %d
true day in the window of day 1                      %.0f %%, width %.0f d (median)
true day in the window of day 21                     %.0f %%
Gosner 38 or later seen before the end               %d
true day in the window then                          %.0f %% (goal: 80 %%); the worst miss %.1f d
width of that window                                 median %.1f d, widest %.1f d; at most 10 d in %.0f %%
siblings whose own day is in that window             %.0f %%
the same without what was seen                       %.0f %%, width %.0f d (median)
the same without a cap                               %.0f %%
`, s.n, 100*s.start, s.startWidth, 100*s.later, s.seen, 100*s.last, s.missed, s.median, s.widest, 100*s.narrow, 100*s.siblings,
		100*s.without, s.withoutWidth, 100*s.capless)
}

// control shows a published frog that no such model fits: Rana onca needed 264, 67 and 98 d from Gosner 25 to metamorphosis at 20, 25 and
// 30 °C (Goldstein et al. 2017), with its time at 25 °C as the reference.
func control() string {
	onca := growth.Span{Reference: growth.Reference{For: 67 * 24 * time.Hour, At: 25, Cap: 26}, First: 25, End: 42}
	var b strings.Builder
	b.WriteString("\nNegative control, Rana onca, reference 67 d at 25 °C, cap 26 °C:\n  °C  published   window of day 1\n")
	for _, c := range []struct{ celsius, days float64 }{{20, 264}, {25, 67}, {30, 98}} {
		w := growth.Forecast(onca, begun, []growth.Day{{At: begun, Celsius: c.celsius}}, nil, after(1))
		got := shown{days(w.Early), days(w.Late)}
		mark := ""
		if !got.has(c.days) {
			mark = fmt.Sprintf("   ! missed by %.0f d", got.missed(c.days))
		}
		fmt.Fprintf(&b, "  %.0f %8.0f d   %5.1f to %5.1f%s\n", c.celsius, c.days, got.early, got.late, mark)
	}
	return b.String()
}

package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"dewline/internal/core/calibration"
	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
	"dewline/internal/format/exposure"
)

// limitSection lists the limits that held, each with the number of its source.
func (w Words) limitSection(e *Exposure) Section {
	var sources []string
	number := func(source string) int {
		i := slices.Index(sources, source)
		if i < 0 {
			i, sources = len(sources), append(sources, source)
		}
		return i + 1
	}
	t := Table{Head: []string{"", "whose", "when", "from", "to", "critical low", "low", "high", "critical high", "sources"}}
	for i := range e.Points {
		p := &e.Points[i]
		for k := range p.InForce {
			f := &p.InForce[k]
			var whose []string
			for _, owner := range f.owners {
				if owner != "" && !slices.Contains(whose, owner) {
					whose = append(whose, owner)
				}
			}
			line := []string{e.where(p.Point), strings.Join(whose, ", "), f.When, w.date(f.From), w.date(f.To)}
			var used []int
			for l, v := range each(&f.Limits) {
				line = append(line, w.value(p.Point.Quantity, v))
				if source := f.Sources[care.Limit(l).String()]; source != "" {
					used = append(used, number(source))
				}
			}
			slices.Sort(used)
			t.Rows = append(t.Rows, append(line, numbers(slices.Compact(used))))
		}
	}
	section := sectionOf("Limits in force, and where they come from", t)
	for i, source := range sources {
		section.After = append(section.After, fmt.Sprintf("[%d] %s", i+1, source))
	}
	return section
}

func numbers(list []int) string {
	var text []string
	for _, n := range list {
		text = append(text, fmt.Sprintf("[%d]", n))
	}
	return strings.Join(text, " ")
}

// sensorSection lists what has measured, how well, and when that was last compared with a reference.
func (w Words) sensorSection(e *Exposure) Section {
	t := Table{Head: []string{"", "sensor", "driver", "uncertainty (k = 2)", "calibrated", "correction", "state"}}
	for i := range e.Sensors {
		s := &e.Sensors[i]
		q := s.Point.Quantity
		uncertainty, date, correction, state := "not known", "–", "–", "not compared with a reference"
		if s.Uncertainty != nil {
			uncertainty = "±" + w.difference(q).Print(float64(*s.Uncertainty), q.Decimals()+1)
		}
		if s.Method != "none" {
			date, state = "without a date", s.Method
			if s.Origin == calibration.Configuration {
				state += ", of the configuration"
			}
		}
		if !s.Calibrated.IsNone() {
			date = w.date(s.Calibrated)
		}
		if s.Due {
			state += ", due again"
		}
		if s.Correction != nil {
			correction = w.signed(q, *s.Correction)
		}
		if s.Drift != nil {
			state += fmt.Sprintf(", reads %s against the one before", w.signed(q, *s.Drift))
		}
		t.Rows = append(t.Rows, []string{e.where(s.Point), s.Sensor, s.Driver, uncertainty, date, correction, state})
	}
	section := sectionOf("Sensors and their calibration", t)
	for i := range e.Replaced {
		section.After = append(section.After, fmt.Sprintf("%s: %s. The history of the point goes on.", w.date(e.Replaced[i].At), e.Replaced[i].Text))
	}
	return section
}

// signed prints a difference of two values of q with its sign.
func (w Words) signed(q quantity.Quantity, v exposure.Number) string {
	text := w.difference(q).Print(math.Abs(float64(v)), q.Decimals()+1)
	if v < 0 {
		return "−" + text
	}
	return "+" + text
}

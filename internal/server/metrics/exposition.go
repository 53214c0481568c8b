package metrics

import (
	"bytes"
	"cmp"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"
)

// family describes one metric family. Its unit is the end of its name (OpenMetrics 1.0, "Unit"); "" for none.
type family struct {
	name, unit, help string
	counter          bool
	labels           []label // by name, as a scraper is shown them
}

// label is a label of a family, and which of the values that a sample is sent with is its own.
type label struct {
	name  string
	value int
}

func gauge(name, unit, help string, labels ...string) *family {
	f := &family{name: name, unit: unit, help: help}
	for i, name := range labels {
		f.labels = append(f.labels, label{name, i})
	}
	slices.SortStableFunc(f.labels, func(a, b label) int { return strings.Compare(a.name, b.name) })
	return f
}

func counter(name, unit, help string, labels ...string) *family {
	f := gauge(name, unit, help, labels...)
	f.counter = true
	return f
}

// sample is one value, with its labels as they are written.
type sample struct {
	of     *family
	labels string
	value  float64
}

// exposition is what one scrape is answered with.
type exposition []sample

var escaped = strings.NewReplacer(`\`, `\\`, "\n", `\n`, `"`, `\"`)

// send adds a sample. The values are in the order in which the family was given its labels.
func (e *exposition) send(of *family, value float64, values ...string) {
	var labels strings.Builder
	for i, l := range of.labels {
		labels.WriteByte("{,"[min(i, 1)])
		labels.WriteString(l.name + `="`)
		_, _ = escaped.WriteString(&labels, values[l.value]) // into memory
		labels.WriteByte('"')
	}
	if len(of.labels) > 0 {
		labels.WriteByte('}')
	}
	*e = append(*e, sample{of, labels.String(), value})
}

// text writes the samples by family and labels, in the format of OpenMetrics 1.0 or in the older one of Prometheus (0.0.4). Of two samples
// with the same name and labels only the first is there: a scraper would refuse the whole answer.
func (e exposition) text(open bool) []byte {
	slices.SortStableFunc(e, func(a, b sample) int {
		return cmp.Or(strings.Compare(a.of.name, b.of.name), strings.Compare(a.labels, b.labels))
	})
	e = slices.CompactFunc(e, func(a, b sample) bool { return a.of == b.of && a.labels == b.labels })
	var b bytes.Buffer
	var last *family
	for _, s := range e {
		if s.of != last {
			s.of.head(&b, open)
			last = s.of
		}
		b.WriteString(s.of.name + s.labels + " " + number(s.value, open) + "\n")
	}
	if open {
		b.WriteString("# EOF\n")
	}
	return b.Bytes()
}

// head writes what a family is. In OpenMetrics a counter's family is named without the end _total of its samples.
func (f *family) head(b *bytes.Buffer, open bool) {
	name, kind := f.name, "gauge"
	if f.counter {
		kind = "counter"
		if open {
			name = strings.TrimSuffix(name, "_total")
		}
	}
	b.WriteString("# HELP " + name + " " + f.help + "\n# TYPE " + name + " " + kind + "\n")
	if open && f.unit != "" {
		b.WriteString("# UNIT " + name + " " + f.unit + "\n")
	}
}

// number writes a value. In OpenMetrics a point or an exponent is in every finite one.
func number(value float64, open bool) string {
	text := strconv.FormatFloat(value, 'g', -1, 64)
	if open && !strings.ContainsAny(text, ".eIN") { // Inf, NaN
		text += ".0"
	}
	return text
}

// serve answers a scrape.
func (e exposition) serve(w http.ResponseWriter, r *http.Request) {
	open := takesOpenMetrics(r)
	kind := "text/plain; version=0.0.4; charset=utf-8"
	if open {
		kind = "application/openmetrics-text; version=1.0.0; charset=utf-8"
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Add("Vary", "Accept")
	_, _ = w.Write(e.text(open)) // a scraper that has gone is no news
}

// takesOpenMetrics reports whether a scraper takes version 1.0.0 of OpenMetrics. Which of several formats it likes best does not matter,
// since all say the same.
func takesOpenMetrics(r *http.Request) bool {
	for _, header := range r.Header.Values("Accept") {
		for kind := range strings.SplitSeq(header, ",") {
			name, parameters, err := mime.ParseMediaType(kind)
			if err != nil || name != "application/openmetrics-text" {
				continue
			}
			if weight, err := strconv.ParseFloat(cmp.Or(parameters["q"], "1"), 64); err != nil || weight == 0 {
				continue
			}
			if version := parameters["version"]; version == "" || version == "1.0.0" {
				return true
			}
		}
	}
	return false
}

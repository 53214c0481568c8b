package config

import (
	"slices"
	"strings"

	"dewline/internal/core/quantity"
)

// A panel has at most so many charts, and a chart so many points: more lines cannot be told apart on a phone. The page has the same limits.
const (
	maxCharts   = 8
	maxTogether = 4
)

var panelSpans = []string{"1d", "1w", "1m", "1y"}

func (l *loader) panel(n *node, path string, site *Site) Panel {
	f := l.fields(n, path, "title", "span", "charts")
	panel := Panel{Title: l.text(f["title"], join(path, "title")), Span: l.word(f["span"], join(path, "span"), "span", panelSpans...)}
	if panel.Span == "" {
		panel.Span = panelSpans[0]
	}
	if f == nil {
		return panel
	}
	for _, missing := range []string{"title", "charts"} {
		if f[missing] == nil {
			l.errorf(path, "this panel has no %s: {title: Tub by the window, charts: [tub-1/water-temperature]}", missing)
		}
	}
	charts := join(path, "charts")
	listed := f["charts"]
	if listed != nil && listed.kind == scalar { // one word is a list of one
		listed = &node{kind: list, at: listed.at, items: []*node{listed}}
	}
	for i, item := range l.items(listed, charts) {
		at := index(charts, i)
		if item.kind == list {
			if chart := l.together(item, at); len(chart) > 0 {
				panel.draw(at, chart)
			}
			continue
		}
		text := l.text(item, at)
		if text == "" || strings.Contains(text, "/") {
			if point, ok := l.panelPoint(text, at); ok {
				panel.draw(at, []quantity.Point{point})
			}
			continue
		}
		q, err := quantityByName(text)
		if err != nil {
			l.errorf(at, "%s (a point is written place/quantity)", err)
			continue
		}
		panel.draw(at, l.everywhere(site, q, at)...)
	}
	return panel
}

func (p *Panel) draw(written string, charts ...[]quantity.Point) {
	for _, chart := range charts {
		p.Charts, p.written = append(p.Charts, chart), append(p.written, written)
	}
}

// together reads the points of one chart.
func (l *loader) together(n *node, path string) (chart []quantity.Point) {
	for i, item := range l.items(n, path) {
		at := index(path, i)
		if point, ok := l.panelPoint(l.text(item, at), at); ok {
			chart = append(chart, point)
		}
	}
	if len(n.items) == 0 {
		l.errorf(path, "this chart is empty: [tub-1/water-temperature, loft/air-temperature]")
	}
	return chart
}

func (l *loader) panelPoint(text, path string) (quantity.Point, bool) {
	place, q, _ := strings.Cut(text, "/")
	point := quantity.Point{Place: place}
	var err error
	if text == "" {
		l.errorf(path, "an entry of this list is empty")
		return point, false
	}
	if point.Quantity, err = quantityByName(q); err != nil {
		l.errorf(path, "%s (a point is written place/quantity)", err)
		return point, false
	}
	return point, true
}

// everywhere returns a chart for each place that has a quantity, in the order of the places.
func (l *loader) everywhere(site *Site, q quantity.Quantity, path string) (charts [][]quantity.Point) {
	if len(site.Sensors) == 0 || site.unsure.sensors || site.unsure.places {
		return nil
	}
	fed := site.fedPoints()
	for i := range site.Places {
		if place := &site.Places[i]; len(missing(fed, place, q)) == 0 {
			charts = append(charts, []quantity.Point{{Place: place.ID, Quantity: q}})
		}
	}
	if charts == nil {
		l.errorf(path, "no place has %s: no sensor feeds it", q)
	}
	return charts
}

// panels checks that every panel draws what is measured, and no more than can be read.
func (v *validator) panels() {
	ids, fed := v.placeIDs(), v.fedPoints()
	titles := map[string]int{}
	for i := range v.Panels {
		panel, path := &v.Panels[i], index("panels", i)
		if before, twice := titles[panel.Title]; twice && panel.Title != "" {
			v.errorf(join(path, "title"), "there is a panel %s already%s: titles are given once", quoted(panel.Title), v.line(index("panels", before)))
		} else {
			titles[panel.Title] = i
		}
		for k, chart := range panel.Charts {
			at := join(path, "charts")
			if k < len(panel.written) {
				at = panel.written[k]
			}
			if len(chart) > maxTogether {
				v.errorf(at, "%d lines in one chart cannot be told apart: %d at most", len(chart), maxTogether)
			}
			for n, point := range chart {
				if slices.Contains(chart[:n], point) {
					v.errorf(at, "%s is in this chart already", point)
				}
				if a, b := chart[0].Quantity.Keeper(v.Display.Temperature), point.Quantity.Keeper(v.Display.Temperature); a != b {
					v.errorf(at, "%s and %s have different units, and one chart has one: draw them one below the other", chart[0], point)
				}
				v.drawn(point, at, ids, fed)
			}
		}
		if len(panel.Charts) > maxCharts {
			v.errorf(join(path, "charts"), "this panel has %d charts, and a page takes %d: make two panels of it", len(panel.Charts), maxCharts)
		}
	}
}

// drawn reports a point that no place or no sensor has.
func (v *validator) drawn(point quantity.Point, at string, ids []string, fed map[quantity.Point]bool) {
	place := v.place(point.Place)
	switch {
	case place == nil && !v.unsure.places:
		v.errorf(at, "%s", UnknownWord("place", point.Place, ids))
	case place == nil || len(v.Sensors) == 0 || v.unsure.sensors:
	default:
		lacking := missing(fed, place, point.Quantity)
		if len(lacking) == 0 {
			return
		}
		report := v.errorf
		if v.fedByFile {
			report = v.warnf
		}
		report(at, "there will be nothing to draw of %s: no sensor feeds %s", point, pointList(place.ID, lacking))
	}
}

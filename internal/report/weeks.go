package report

import (
	"context"
	"slices"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/format/exposure"
	"dewline/internal/replay"
	"dewline/internal/store"
)

// Week is a local week from Monday on, or as much of it as lies in the range.
type Week struct {
	Week   string           `json:"week"` // the date of its Monday
	Median *exposure.Number `json:"median"`
	Row
}

// medianStep is the time whose mean is one value of a median.
const medianStep = 10 * time.Minute

// weeks sums a point up by local week, and finds the median of each and of the whole.
func (s *subject) weeks(ctx context.Context, h History, p *replay.PointReport) (weeks []Week, whole *exposure.Number, err error) {
	weeks = []Week{}
	var sums []*sum
	for i := range p.Parts {
		l := &p.Parts[i]
		monday := mondayOf(l.From, s.location)
		if n := len(weeks); n == 0 || weeks[n-1].Week != monday {
			weeks, sums = append(weeks, Week{Week: monday}), append(sums, &sum{})
		}
		sums[len(sums)-1].add(l)
	}
	var all []float64
	for i, of := range sums {
		weeks[i].Row = of.row(p.Point.Quantity, p.Excursions, s.To)
		var values []float64
		for _, part := range of.spans {
			if values, err = meansOf(ctx, h, p.Point, part, values); err != nil {
				return nil, nil, err
			}
		}
		all = append(all, values...)
		weeks[i].Median = medianOf(values)
	}
	return weeks, medianOf(all), nil
}

// mondayOf returns the date of the Monday with which the local week of t began.
func mondayOf(t instant.Instant, location *time.Location) string {
	local := t.Time().In(location)
	return local.AddDate(0, 0, -(int(local.Weekday())+6)%7).Format(time.DateOnly)
}

// meansOf appends the means of the observed steps of a span.
func meansOf(ctx context.Context, h History, p quantity.Point, of span, values []float64) ([]float64, error) {
	if of.to <= of.from {
		return values, nil
	}
	n := min(max(1, int(of.to.Sub(of.from)/medianStep)), store.MaxColumns)
	columns, err := h.Columns(ctx, p, of.from, of.to, n)
	for i := range columns {
		if columns[i].Count > 0 {
			values = append(values, columns[i].Mean)
		}
	}
	return values, err
}

// medianOf returns the median; nil where there is no value.
func medianOf(values []float64) *exposure.Number {
	if len(values) == 0 {
		return nil
	}
	sorted := slices.Sorted(slices.Values(values))
	middle := len(sorted) / 2
	if len(sorted)%2 == 1 {
		return exposure.NumberOf(sorted[middle])
	}
	return exposure.NumberOf((sorted[middle-1] + sorted[middle]) / 2)
}

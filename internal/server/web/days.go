package web

import (
	"context"
	"net/http"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/server/status"
	"dewline/internal/store"
)

// Days are the days of a place by the site's clocks, each with its worst zone.
type Days struct {
	Place string `json:"place"`
	Title string `json:"title"` // the id where it has none
	Days  []Day  `json:"days"`
}

// Day is one day of a place. It is judged by the hour: the lowest and the highest reading of each hour against the band of that time.
type Day struct {
	Day  string          `json:"day"` // by the site's clocks, such as 2026-07-14
	From instant.Instant `json:"from"`
	To   instant.Instant `json:"to"`
	Zone string          `json:"zone"` // the worst of all points of the place; unknown where nothing was recorded
	// Point and Value say which point was in that zone, and its reading that was furthest out; absent in other zones than those outside.
	Point *quantity.Point `json:"point,omitempty"`
	Value *number         `json:"value,omitempty"`
	// Seen is the share of the day's hours in which something was recorded, of the point of which least was seen.
	Seen number `json:"seen"`
}

// maxDays bounds the work of one request: a year, and the days that make it whole weeks.
const maxDays = 380

// zoneRank orders zones by how bad they are.
var zoneRank = []watch.Zone{watch.UnknownZone, watch.NoBand, watch.InBand, watch.LowZone, watch.HighZone, watch.CriticalLowZone, watch.CriticalHighZone}

func worse(a, b watch.Zone) bool { return slices.Index(zoneRank, a) > slices.Index(zoneRank, b) }

func (s *site) serveDays(w http.ResponseWriter, r *http.Request) {
	p := s.Current.Get()
	q := query{values: r.URL.Query()}
	from, to := q.span(p)
	place := q.values.Get("place")
	points := pointsAt(p, place)
	if len(points) == 0 {
		q.refuse("name a place of the site that is measured, such as place=tub-1")
	}
	if q.problem == "" && to.Sub(from) > maxDays*24*time.Hour {
		q.refuse("ask for at most 380 days at once")
	}
	if q.problem != "" {
		fail(w, r, http.StatusBadRequest, badRequest, q.problem)
		return
	}
	select { // as for an exposure: the board has few cores, and alarming goes first
	case s.folds <- struct{}{}:
		defer func() { <-s.folds }()
	case <-r.Context().Done():
		return
	}
	days := Days{Place: place, Title: s.titleOf(place), Days: emptyDays(from, to, p.Zone())}
	for _, point := range s.judged(points, from, to) {
		if err := s.judgeDays(r.Context(), &point, from, to, days.Days, p.Zone()); err != nil {
			s.answerHistoryError(w, r, err)
			return
		}
	}
	answer(w, r, http.StatusOK, days)
}

// bandedPoint is a point with its bands over a range.
type bandedPoint struct {
	quantity.Point
	spans []BandSpan
}

// judged returns the points that have a band somewhere in the range; where none has, the first, so that days on which something was
// recorded are known from others.
func (s *site) judged(points []quantity.Point, from, to instant.Instant) (judged []bandedPoint) {
	var first bandedPoint
	for i, point := range points {
		spans := bandsOver(s.Site(), point, from, to)
		if i == 0 {
			first = bandedPoint{point, spans}
		}
		if slices.ContainsFunc(spans, func(b BandSpan) bool { return !b.Band.Empty() }) {
			judged = append(judged, bandedPoint{point, spans})
		}
	}
	if len(judged) == 0 {
		judged = append(judged, first)
	}
	return judged
}

func pointsAt(p *status.Snapshot, place string) (points []quantity.Point) {
	for i := range p.Points {
		if p.Points[i].Point.Place == place {
			points = append(points, p.Points[i].Point)
		}
	}
	return points
}

// emptyDays are the days of a range of which nothing is known yet. The first and the last one are as long as they are in the range.
func emptyDays(from, to instant.Instant, location *time.Location) []Day {
	days := []Day{}
	for _, s := range dayStretches(from, to, location) {
		for i := range s.n {
			begin, end := s.bounds(i)
			days = append(days, Day{Day: begin.Time().In(location).Format(time.DateOnly), From: begin, To: end, Zone: watch.UnknownZone.String(), Seen: 1})
		}
	}
	return days
}

// judgeDays takes a point into the days of its place.
func (s *site) judgeDays(ctx context.Context, point *bandedPoint, from, to instant.Instant, days []Day, location *time.Location) error {
	at, spans := 0, point.spans
	for _, part := range dayStretches(from, to, location) {
		hours := max(1, int(part.to.Sub(part.from)/time.Duration(part.n)/time.Hour))
		columns, err := s.History.Columns(ctx, point.Point, part.from, part.to, part.n*hours)
		if err != nil {
			return err
		}
		fine := stretch{part.from, part.to, part.n * hours}
		for i := range part.n {
			day, seen := &days[at], 0
			for k := i * hours; k < (i+1)*hours; k++ {
				if columns[k].Count == 0 {
					continue
				}
				seen++
				c := columns[k]
				c.From, c.To = fine.bounds(k)
				for len(spans) > 1 && spans[0].To <= c.From {
					spans = spans[1:]
				}
				day.take(point.Point, &c, spans)
			}
			day.Seen = min(day.Seen, number(float64(seen)/float64(hours)))
			at++
		}
	}
	return nil
}

// take judges an hour. Where the band changes within it, the mildest judgement counts: the switch is not an excursion.
func (d *Day) take(point quantity.Point, c *store.Column, spans []BandSpan) {
	zone, value := watch.UnknownZone, 0.0
	for i := 0; i < len(spans) && spans[i].From < c.To; i++ {
		here, furthest := extremeZone(&spans[i].Band, c)
		if zone == watch.UnknownZone || worse(zone, here) {
			zone, value = here, furthest
		}
	}
	if zone == watch.UnknownZone || d.Zone != watch.UnknownZone.String() && !worse(zone, d.worst()) && !d.further(point, zone, value) {
		return
	}
	d.Zone, d.Point, d.Value = zone.String(), nil, nil
	if zone.Outside() {
		d.Point, d.Value = &point, known(value)
	}
}

func (d *Day) worst() watch.Zone {
	for _, z := range watch.Zones() {
		if z.String() == d.Zone {
			return z
		}
	}
	return watch.UnknownZone
}

// further reports whether a value of the same point is further out in the same zone.
func (d *Day) further(point quantity.Point, zone watch.Zone, value float64) bool {
	if d.Point == nil || *d.Point != point || zone.String() != d.Zone {
		return false
	}
	above := zone == watch.HighZone || zone == watch.CriticalHighZone
	return above && value > float64(*d.Value) || !above && value < float64(*d.Value)
}

// extremeZone returns the worse zone of the two extremes of a column, and the reading that is in it.
func extremeZone(band *care.Band, c *store.Column) (watch.Zone, float64) {
	low, high := watch.ZoneIn(band, c.Min), watch.ZoneIn(band, c.Max)
	if worse(low, high) {
		return low, c.Min
	}
	return high, c.Max
}

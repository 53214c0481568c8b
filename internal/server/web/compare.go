package web

import (
	"context"
	"math"
	"net/http"
	"time"

	"dewline/internal/core/acclimate"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/server/control"
)

// PairsOf reads from a history, minute by minute, what a comparison of two points looks back on; nil without a history. A minute without
// a reading has the value of the one before as long as the gap of the point lasts.
func PairsOf(h History, site func() *watch.Site) control.Comparer {
	if h == nil {
		return nil
	}
	return func(ctx context.Context, a, b quantity.Point, now instant.Instant) ([]acclimate.Pair, error) {
		from := now.Add(-time.Duration(control.CompareMinutes) * time.Minute)
		pairs := make([]acclimate.Pair, control.CompareMinutes)
		for k, point := range [2]quantity.Point{a, b} {
			columns, err := h.Columns(ctx, point, from, now, len(pairs))
			if err != nil {
				return nil, err
			}
			mean, since, gap := math.NaN(), 0, gapOf(site, point)
			for i := range pairs {
				if since++; i < len(columns) && columns[i].Count > 0 {
					mean, since = columns[i].Mean, 0
				} else if time.Duration(since)*time.Minute > gap {
					mean = math.NaN()
				}
				pairs[i].At = from.Add(time.Duration(i) * time.Minute)
				if k == 0 {
					pairs[i].A = mean
				} else {
					pairs[i].B = mean
				}
			}
		}
		return pairs, nil
	}
}

// gapOf is how long a point may be without a reading and still be known, at least the minute in which the next one can come.
func gapOf(site func() *watch.Site, point quantity.Point) time.Duration {
	gap := time.Minute
	for _, p := range site().Points {
		if p.Point == point {
			gap = max(gap, p.Gap)
		}
	}
	return gap
}

func (s *site) serveCompare(w http.ResponseWriter, r *http.Request) {
	comparison, err := control.CompareRequestOf(r.URL.Query()).Compare(r.Context(), s.Current.Get(), PairsOf(s.History, s.Site))
	if err != nil {
		fail(w, r, http.StatusBadRequest, badRequest, err.Error())
		return
	}
	answer(w, r, http.StatusOK, comparison)
}

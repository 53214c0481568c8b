package web

import (
	"context"
	"iter"
	"math"
	"net/http"
	"slices"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
	"dewline/internal/merge"
	"dewline/internal/store"
)

var nan = math.NaN()

// ExposureTable is the exposure of some points over exactly one range.
type ExposureTable struct {
	From   instant.Instant `json:"from"`
	To     instant.Instant `json:"to"`
	Points []PointExposure `json:"points"`
}

// PointExposure is one row of it.
type PointExposure struct {
	Point    quantity.Point    `json:"point"`
	Unit     string            `json:"unit"`
	HasBand  bool              `json:"has_band"` // it had a limit at some time in the range
	Exposure exposure.Exposure `json:"exposure"`
}

func (s *site) serveExposure(w http.ResponseWriter, r *http.Request) {
	p := s.Current.Get()
	q := query{values: r.URL.Query()}
	points := q.points(p)
	from, to := q.span(p)
	if q.problem != "" {
		fail(w, r, http.StatusBadRequest, badRequest, q.problem)
		return
	}
	select {
	case s.folds <- struct{}{}:
		defer func() { <-s.folds }()
	case <-r.Context().Done():
		return
	}
	table := ExposureTable{From: from, To: to, Points: []PointExposure{}}
	for _, point := range points {
		ledger, err := s.expose(r.Context(), point, from, to)
		if err != nil {
			s.answerHistoryError(w, r, err)
			return
		}
		has := slices.ContainsFunc(bandsOver(s.Site(), point, from, to), func(b BandSpan) bool { return !b.Band.Empty() })
		table.Points = append(table.Points, PointExposure{point, point.Quantity.Unit().Symbol(), has, exposure.Of(point.Quantity, &ledger)})
	}
	answer(w, r, http.StatusOK, table)
}

// expose adds up the exposure of a point by running the readings of the range through a core of its own: the same arithmetic
// as live, to the millisecond, over any range.
func (s *site) expose(ctx context.Context, point quantity.Point, from, to instant.Instant) (watch.Ledger, error) {
	sum := watch.Ledger{From: from, To: from}
	site, inputs := siteFor(s.Site(), point)
	core := watch.New(site, "exposure")
	index, ok := core.Index(point)
	if !ok { // nothing that is measured leads to it: all of it is unknown
		sum.To = to
		sum.InZone[watch.UnknownZone] = to.Sub(from)
		return sum, nil
	}
	f := fold{core: core, index: index, from: from, to: to, sum: &sum}
	gap := s.gapOf(point)
	begin := from.Add(-gap)
	f.step(watch.Event{Kind: watch.StartEvent, At: begin})
	f.step(watch.Event{Kind: watch.CutEvent, At: from})
	f.step(watch.Event{Kind: watch.CutEvent, At: to})
	last := begin
	n := 0
	for r, err := range merged(ctx, s.History, inputs, begin, to.Add(gap)) {
		if err != nil {
			return sum, err
		}
		if n++; n%8192 == 0 && ctx.Err() != nil {
			return sum, ctx.Err()
		}
		at, ok := core.Index(r.Point)
		if !ok {
			continue
		}
		last = max(last, r.At)
		f.step(watch.Event{Kind: watch.ReadingEvent, Point: at, At: r.At, Value: r.Value, Flag: r.Flag})
	}
	f.effects = core.Finish(max(last, to), f.effects[:0])
	f.take()
	sum.Longest = f.longest
	return sum, nil
}

// fold sums up the ledgers of one point.
type fold struct {
	core     *watch.Core
	index    int32
	from, to instant.Instant
	sum      *watch.Ledger
	longest  time.Duration
	effects  []watch.Effect
}

func (f *fold) step(ev watch.Event) {
	f.effects = f.core.Step(ev, f.effects[:0])
	if len(f.effects) > 0 {
		f.take()
	}
}

func (f *fold) take() {
	for _, e := range f.effects {
		switch {
		case e.Point != f.index:
		case e.Kind == watch.LedgerClosed && e.Ledger.From >= f.from && e.Ledger.To <= f.to:
			f.sum.Add(e.Ledger)
		case e.Kind == watch.ExcursionEnded: // ledgers end at midnight, a stay does not
			f.longest = max(f.longest, min(e.Excursion.To, f.to).Sub(max(e.Excursion.From, f.from)))
		}
	}
}

// siteFor narrows a site to one point and what it is derived from.
func siteFor(site *watch.Site, point quantity.Point) (watch.Site, []quantity.Point) {
	narrow := *site
	narrow.Points, narrow.Sensors = nil, nil
	var inputs []quantity.Point
	for _, p := range site.Points {
		if p.Point == point || point.Quantity.Derived() && feedsInto(site, p.Point, point) {
			p.StaleAfter = 0
			narrow.Points = append(narrow.Points, p)
			inputs = append(inputs, p.Point)
		}
	}
	if len(inputs) == 0 && !point.Quantity.Derived() { // a point that only the readings know
		narrow.Points = append(narrow.Points, watch.Point{Point: point})
		inputs = append(inputs, point)
	}
	return narrow, inputs
}

// merged yields the readings of several points in order of time.
func merged(ctx context.Context, h History, points []quantity.Point, from, to instant.Instant) iter.Seq2[store.PointSample, error] {
	return func(yield func(store.PointSample, error) bool) {
		var sources []merge.Source[store.PointSample]
		for _, p := range points {
			next, stop := iter.Pull2(h.Readings(ctx, p, from, to))
			defer stop()
			sources = append(sources, func() (store.PointSample, bool, error) {
				r, err, more := next()
				return store.PointSample{Point: p, Sample: r}, more, err
			})
		}
		merge.Sorted(sources, func(r *store.PointSample) instant.Instant { return r.At })(yield)
	}
}

// maxExport bounds a download of single readings.
const maxExport = 2 * 366 * 24 * time.Hour

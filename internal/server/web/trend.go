package web

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
	"dewline/internal/store"
)

// Trend is the past of some points over a range.
type Trend struct {
	From    instant.Instant `json:"from"`
	To      instant.Instant `json:"to"`
	ColumnS number          `json:"column_s"` // width of a column
	Points  []PointTrend    `json:"points"`
}

// PointTrend is the past of one point. T, Mean, Min and Max are of equal length and ordered by time. A null between two values
// is a gap: nothing is known of the time around it, and no line may be drawn through it. Stretches without a null are to be joined
// by a line, however far apart their columns are.
type PointTrend struct {
	Point quantity.Point   `json:"point"`
	Unit  string           `json:"unit"`
	GapS  exposure.Seconds `json:"gap_s"`
	T     []seconds        `json:"t"` // of the middle of the column, or of the reading; seconds since 1970
	Mean  []number         `json:"mean"`
	Min   []number         `json:"min"`
	Max   []number         `json:"max"`
	// Lowest and Highest are the extremes of the range with their own times, not those of their columns; null where nothing is known.
	Lowest  *Extreme   `json:"lowest"`
	Highest *Extreme   `json:"highest"`
	Bands   []BandJSON `json:"bands"`
}

// Extreme is a reading than which none is lower, or none is higher: the first of them.
type Extreme struct {
	At    instant.Instant `json:"at"`
	Value number          `json:"value"`
}

// BandJSON is a band as it was.
type BandJSON struct {
	From   instant.Instant  `json:"from"`
	To     instant.Instant  `json:"to"`
	Limits *exposure.Limits `json:"limits"` // null where there was none
	Cohort string           `json:"cohort,omitempty"`
	Stage  string           `json:"stage,omitempty"`
}

// seconds prints an instant as seconds since 1970 with milliseconds.
type seconds instant.Instant

// MarshalJSON writes the seconds.
func (s seconds) MarshalJSON() ([]byte, error) {
	milli := (int64(s) + 500_000) / 1_000_000
	if milli%1000 == 0 {
		return fmt.Appendf(nil, "%d", milli/1000), nil
	}
	return fmt.Appendf(nil, "%.3f", float64(milli)/1000), nil
}

const (
	usualColumns = 600
	maxColumns   = 3000
	defaultGap   = 60 * time.Second
)

func (s *site) serveTrend(w http.ResponseWriter, r *http.Request) {
	p := s.Current.Get()
	q := query{values: r.URL.Query()}
	points := q.points(p)
	from, to := q.span(p)
	n, days := usualColumns, q.values.Get("columns") == localDays
	if !days {
		n = q.integer("columns", usualColumns, 2, maxColumns)
	}
	if q.problem != "" {
		fail(w, r, http.StatusBadRequest, badRequest, q.problem)
		return
	}
	cut := []stretch{{from, to, n}}
	if days {
		cut = dayStretches(from, to, p.Zone())
	}
	trend := Trend{From: from, To: to, ColumnS: number(widest(cut).Seconds()), Points: []PointTrend{}}
	for _, point := range points {
		one, err := s.trendOf(r.Context(), point, from, to, cut)
		if err != nil {
			s.answerHistoryError(w, r, err)
			return
		}
		trend.Points = append(trend.Points, one)
	}
	answer(w, r, http.StatusOK, trend)
}

func (s *site) answerHistoryError(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() != nil {
		return // the request has been cancelled
	}
	s.silence.log(s.Log, slog.LevelError, "asking the history", "path", r.URL.Path, "err", err)
	fail(w, r, http.StatusServiceUnavailable, unavailable, "the history did not answer: "+err.Error())
}

func (s *site) trendOf(ctx context.Context, point quantity.Point, from, to instant.Instant, cut []stretch) (PointTrend, error) {
	gap := s.gapOf(point)
	t := PointTrend{
		Point: point, Unit: point.Quantity.Unit().Symbol(), GapS: exposure.Seconds(gap),
		T: []seconds{}, Mean: []number{}, Min: []number{}, Max: []number{}, Bands: []BandJSON{},
	}
	spans := bandsOver(s.Site(), point, from, to)
	for i := range spans {
		b := &spans[i]
		t.Bands = append(t.Bands, BandJSON{b.From, b.To, limitsOf(&b.Band), b.Cohort, b.Stage.String()})
	}
	if widest(cut) >= gap {
		return t, t.fromColumns(ctx, s.History, cut)
	}
	return t, t.fromReadings(ctx, s.History, from, to, cut[0].n, gap)
}

// fromColumns takes the columns of the store as they are: where a column is wider than the longest gap, an empty one is a
// gap.
func (t *PointTrend) fromColumns(ctx context.Context, h History, cut []stretch) error {
	var low, high store.Column
	open := false
	for _, part := range cut {
		columns, err := h.Columns(ctx, t.Point, part.from, part.to, part.n)
		if err != nil {
			return err
		}
		for i := range columns {
			c := columns[i]
			c.From, c.To = part.bounds(i)
			middle := c.From.Add(c.To.Sub(c.From) / 2)
			if c.Count == 0 {
				if open {
					t.gap(middle)
				}
				open = false
				continue
			}
			t.add(middle, c.Mean, c.Min, c.Max)
			open = true
			if low.Count == 0 || c.Min < low.Min {
				low = c
			}
			if high.Count == 0 || c.Max > high.Max {
				high = c
			}
		}
	}
	if low.Count == 0 {
		return nil
	}
	var err error
	if t.Lowest, err = extremeIn(ctx, h, t.Point, low, false); err != nil {
		return err
	}
	t.Highest, err = extremeIn(ctx, h, t.Point, high, true)
	return err
}

// fromReadings puts readings into columns itself. It is for columns narrower than the distance of two readings, where only the
// times of the readings show whether an empty column is a gap. Readings just outside the range carry the line to its edges.
func (t *PointTrend) fromReadings(ctx context.Context, h History, from, to instant.Instant, n int, gap time.Duration) error {
	width := float64(to.Sub(from)) / float64(n)
	var last instant.Instant
	column, count, sum, low, high := -1, 0, 0.0, 0.0, 0.0
	var at instant.Instant
	flush := func() {
		if count > 0 {
			when := from.Add(time.Duration((float64(column) + 0.5) * width))
			if count == 1 {
				when = at
			}
			t.add(when, sum/float64(count), low, high)
		}
		count, sum = 0, 0
	}
	for reading, err := range h.Readings(ctx, t.Point, from.Add(-gap), to.Add(gap)) {
		if err != nil {
			return err
		}
		if !reading.Flag.Usable() {
			continue
		}
		here := int(float64(reading.At.Sub(from)) / width)
		if reading.At < from {
			here = -1
		}
		parted := last != 0 && reading.At.Sub(last) > gap
		if here != column || parted || here < 0 || here >= n {
			flush()
			column = here
		}
		if parted {
			t.gap(last.Add(reading.At.Sub(last) / 2))
		}
		if reading.At >= from && reading.At < to {
			t.extend(reading.At, reading.Value)
		}
		if count == 0 {
			low, high, at = reading.Value, reading.Value, reading.At
		}
		count, sum = count+1, sum+reading.Value
		low, high, last = min(low, reading.Value), max(high, reading.Value), reading.At
	}
	flush()
	return nil
}

// extend takes a reading into the extremes.
func (t *PointTrend) extend(at instant.Instant, value float64) {
	if t.Lowest == nil || value < float64(t.Lowest.Value) {
		t.Lowest = &Extreme{at, number(value)}
	}
	if t.Highest == nil || value > float64(t.Highest.Value) {
		t.Highest = &Extreme{at, number(value)}
	}
}

func (t *PointTrend) add(at instant.Instant, mean, low, high float64) {
	if n := len(t.T); n > 0 && seconds(at) <= t.T[n-1] { // a single reading beside the middle of its neighbour
		at = instant.Instant(t.T[n-1]) + instant.Instant(time.Millisecond)
	}
	t.T = append(t.T, seconds(at))
	t.Mean, t.Min, t.Max = append(t.Mean, number(mean)), append(t.Min, number(low)), append(t.Max, number(high))
}

func (t *PointTrend) gap(at instant.Instant) { t.add(at, nan, nan, nan) }

// gapOf returns the longest time between two readings that is still joined by a line.
func (s *site) gapOf(point quantity.Point) time.Duration {
	site, longest := s.Site(), time.Duration(0)
	for i := range site.Points {
		at := &site.Points[i]
		// A derived point has the longest gap of what it may be derived from.
		if at.Point == point || point.Quantity.Derived() && feedsInto(site, at.Point, point) {
			longest = max(longest, at.Gap)
		}
	}
	if longest <= 0 {
		return defaultGap
	}
	return longest
}

// feedsInto reports whether a measured point may be an input of a derived one.
func feedsInto(site *watch.Site, measured, derived quantity.Point) bool {
	if measured.Place == derived.Place {
		return true
	}
	if measured.Quantity != quantity.Pressure || derived.Quantity != quantity.OxygenSaturation {
		return false
	}
	for i := range site.Places {
		if site.Places[i].ID == derived.Place {
			return site.Places[i].In == measured.Place
		}
	}
	return false
}

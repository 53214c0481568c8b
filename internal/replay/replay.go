// Package replay runs recorded readings through the same core that the daemon runs, and sums up what came of it.
package replay

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"dewline/internal/instant"
	"dewline/internal/intake/recorded"
	"dewline/internal/journal"
	"dewline/internal/quantity"
	"dewline/internal/watch"
)

// Result is what a replay prints. Its JSON form is a contract: see Report.
type Result struct {
	Site   string          `json:"site"`
	From   instant.Instant `json:"from"`
	To     instant.Instant `json:"to"`
	Points []PointReport   `json:"points"`
	Alarms []AlarmReport   `json:"alarms"`
}

// PointReport is the exposure of one point over the range.
type PointReport struct {
	Point             quantity.Point    `json:"point"`
	Unit              string            `json:"unit"`
	Seconds           ZoneSeconds       `json:"seconds"`
	Min               *Number           `json:"min"`
	Max               *Number           `json:"max"`
	Mean              *Number           `json:"mean"` // weighted by time
	DegreeHoursAbove  Number            `json:"degree_hours_above"`
	DegreeHoursBelow  Number            `json:"degree_hours_below"`
	LongestExcursionS Seconds           `json:"longest_excursion_s"`
	Excursions        []ExcursionReport `json:"excursions"`

	// Ledger is the sum of the ledgers of the range, for callers that want more than the JSON shows.
	Ledger watch.Ledger `json:"-"`
}

// ExcursionReport is one stay outside the band.
type ExcursionReport struct {
	From     instant.Instant `json:"from"`
	To       instant.Instant `json:"to"`
	Side     string          `json:"side"`
	Extreme  Number          `json:"extreme"`
	UnknownS Seconds         `json:"unknown_s"`
}

// AlarmReport is one occurrence of an alarm.
type AlarmReport struct {
	Alarm        string          `json:"alarm"`
	Priority     string          `json:"priority"`
	Since        instant.Instant `json:"since"`
	Raised       instant.Instant `json:"raised"`
	Cleared      instant.Instant `json:"cleared"` // null while active
	Extreme      *Number         `json:"extreme"`
	SuppressedBy string          `json:"suppressed_by,omitempty"` // what covered it when it was raised
}

// Options narrow a replay. The zero value replays everything.
type Options struct {
	From, To instant.Instant // None (or 0) = the file's first and last row
	Progress func(done, total int)
}

// Run replays the rows of a file through a core for the site. Points that the site does not know are added without a
// band. Rows of equal time are taken rooms first, so that the order of rows across points makes no difference.
func Run(site watch.Site, file *recorded.File, options Options) (*Result, error) {
	if len(file.Rows) == 0 {
		return nil, fmt.Errorf("there are no readings to replay")
	}
	first, last := file.Span()
	from, to := options.From, options.To
	if from == 0 || from.IsNone() {
		from = first
	}
	if to == 0 || to.IsNone() {
		to = last
	}
	if to < from {
		return nil, fmt.Errorf("the range ends (%s) before it begins (%s)", to, from)
	}
	core := watch.New(withPoints(site, file.Points), "replay")
	r := &run{core: core, from: from, to: to, options: options, order: make([]int32, len(file.Points))}
	for i, p := range file.Points {
		index, ok := core.Index(p)
		if !ok {
			return nil, fmt.Errorf("point %s was not taken over", p)
		}
		r.order[i] = index
	}
	r.ledgers = make([]watch.Ledger, len(core.Points()))
	for i := range r.ledgers {
		r.ledgers[i] = watch.Ledger{From: from, To: from}
	}
	r.excursions = make([][]watch.Excursion, len(r.ledgers))
	r.fold(file, min(first, from))
	return r.result(site.ID), nil
}

// withPoints adds the points of a file to those of a site.
func withPoints(site watch.Site, points []quantity.Point) watch.Site {
	known := map[quantity.Point]bool{}
	for _, p := range site.Points {
		known[p.Point] = true
	}
	site.Points = slices.Clone(site.Points)
	for _, p := range points {
		if !known[p] {
			site.Points = append(site.Points, watch.Point{Point: p})
		}
	}
	return site
}

// run is a replay under way.
type run struct {
	core       *watch.Core
	from, to   instant.Instant
	options    Options
	order      []int32 // index in the core of each point of the file
	ledgers    []watch.Ledger
	excursions [][]watch.Excursion
	alarms     []AlarmReport
	effects    []watch.Effect
}

// fold steps through the rows. A reading after the end of the range is still needed, once for each point: it says how the line
// went on up to the end.
func (r *run) fold(file *recorded.File, start instant.Instant) {
	r.step(watch.Event{Kind: watch.StartEvent, At: start})
	if r.from > start {
		r.step(watch.Event{Kind: watch.CutEvent, At: r.from})
	}
	rank := r.ranks(file.Points)
	beyond := make([]bool, len(file.Points))
	r.step(watch.Event{Kind: watch.CutEvent, At: r.to})
	for begin := 0; begin < len(file.Rows); {
		end := begin + 1
		for end < len(file.Rows) && file.Rows[end].At == file.Rows[begin].At {
			end++
		}
		group := file.Rows[begin:end]
		if len(group) > 1 {
			slices.SortStableFunc(group, func(a, b recorded.Row) int { return cmp.Compare(rank[a.Point], rank[b.Point]) })
		}
		at := group[0].At
		if r.core.Due(at) {
			r.step(watch.Event{Kind: watch.TickEvent, At: at})
		}
		for i := range group {
			row := &group[i]
			if at > r.to && row.Flag.Usable() {
				if beyond[row.Point] {
					continue
				}
				beyond[row.Point] = true
			}
			r.step(watch.Event{Kind: watch.ReadingEvent, At: at, Point: r.order[row.Point], Value: row.Value, Flag: row.Flag})
		}
		begin = end
		if r.options.Progress != nil && begin%100_000 < len(group) {
			r.options.Progress(begin, len(file.Rows))
		}
	}
	_, last := file.Span()
	r.step(watch.Event{Kind: watch.TickEvent, At: max(last, r.to)})
	r.effects = r.core.Finish(max(last, r.to), r.effects[:0])
	r.take()
}

// ranks orders the points for rows of equal time: rooms before what is inside them, then as the core has them.
func (r *run) ranks(points []quantity.Point) []int32 {
	order := map[string]int32{}
	for i, place := range r.core.PlaceOrder() {
		order[place] = int32(i)
	}
	ranks := make([]int32, len(points))
	for i, p := range points {
		ranks[i] = order[p.Place]<<8 | int32(p.Quantity)
	}
	return ranks
}

func (r *run) step(ev watch.Event) {
	r.effects = r.core.Step(ev, r.effects[:0])
	if len(r.effects) > 0 {
		r.take()
	}
}

// take gathers effects.
func (r *run) take() {
	for _, e := range r.effects {
		switch e.Kind {
		case watch.Closed:
			if e.Ledger.From >= r.from && e.Ledger.To <= r.to {
				r.ledgers[e.Point].Add(e.Ledger)
			}
		case watch.Left:
			if e.Excursion.To >= r.from && e.Excursion.From < r.to {
				r.excursions[e.Point] = append(r.excursions[e.Point], *e.Excursion)
			}
		case watch.Keep:
			r.alarm(e.Entry)
		}
	}
}

// alarm notes raises and clears that touch the range.
func (r *run) alarm(e *journal.Entry) {
	switch e.Kind {
	case journal.AlarmRaised:
		if e.At > r.to {
			return
		}
		report := AlarmReport{
			Alarm: e.Alarm, Priority: e.Priority, Since: *e.Since, Raised: e.At, Cleared: instant.None, Extreme: number(e.Extreme),
		}
		if e.State == string(watch.SuppressedByDesign) {
			report.SuppressedBy = e.By
		}
		r.alarms = append(r.alarms, report)
	case journal.AlarmCleared:
		for i := len(r.alarms) - 1; i >= 0; i-- {
			if a := &r.alarms[i]; a.Alarm == e.Alarm && a.Cleared.IsNone() {
				if e.At <= r.to {
					a.Cleared = e.At
				}
				a.Extreme = number(e.Extreme)
				return
			}
		}
	}
}

func (r *run) result(site string) *Result {
	result := &Result{Site: site, From: r.from, To: r.to, Points: []PointReport{}, Alarms: []AlarmReport{}}
	points := r.core.Points()
	for i, p := range points {
		ledger := r.ledgers[i]
		ledger.From, ledger.To = r.from, r.to
		result.Points = append(result.Points, r.point(p, ledger, r.excursions[i]))
	}
	slices.SortStableFunc(result.Points, func(a, b PointReport) int {
		if a.Point.Place != b.Point.Place {
			return cmp.Compare(r.core.PlaceRank(a.Point.Place), r.core.PlaceRank(b.Point.Place))
		}
		return cmp.Compare(a.Point.Quantity, b.Point.Quantity)
	})
	for _, a := range r.alarms {
		if a.Cleared.IsNone() || a.Cleared >= r.from {
			if a.Cleared.IsNone() && a.Extreme != nil {
				if state, ok := r.core.Alarm(a.Alarm); ok && state.Raised == a.Raised {
					a.Extreme = number(&state.Extreme)
				}
			}
			result.Alarms = append(result.Alarms, a)
		}
	}
	slices.SortStableFunc(result.Alarms, func(a, b AlarmReport) int {
		return cmp.Or(cmp.Compare(a.Raised, b.Raised), cmp.Compare(a.Alarm, b.Alarm))
	})
	return result
}

func (r *run) point(p quantity.Point, ledger watch.Ledger, excursions []watch.Excursion) PointReport {
	report := PointReport{
		Point: p, Unit: p.Quantity.Unit().Symbol(), Seconds: zoneSeconds(&ledger), Ledger: ledger,
		DegreeHoursAbove: Number(ledger.DegreeAbove / 3600), DegreeHoursBelow: Number(ledger.DegreeBelow / 3600),
		Excursions: []ExcursionReport{},
	}
	if ledger.Readings > 0 {
		report.Min, report.Max = number(&ledger.Min), number(&ledger.Max)
	}
	if mean := ledger.Mean(); !math.IsNaN(mean) {
		report.Mean = number(&mean)
	}
	for _, e := range excursions {
		e.From, e.To = max(e.From, r.from), min(e.To, r.to)
		report.Excursions = append(report.Excursions, ExcursionReport{
			From: e.From, To: e.To, Side: e.Side.String(), Extreme: Number(e.Extreme), UnknownS: Seconds(e.Unknown),
		})
		report.LongestExcursionS = max(report.LongestExcursionS, Seconds(e.To.Sub(e.From)))
	}
	return report
}

func number(v *float64) *Number {
	if v == nil || math.IsNaN(*v) {
		return nil
	}
	n := Number(*v)
	return &n
}

// Seconds prints a duration as seconds, rounded to milliseconds.
type Seconds time.Duration

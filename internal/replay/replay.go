// Package replay runs recorded readings through the same core that the daemon runs, and sums up what came of it. The readings
// are those of a readings file, or of the history that a daemon has kept ([FromHistory], with [WithJournal]).
package replay

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
	"dewline/internal/source/recorded"
)

// Result is what a replay prints. Its JSON form is a contract: see Report.
type Result struct {
	Site   string          `json:"site"`
	From   instant.Instant `json:"from"`
	To     instant.Instant `json:"to"`
	Points []PointReport   `json:"points"`
	Alarms []AlarmReport   `json:"alarms"`

	// Warnings say what is odd about the readings, for the person who replays them.
	Warnings []string `json:"-"`
}

// PointReport is the exposure of one point over the range.
type PointReport struct {
	Point quantity.Point `json:"point"`
	Unit  string         `json:"unit"`
	exposure.Figures
	Excursions []ExcursionReport `json:"excursions"`

	// Ledger is the sum of the ledgers of the range, for callers that want more than the JSON shows.
	Ledger watch.Ledger `json:"-"`

	// Parts are the ledgers that Ledger is the sum of, in order and without a gap: one for each local day and each stage of
	// the cohort that lives there. Only with Options.Parts.
	Parts []watch.Ledger `json:"-"`
}

// ExcursionReport is one stay outside the band.
type ExcursionReport struct {
	From     instant.Instant  `json:"from"`
	To       instant.Instant  `json:"to"`
	Side     string           `json:"side"`
	Extreme  exposure.Number  `json:"extreme"`
	UnknownS exposure.Seconds `json:"unknown_s"`
}

// AlarmReport is one occurrence of an alarm.
type AlarmReport struct {
	Alarm        string           `json:"alarm"`
	Priority     string           `json:"priority"`
	Since        instant.Instant  `json:"since"`
	Raised       instant.Instant  `json:"raised"`
	Cleared      instant.Instant  `json:"cleared"` // null while active
	Extreme      *exposure.Number `json:"extreme"`
	SuppressedBy string           `json:"suppressed_by,omitempty"` // what covered it when it was raised
}

// Options narrow a replay. The zero value replays everything.
type Options struct {
	From, To instant.Instant // None (or 0) = the file's first and last row
	Gap      time.Duration   // of every point, instead of that of the site; 0 = that of the site
	Judge    Judging         // judge the rows that carry no flag; nil = they pass
	Parts    bool            // keep the ledgers of each local day and stage; the JSON stays the same
	Progress func(done, total int64)
	// Most bounds how many alarms, messages and times outside a side of a comparison may have, so that it holds no more; 0 = no bound.
	Most int
}

// Readings are what a replay reads: a *[recorded.File] or a *[recorded.Stream].
type Readings interface{ Stream() *recorded.Stream }

// span returns the range that is asked for; where an end is not given, that of the readings.
func (o *Options) span(readings *recorded.Stream) (from, to instant.Instant) {
	from, to = o.From, o.To
	if from == 0 || from.IsNone() {
		from = readings.First
	}
	if to == 0 || to.IsNone() {
		to = readings.Last
	}
	return from, to
}

// Run replays readings through a core for the site. Points that the site does not know are added without a
// band. Rows of equal time are taken rooms first, so that the order of rows across points makes no difference. Rows of derived
// points are ignored where what they are derived from is among the readings as well.
//
// What came before the range is replayed as well, since it decides what is active when the range begins. Excursions are
// cut to the range; alarms keep the times at which they were raised and cleared.
//
// With Options.Judge, rows without a flag are judged as the daemon judges them. The figures then rest on the flags that its history
// would have. The alarms are those that it would have raised: it does not wait for the spike test, which gives a reading its flag when
// the next one is in, so they come of a fold of their own.
func Run(site watch.Site, readings Readings, options Options) (*Result, error) {
	stream := readings.Stream()
	if stream.Count == 0 {
		if stream.Name != "" {
			return nil, fmt.Errorf("%s: there are no readings to replay", stream.Name)
		}
		return nil, fmt.Errorf("there are no readings to replay")
	}
	from, to := options.span(stream)
	if to < from {
		return nil, fmt.Errorf("the range ends (%s) before it begins (%s)", to, from)
	}
	if site.Intervals == nil {
		site = site.WithRecord(nil)
	}
	site, ignored := withPoints(site, stream.Points, options.Gap)
	final := stream
	if options.Judge != nil {
		final = Judged(stream, options.Judge)
	}
	r, err := newRun(site, final, ignored, from, to)
	if err != nil {
		return nil, err
	}
	r.progress = options.Progress
	r.rhythm = make([]rhythm, len(r.core.Points()))
	if options.Parts {
		r.keepParts(site)
	}
	if err := r.fold(); err != nil {
		return nil, err
	}
	if err := r.cutExcursions(site, ignored); err != nil {
		return nil, err
	}
	if options.Judge != nil {
		if r.alarms, err = judgedAlarms(site, stream, ignored, from, to, options.Judge); err != nil {
			return nil, err
		}
	}
	result := r.result(site.ID)
	result.Warnings = r.warnings(site)
	return result, nil
}

// withPoints adds the points of a record to those of a site, in an order that does not depend on that of the rows. It also returns
// the derived points of the record whose rows are ignored, since the core computes them from others of the record.
func withPoints(site watch.Site, points []quantity.Point, gap time.Duration) (watch.Site, map[quantity.Point]bool) {
	sorted := slices.SortedStableFunc(slices.Values(points), byName)
	given := watch.Site{Places: site.Places}
	add := func(s *watch.Site, p quantity.Point) { s.Points = append(s.Points, watch.Point{Point: p}) }
	for _, p := range sorted {
		if !p.Quantity.Derived() {
			add(&given, p)
		}
	}
	ignored := map[quantity.Point]bool{}
	for _, p := range sorted { // dew points come before what is derived from them
		if p.Quantity.Derived() {
			if _, computed := watch.New(given, "").Index(p); computed {
				ignored[p] = true
			} else {
				add(&given, p)
			}
		}
	}
	known := map[quantity.Point]bool{}
	for _, p := range site.Points {
		known[p.Point] = true
	}
	site.Points = slices.Clone(site.Points)
	for _, p := range sorted {
		if !known[p] && !ignored[p] {
			add(&site, p)
		}
	}
	if gap > 0 {
		for i := range site.Points {
			site.Points[i].Gap = gap
		}
	}
	return site, ignored
}

func byName(a, b quantity.Point) int {
	return cmp.Or(cmp.Compare(a.Place, b.Place), cmp.Compare(a.Quantity, b.Quantity))
}

// run is a replay under way.
type run struct {
	core     *watch.Core
	readings *recorded.Stream
	from, to instant.Instant
	start    instant.Instant // of the record
	enough   instant.Instant // no row after this time has a say in the range
	cuts     []instant.Instant
	progress func(done, total int64)
	order    []int32         // index in the core of each point of the record; −1 where its rows are ignored
	rank     []int32         // place of each point of the record among rows of equal time
	rhythm   []rhythm        // of each point of the core; nil where it is of no interest
	group    []judgedRow     // of one time
	judge    *judge          // of rows without a flag; nil = they pass, or come judged
	channels []channelOf     // that alone feed the points of the record; nil where nothing is judged
	kept     bool            // see [judge]
	good     []watch.Event   // reports that wait for the readings of their time
	within   bool            // what is taken lies in the range or before it
	end      instant.Instant // up to where time goes
	seen     instant.Instant // the time of the last row
	done     int64           // rows that were taken
	notified *notified       // nil where it is of no interest

	ledgers    []watch.Ledger
	excursions [][]watch.Excursion
	parts      [][]watch.Ledger // nil unless they are asked for
	alarms     []AlarmReport
	closed     func(point int32, l *watch.Ledger) // called with every closed ledger, if not nil
	effects    []watch.Effect
}

func newRun(site watch.Site, readings *recorded.Stream, ignored map[quantity.Point]bool, from, to instant.Instant) (*run, error) {
	core := watch.New(site, "replay")
	r := &run{core: core, readings: readings, from: from, to: to, cuts: []instant.Instant{from, to}}
	places := map[string]int32{}
	for i, place := range core.PlaceOrder() {
		places[place] = int32(i)
	}
	for _, p := range readings.Points {
		index, ok := core.Index(p)
		switch {
		case ignored[p]:
			index = -1
		case !ok:
			return nil, fmt.Errorf("point %s was not taken over", p)
		}
		r.order = append(r.order, index)
		r.rank = append(r.rank, places[p.Place]<<8|int32(p.Quantity))
	}
	// Readings are expected from the first row on, whatever range is asked for; before it nothing is known.
	r.start = readings.First
	r.ledgers = make([]watch.Ledger, len(core.Points()))
	for i := range r.ledgers {
		r.ledgers[i] = watch.Ledger{From: from, To: from}
		r.ledgers[i].InZone[watch.UnknownZone] = max(0, min(r.start, to).Sub(from))
	}
	r.excursions = make([][]watch.Excursion, len(r.ledgers))
	r.enough = to.Add(Reach(site))
	return r, nil
}

// Reach returns how long after the end of a range a reading may come that still says how a line went on up to that end.
// A measured point is joined over one gap. A derived one waits up to a gap more for its second input, and the
// condensation margin is derived from one that waited.
func Reach(site watch.Site) time.Duration {
	widest := time.Minute // of a point that gives none, see watch.Point
	for _, p := range site.Points {
		widest = max(widest, p.Gap)
	}
	return 4 * widest
}

// fold steps through the rows.
func (r *run) fold() error {
	r.begin()
	for row, err := range r.readings.Rows() {
		if err != nil {
			return err
		}
		var v verdict
		if r.judge != nil {
			v, _ = r.judge.take(&row)
		}
		if !r.takeRow(judgedRow{row, v}) {
			break
		}
	}
	r.finish()
	return nil
}

// begin starts the core at the beginning of the record.
func (r *run) begin() {
	r.step(watch.Event{Kind: watch.StartEvent, At: r.start})
	for _, cut := range r.cuts {
		if cut > r.start {
			r.step(watch.Event{Kind: watch.CutEvent, At: cut})
		}
	}
	r.within, r.end = true, r.to
}

// takeRow takes the next row, and reports whether later ones may have a say in the range.
func (r *run) takeRow(row judgedRow) (more bool) {
	if len(r.group) > 0 && r.group[0].At != row.At {
		r.takeGroup()
	}
	if row.At > r.enough {
		return false
	}
	if r.order[row.Point] >= 0 {
		r.group = append(r.group, row)
	}
	r.seen = row.At
	if r.done++; r.progress != nil && r.done%100_000 == 0 {
		r.progress(r.done, r.readings.Count)
	}
	return true
}

// finish takes what is left, and lets time pass to the end of the range.
func (r *run) finish() {
	r.takeGroup()
	r.end = max(r.end, r.seen)
	if r.within {
		r.noteExtremes()
	}
	if r.readings.Last > r.enough {
		r.end = max(r.end, r.enough)
	}
	r.pass(r.end)
	r.step(watch.Event{Kind: watch.TickEvent, At: r.end})
	r.effects = r.core.Finish(r.end, r.effects[:0])
	r.take()
}

// takeGroup takes the rows of one time, rooms before what is inside them, then as the core has them.
func (r *run) takeGroup() {
	if len(r.group) == 0 {
		return
	}
	at := r.group[0].At
	if at > r.to && r.within {
		r.within = false
		r.noteExtremes()
	}
	r.pass(at)
	if r.core.Due(at) {
		r.step(watch.Event{Kind: watch.TickEvent, At: at})
	}
	if len(r.group) > 1 {
		slices.SortStableFunc(r.group, func(a, b judgedRow) int { return cmp.Compare(r.rank[a.Point], r.rank[b.Point]) })
	}
	if r.channels != nil {
		r.judgeGroup()
	}
	for i := range r.group {
		row := &r.group[i]
		point := r.order[row.Point]
		if r.effects = r.core.Read(point, at, row.Value, row.Flag, r.effects[:0]); len(r.effects) > 0 {
			r.take()
		}
		if r.rhythm != nil && row.Flag.Usable() {
			r.rhythm[point].note(at)
		}
	}
	for i := range r.good {
		r.step(r.good[i])
	}
	r.group, r.good = r.group[:0], r.good[:0]
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
		case watch.LedgerClosed:
			// A ledger of no length holds a reading that its predecessor has seen as well, unless that is all there is.
			if l := e.Ledger; l.From >= r.from && l.To <= r.to && (l.From < l.To || r.from == r.to) {
				r.ledgers[e.Point].Add(e.Ledger)
				if r.parts != nil {
					r.parts[e.Point] = append(r.parts[e.Point], *e.Ledger)
				}
			}
			if r.closed != nil {
				r.closed(e.Point, e.Ledger)
			}
		case watch.ExcursionEnded:
			if r.touches(e.Excursion) {
				r.excursions[e.Point] = append(r.excursions[e.Point], *e.Excursion)
			}
		case watch.Record:
			r.alarm(e.Entry)
		}
	}
	if r.notified != nil {
		r.notified.take(r.effects)
	}
}

// touches reports whether a part of the excursion lies in the range. A single reading between two gaps is one of no length.
func (r *run) touches(e *watch.Excursion) bool {
	if e.From == e.To {
		return e.From >= r.from && e.From <= r.to
	}
	return e.To > r.from && e.From < r.to
}

// alarm notes raises and clears up to the end of the range.
func (r *run) alarm(e *journal.Entry) {
	if e.At > r.to {
		return
	}
	switch e.Kind {
	case journal.AlarmRaised:
		report := AlarmReport{
			Alarm: e.Alarm, Priority: e.Priority, Since: *e.Since, Raised: e.At, Cleared: instant.None, Extreme: number(e.Extreme),
		}
		if e.State == isa.SuppressedByDesign {
			report.SuppressedBy = e.By
		}
		r.alarms = append(r.alarms, report)
	case journal.AlarmCleared:
		for i := len(r.alarms) - 1; i >= 0; i-- {
			if a := &r.alarms[i]; a.Alarm == e.Alarm && a.Cleared.IsNone() {
				a.Cleared, a.Extreme = e.At, number(e.Extreme)
				return
			}
		}
	}
}

// noteExtremes notes how far the alarms that are still active have gone, before anything from after the range comes in.
func (r *run) noteExtremes() {
	for i := range r.alarms {
		if a := &r.alarms[i]; a.Cleared.IsNone() && a.Extreme != nil {
			if state, ok := r.core.Alarm(a.Alarm); ok {
				a.Extreme = number(&state.Extreme)
			}
		}
	}
}

// cutExcursions cuts excursions that reach over an end of the range to it. The extreme and the unobserved time of the part that
// is left are known only to ledgers of exactly that part, so a second run closes ledgers there.
func (r *run) cutExcursions(site watch.Site, ignored map[quantity.Point]bool) error {
	parts := map[int32][]*watch.Excursion{}
	cuts := slices.Clone(r.cuts)
	for point := range r.excursions {
		for i := range r.excursions[point] {
			e := &r.excursions[point][i]
			if e.From >= r.from && e.To <= r.to {
				continue
			}
			e.From, e.To, e.Unknown = max(e.From, r.from), min(e.To, r.to), 0
			parts[int32(point)] = append(parts[int32(point)], e)
			cuts = append(cuts, e.From, e.To)
		}
	}
	if len(parts) == 0 {
		return nil
	}
	second, err := newRun(site, r.readings, ignored, r.from, r.to)
	if err != nil {
		return err
	}
	second.cuts = cuts
	within := map[*watch.Excursion]*watch.Ledger{}
	second.closed = func(point int32, l *watch.Ledger) {
		for _, e := range parts[point] {
			if l.From >= e.From && l.To <= e.To {
				if within[e] == nil {
					within[e] = &watch.Ledger{}
				}
				within[e].Add(l)
			}
		}
	}
	if err := second.fold(); err != nil {
		return err
	}
	for e, l := range within {
		e.Unknown = l.InZone[watch.UnknownZone]
		switch { // between two readings the extreme of the whole stay is all there is
		case l.Readings > 0 && e.Side == watch.AboveBand:
			e.Extreme = l.Max
		case l.Readings > 0:
			e.Extreme = l.Min
		}
	}
	return nil
}

func (r *run) result(site string) *Result {
	result := &Result{Site: site, From: r.from, To: r.to, Points: []PointReport{}, Alarms: []AlarmReport{}}
	for i, p := range r.core.Points() {
		ledger := r.ledgers[i]
		ledger.From, ledger.To = r.from, r.to
		report := r.point(p, ledger, r.excursions[i])
		if r.parts != nil {
			report.Parts = r.parts[i]
		}
		result.Points = append(result.Points, report)
	}
	slices.SortStableFunc(result.Points, func(a, b PointReport) int {
		if a.Point.Place != b.Point.Place {
			return cmp.Compare(r.core.PlaceRank(a.Point.Place), r.core.PlaceRank(b.Point.Place))
		}
		return cmp.Compare(a.Point.Quantity, b.Point.Quantity)
	})
	for _, a := range r.alarms {
		if a.Cleared.IsNone() || a.Cleared >= r.from {
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
		Point: p, Unit: p.Quantity.Unit().Symbol(), Figures: exposure.FiguresOf(&ledger), Ledger: ledger, Excursions: []ExcursionReport{},
	}
	report.LongestExcursionS = 0 // that of whole excursions: ledgers end at midnight
	for _, e := range excursions {
		report.Excursions = append(report.Excursions, ExcursionReport{
			From: e.From, To: e.To, Side: e.Side.String(), Extreme: exposure.Number(e.Extreme), UnknownS: exposure.Seconds(e.Unknown),
		})
		report.LongestExcursionS = max(report.LongestExcursionS, exposure.Seconds(e.To.Sub(e.From)))
	}
	return report
}

func number(v *float64) *exposure.Number {
	if v == nil {
		return nil
	}
	return exposure.NumberOf(*v)
}

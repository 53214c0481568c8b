package replay

import (
	"cmp"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/notify"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
	"dewline/internal/source/recorded"
)

// Lead is how long before the range a comparison begins to fold, so that alarms, the usual day of a point (seven days) and what came too
// often (seven days) are as they were.
const Lead = 15 * 24 * time.Hour

// Side is one of the two configurations that are compared.
type Side struct {
	Name  string // of its file
	Site  watch.Site
	Rules []notify.Rule
	Judge Judging
}

// Comparison is what two configurations make of the same readings. Its JSON form is a contract.
type Comparison struct {
	Site string          `json:"site"`
	From instant.Instant `json:"from"`
	To   instant.Instant `json:"to"`

	InForce SideReport `json:"in_force"`
	Tried   SideReport `json:"tried"`

	Points []PointComparison `json:"points"`
	Alarms []AlarmComparison `json:"alarms"` // in the order of their times
}

// SideReport sums up one side.
type SideReport struct {
	Config        string           `json:"config"`
	Alarms        int              `json:"alarms"` // occurrences that were active within the range
	ByPriority    map[string]int   `json:"by_priority"`
	OutsideS      exposure.Seconds `json:"outside_s"` // the times outside the bands of all points together
	Heard         map[string]int   `json:"heard"`     // messages with a sound, by notifier
	Silent        map[string]int   `json:"silent"`    // messages that update an incident, by notifier
	Notifications []Notification   `json:"notifications"`
}

// PointComparison is the exposure of a point on both sides; a side that does not know the point has no band there.
type PointComparison struct {
	Point   quantity.Point   `json:"point"`
	Unit    string           `json:"unit"`
	InForce exposure.Figures `json:"in_force"`
	Tried   exposure.Figures `json:"tried"`
	Alarms  [2]int           `json:"alarms"` // in force, tried
	Same    bool             `json:"same"`
}

// AlarmComparison is an occurrence of an alarm on both sides: null where that side has none at that time.
type AlarmComparison struct {
	Alarm   string       `json:"alarm"`
	InForce *AlarmReport `json:"in_force"`
	Tried   *AlarmReport `json:"tried"`
	Same    bool         `json:"same"`
}

// Compare runs readings once through two sites and their rules of notification. No person acknowledges or silences anything in it.
// Excursions at an end of the range are cut to it. Of the options From, To, Gap and Progress count; Progress gets seconds of the range.
func Compare(readings *recorded.Stream, inForce, tried Side, options Options) (*Comparison, error) {
	if readings.First.IsNone() {
		return nil, fmt.Errorf("there are no readings to replay")
	}
	from, to := options.span(readings)
	if to <= from {
		return nil, fmt.Errorf("the range ends (%s) before it begins (%s)", to, from)
	}
	sides := [2]*Side{&inForce, &tried}
	var runs [2]*run
	for i, side := range sides {
		site := side.Site
		if site.Intervals == nil {
			site = site.WithRecord(nil)
		}
		site, ignored := withPoints(site, readings.Points, options.Gap)
		r, err := newRun(site, readings, ignored, from, to)
		if err != nil {
			return nil, err
		}
		if side.Judge != nil {
			if r.judge, err = newJudge(side.Judge, readings); err != nil {
				return nil, err
			}
			r.channels, r.kept = channelsOf(site, readings.Points), readings.Kept
		}
		r.notified = &notified{rules: notify.New(side.Rules), from: from, to: to, asked: r.start}
		r.notified.rules.Site(&site)
		r.begin()
		r.notified.rules.Sync(r.core.Alarms(), r.start)
		runs[i] = r
	}
	if reflect.DeepEqual(inForce.Judge, tried.Judge) {
		runs[1].judge = nil // the verdicts on one side are those on the other
	}
	if err := foldBoth(readings, runs, options); err != nil {
		return nil, err
	}
	return compared(sides, runs), nil
}

// ErrTooMuch is returned by [Compare] where a side has more than Options.Most.
var ErrTooMuch = errors.New("these limits bring more alarms, messages and times outside than can be shown")

// held counts what a run has gathered.
func (r *run) held() int {
	n := len(r.alarms) + len(r.notified.list)
	for i := range r.excursions {
		n += len(r.excursions[i])
	}
	return n
}

// foldBoth reads the rows once for both.
func foldBoth(readings *recorded.Stream, runs [2]*run, options Options) error {
	progress := options.Progress
	n := 0
	total := int64(runs[0].enough.Sub(readings.First).Seconds())
	for row, err := range readings.Rows() {
		if err != nil {
			return err
		}
		going := false
		judged := judgedRow{Row: row}
		for _, r := range runs {
			if r.judge != nil {
				judged.Row = row
				judged.verdict, _ = r.judge.take(&judged.Row)
			}
			more := r.takeRow(judged)
			going = going || more
		}
		if !going {
			break
		}
		if n++; n%100_000 == 0 && options.Most > 0 && max(runs[0].held(), runs[1].held()) > options.Most {
			return fmt.Errorf("%w: more than %d by %s", ErrTooMuch, options.Most, row.At)
		}
		if progress != nil && n%100_000 == 0 {
			progress(min(total, int64(row.At.Sub(readings.First).Seconds())), total)
		}
	}
	for _, r := range runs {
		r.finish()
	}
	return nil
}

func compared(sides [2]*Side, runs [2]*run) *Comparison {
	var results [2]*Result
	var reports [2]SideReport
	for i, r := range runs {
		for p := range r.excursions {
			for k := range r.excursions[p] {
				e := &r.excursions[p][k]
				e.From, e.To = max(e.From, r.from), min(e.To, r.to)
			}
		}
		results[i] = r.result(sides[i].Site.ID)
		reports[i] = sideReport(sides[i].Name, results[i], r.notified.list)
	}
	c := &Comparison{
		Site: results[1].Site, From: results[1].From, To: results[1].To, InForce: reports[0], Tried: reports[1], Points: []PointComparison{},
		Alarms: pairs(results[0].Alarms, results[1].Alarms),
	}
	c.Points = comparedPoints(results)
	return c
}

func sideReport(name string, r *Result, notifications []Notification) SideReport {
	s := SideReport{
		Config: name, Alarms: len(r.Alarms), ByPriority: map[string]int{}, Heard: map[string]int{}, Silent: map[string]int{},
		Notifications: append([]Notification{}, notifications...),
	}
	for i := range r.Alarms {
		s.ByPriority[r.Alarms[i].Priority]++
	}
	var outside time.Duration
	for i := range r.Points {
		outside += outsideOf(&r.Points[i].Ledger)
	}
	s.OutsideS = exposure.Seconds(outside)
	for _, n := range notifications {
		if n.Silent {
			s.Silent[n.Notifier]++
		} else {
			s.Heard[n.Notifier]++
		}
	}
	return s
}

// outsideOf returns how long a ledger was outside its band.
func outsideOf(l *watch.Ledger) (d time.Duration) {
	for _, zone := range []watch.Zone{watch.CriticalLowZone, watch.LowZone, watch.HighZone, watch.CriticalHighZone} {
		d += l.InZone[zone]
	}
	return d
}

func comparedPoints(results [2]*Result) (all []PointComparison) {
	all = []PointComparison{}
	at := func(p quantity.Point) int {
		return slices.IndexFunc(all, func(c PointComparison) bool { return c.Point == p })
	}
	for side, r := range results {
		for i := range r.Points {
			p := &r.Points[i]
			k := at(p.Point)
			if k < 0 {
				k = len(all)
				all = append(all, PointComparison{Point: p.Point, Unit: p.Unit})
			}
			if side == 0 {
				all[k].InForce = p.Figures
			} else {
				all[k].Tried = p.Figures
			}
		}
		for i := range r.Alarms {
			if k := slices.IndexFunc(all, func(c PointComparison) bool { return of(r.Alarms[i].Alarm, c.Point) }); k >= 0 {
				all[k].Alarms[side]++
			}
		}
	}
	for k := range all {
		c := &all[k]
		c.Same = c.Alarms[0] == c.Alarms[1] && c.InForce.Seconds == c.Tried.Seconds && c.InForce.DegreeHoursAbove == c.Tried.DegreeHoursAbove &&
			c.InForce.DegreeHoursBelow == c.Tried.DegreeHoursBelow
	}
	return all
}

// of reports whether an alarm is one on a point.
func of(alarm string, p quantity.Point) bool {
	name := p.String()
	return len(alarm) > len(name) && alarm[:len(name)] == name && alarm[len(name)] == '/'
}

// pairs brings together the occurrences of both sides that are of one alarm and overlap in time, each at most once.
func pairs(inForce, tried []AlarmReport) []AlarmComparison {
	taken := make([]bool, len(tried))
	all := []AlarmComparison{}
	for i := range inForce {
		a := &inForce[i]
		c := AlarmComparison{Alarm: a.Alarm, InForce: a}
		for k := range tried {
			if b := &tried[k]; !taken[k] && b.Alarm == a.Alarm && overlap(a, b) {
				taken[k], c.Tried = true, b
				c.Same = a.Raised == b.Raised && a.Cleared == b.Cleared && a.Priority == b.Priority && a.SuppressedBy == b.SuppressedBy
				break
			}
		}
		all = append(all, c)
	}
	for k := range tried {
		if !taken[k] {
			all = append(all, AlarmComparison{Alarm: tried[k].Alarm, Tried: &tried[k]})
		}
	}
	began := func(c AlarmComparison) instant.Instant {
		if c.InForce != nil {
			return c.InForce.Raised
		}
		return c.Tried.Raised
	}
	slices.SortStableFunc(all, func(a, b AlarmComparison) int {
		return cmp.Or(cmp.Compare(began(a), began(b)), cmp.Compare(a.Alarm, b.Alarm))
	})
	return all
}

func overlap(a, b *AlarmReport) bool {
	ends := func(r *AlarmReport) instant.Instant {
		if r.Cleared.IsNone() {
			return 1<<63 - 1
		}
		return r.Cleared
	}
	return a.Since <= ends(b) && b.Since <= ends(a)
}

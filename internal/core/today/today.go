// Package today composes what a keeper has to know once a day: what is out of band, the extremes of the last night, which tasks are
// due, when the next stages come, and which sensors are due for a calibration. The page, the JSON and the digest show the same.
//
//	t := today.Compose(&today.Facts{Now: now, Site: site, Points: points, Care: entries, …})
//	t.Tasks    // what is overdue first, then what is due, then what comes
//
// Nothing of it is stored and nothing of it is an alarm: it follows from the record, and what is late is said, no more. It is pure:
// [Stretches], [Measured] and [LastNight] say what has to be read from the history beforehand.
package today

import (
	"cmp"
	"math"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/growth"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/task"
	"dewline/internal/core/watch"
)

// Today is a day as its keeper sees it. Values are in the canonical unit of their quantity. Its JSON is stable.
type Today struct {
	At          instant.Instant `json:"at"`
	OutOfBand   []OutOfBand     `json:"out_of_band"` // the worst first, then what is not known
	Night       Night           `json:"night"`
	Tasks       []Task          `json:"tasks"` // the most overdue first, what comes last
	Windows     []Window        `json:"windows"`
	Calibration []Calibration   `json:"calibrations_due"`
	Missing     string          `json:"missing,omitempty"` // why a part of this could not be had
}

// OutOfBand is a point whose value is outside its band, or not known.
type OutOfBand struct {
	Point quantity.Point  `json:"point"`
	Zone  string          `json:"zone"`
	Since instant.Instant `json:"since"`
	Value *float64        `json:"value"` // null where it is not known
	Limit *float64        `json:"limit"` // the one that it is beyond; null where it is not known
}

// Night is the last night.
type Night struct {
	From     instant.Instant `json:"from"`
	To       instant.Instant `json:"to"`
	Extremes []Extreme       `json:"extremes"`
}

// Extreme is how far a point went in the night.
type Extreme struct {
	Point quantity.Point `json:"point"`
	Min   float64        `json:"min"`
	Max   float64        `json:"max"`
	Below bool           `json:"below"` // beyond the lower limit of the night
	Above bool           `json:"above"` // beyond the upper one
}

// State says how soon a task has to be done.
type State string

// The states of tasks.
const (
	Overdue State = "overdue" // late by more than half its interval
	Due     State = "due"
	Later   State = "later"
)

// Task is something to do for the animals of a place.
type Task struct {
	Do      string          `json:"do"`
	Place   string          `json:"place"`
	Cohort  string          `json:"cohort,omitempty"` // whose it is; "" for what is done for the whole place
	Cohorts []string        `json:"cohorts"`          // whose profiles ask for it
	State   State           `json:"state"`
	Due     instant.Instant `json:"due"`
	Last    instant.Instant `json:"last"` // null: never on record
	EveryS  float64         `json:"every_s,omitempty"`
	Turn    string          `json:"turn,omitempty"` // what is next in the rotation
	Note    string          `json:"note,omitempty"`
	Source  string          `json:"source,omitempty"`
}

// Window is when the next stage of a cohort comes. An end that lies further ahead than [growth.Horizon] is null.
type Window struct {
	Cohort   string          `json:"cohort"`
	Place    string          `json:"place"`
	Stage    care.Stage      `json:"stage"` // now
	Began    instant.Instant `json:"began"`
	Next     care.Stage      `json:"next"`
	Early    instant.Instant `json:"early"`
	Late     instant.Instant `json:"late"`
	Overdue  bool            `json:"overdue"` // it should have come: look at the animals
	Then     care.Stage      `json:"then"`    // the stage after the next, where the profile knows when it comes; else ""
	ThenBy   instant.Instant `json:"then_early"`
	Measured bool            `json:"measured"` // from temperatures of its own water; false: that of the profile is assumed
}

// Calibration is a sensor that is due for one.
type Calibration struct {
	Sensor string          `json:"sensor"`
	Last   instant.Instant `json:"last"`
	Due    instant.Instant `json:"due"`
}

const (
	// calibrateEvery is how long a calibration is trusted. Common practice, no published source.
	calibrateEvery = 365 * day
	// longClimax is how long a metamorph may take before the animals should be looked at. Common practice, no published source.
	longClimax = 10 * day
)

// Compose makes the day.
func Compose(f *Facts) Today {
	t := Today{
		At: f.Now, OutOfBand: outOfBand(f.Points), Night: f.Night, Tasks: tasks(f), Windows: []Window{}, Calibration: []Calibration{},
		Missing: f.Missing,
	}
	t.Night.Extremes = slices.Clone(f.Night.Extremes)
	if t.Night.Extremes == nil {
		t.Night.Extremes = []Extreme{}
	}
	for i := range t.Night.Extremes {
		judge(f.Site, &t.Night, &t.Night.Extremes[i])
	}
	for _, home := range livingAt(f.Site, f.Now) {
		if w, ok := window(f, home); ok {
			t.Windows = append(t.Windows, w)
		}
	}
	for id, last := range f.Calibrated {
		if due := last.Add(calibrateEvery); due <= f.Now {
			t.Calibration = append(t.Calibration, Calibration{id, last, due})
		}
	}
	slices.SortFunc(t.Calibration, func(a, b Calibration) int { return cmp.Compare(a.Sensor, b.Sensor) })
	return t
}

// Count returns how many tasks are due, those that are overdue included, and how many are overdue.
func (t *Today) Count() (due, overdue int) {
	for i := range t.Tasks {
		switch t.Tasks[i].State {
		case Overdue:
			due, overdue = due+1, overdue+1
		case Due:
			due++
		}
	}
	return due, overdue
}

func outOfBand(points []watch.PointState) []OutOfBand {
	list := []OutOfBand{}
	for i := range points {
		p := &points[i]
		unknown := p.Zone == watch.UnknownZone && p.Fed && !p.Point.Quantity.Derived()
		if !p.Zone.Outside() && !unknown {
			continue
		}
		out := OutOfBand{Point: p.Point, Zone: p.Zone.String(), Since: p.Since}
		if p.Since == 0 {
			out.Since = instant.None
		}
		if !unknown {
			out.Value = finite(p.Value)
		}
		for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
			if l.String() == out.Zone {
				out.Limit = finite(p.Band.Limits[l])
			}
		}
		list = append(list, out)
	}
	slices.SortStableFunc(list, func(a, b OutOfBand) int { return cmp.Compare(rank(a.Zone), rank(b.Zone)) })
	return list
}

// rank orders zones by how much they matter.
func rank(zone string) int {
	switch zone {
	case care.CriticalHigh.String(), care.CriticalLow.String():
		return 0
	case watch.UnknownZone.String():
		return 2
	}
	return 1
}

func finite(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// judge notes on an extreme whether it lies beyond the limits that held in the middle of the night.
func judge(site *watch.Site, night *Night, e *Extreme) {
	middle := night.From.Add(night.To.Sub(night.From) / 2)
	band := site.BandAt(e.Point, middle.Time()).Band
	for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
		if !band.Has(l) {
			continue
		}
		if l.Above() {
			e.Above = e.Above || e.Max > band.Limits[l]
		} else {
			e.Below = e.Below || e.Min < band.Limits[l]
		}
	}
}

// forThePlace are the tasks that are done once for all animals of a place.
var forThePlace = []string{"mist", "change-water", "top-up", "drain", "clean-mister", "check-sensor"}

func tasks(f *Facts) []Task {
	list := []Task{}
	entries := cohort.InForce(f.Care)
	for _, home := range livingAt(f.Site, f.Now) {
		needs := careOf(f.Site, home, home.Stage)
		if needs == nil {
			continue
		}
		stay := task.Stay{Tasks: needs.Tasks, From: began(f.Site, home), To: instant.None}
		for _, s := range task.States(stay, doneFor(f.Site, home, entries), f.Now) {
			if s.Due.IsNone() {
				continue
			}
			t := Task{
				Do: s.Task.Do, Place: home.Place, Cohort: home.Cohort, Cohorts: []string{home.Cohort}, State: Later, Due: s.Due, Last: s.Last,
				EveryS: s.Task.Every.Seconds(), Turn: s.Turn, Note: s.Task.Note, Source: s.Task.Source,
			}
			switch {
			case s.IsOverdue(f.Now):
				t.State = Overdue
			case s.IsDue(f.Now):
				t.State = Due
			}
			list = add(list, t)
		}
	}
	order := []State{Overdue, Due, Later}
	slices.SortStableFunc(list, func(a, b Task) int {
		return cmp.Or(cmp.Compare(slices.Index(order, a.State), slices.Index(order, b.State)), cmp.Compare(a.Due, b.Due))
	})
	return list
}

// add puts a task into the list. What is done for the whole place is there once, as the animals need it that need it first.
func add(list []Task, t Task) []Task {
	if !slices.Contains(forThePlace, t.Do) {
		return append(list, t)
	}
	t.Cohort = ""
	for i := range list {
		if same := &list[i]; same.Do == t.Do && same.Place == t.Place && same.Cohort == "" {
			cohorts := append(slices.Clone(same.Cohorts), t.Cohorts...)
			if t.Due < same.Due {
				*same = t
			}
			same.Cohorts = cohorts
			return list
		}
	}
	return append(list, t)
}

// doneFor lists what was done for a cohort: for it, for the place in which it lived then, and for the place in which it lives now.
func doneFor(site *watch.Site, home *cohort.Interval, entries []cohort.Entry) (done []task.Done) {
	lived := func(id string, t instant.Instant) string {
		if at := cohort.At(site.Intervals, id, t); at != nil {
			return at.Place
		}
		return ""
	}
	for i := range entries {
		e := &entries[i]
		do, place := e.Task, e.Place
		switch e.Kind {
		case journal.Misting:
			do = "mist"
		case journal.CareDone:
		default:
			continue
		}
		shared := slices.Contains(forThePlace, do)
		if e.Cohort != "" && shared {
			place = lived(e.Cohort, e.Since)
		}
		there := place != "" && (place == lived(home.Cohort, e.Since) || place == home.Place && shared)
		if e.Cohort == home.Cohort || there && (e.Cohort == "" || shared) {
			done = append(done, task.Done{Do: do, At: e.Since})
		}
	}
	return done
}

// window says when the next stage of a cohort comes; false where the profile does not know.
func window(f *Facts, home *cohort.Interval) (Window, bool) {
	w := Window{
		Cohort: home.Cohort, Place: home.Place, Stage: home.Stage, Began: began(f.Site, home), Next: home.Stage + 1,
		Early: instant.None, Late: instant.None, ThenBy: instant.None,
	}
	late := home.Stage == care.Metamorph && f.Now.Sub(w.Began) > longClimax
	span, known := spanOf(f.Site, home)
	if !known {
		w.Overdue = late
		return w, late
	}
	days := f.Water[home.Cohort]
	ends := growth.Forecast(span, w.Began, days, sights(f.Site, home), f.Now)
	w.Early, w.Late, w.Measured = ends.Early, ends.Late, len(days) > 0
	w.Overdue = late || !w.Late.IsNone() && w.Late < f.Now
	if after := careOf(f.Site, home, w.Next); after != nil && w.Next < care.Adult && !w.Overdue {
		if span, known := growth.SpanOf(after); known {
			w.Then, w.ThenBy = w.Next+1, growth.Then(ends, span, days, f.Now).Early
		}
	}
	return w, true
}

// sights lists the Gosner stages that were seen of a cohort at its stage.
func sights(site *watch.Site, home *cohort.Interval) (seen []growth.Sight) {
	last := 0
	for _, stay := range cohort.Life(site.Intervals, home.Cohort) {
		if stay.Stage == home.Stage && stay.Gosner > 0 && stay.Gosner != last {
			seen = append(seen, growth.Sight{At: stay.From, Gosner: stay.Gosner})
		}
		last = stay.Gosner
	}
	return seen
}

// For returns how long the present stage has lasted.
func (w *Window) For(now instant.Instant) time.Duration { return now.Sub(w.Began) }

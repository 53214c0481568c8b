// Package compose makes the day of a keeper from the record. Nothing of it is stored and nothing of it is an alarm: what is late is said,
// no more. It is pure: [Stretches], [Measured] and [LastNight] say what has to be read from the history beforehand.
package compose

import (
	"cmp"
	"slices"

	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/growth"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/task"
	"dewline/internal/core/today"
	"dewline/internal/core/watch"
)

const (
	// longClimax is how long a metamorph may take before the animals should be looked at. Common practice, no published source.
	longClimax = 10 * day
)

// Day composes the day.
func Day(f *Facts) today.Today {
	t := today.Today{
		At: f.Now, OutOfBand: outOfBand(f.Points), Night: f.Night, Tasks: tasks(f), Windows: []today.Window{}, Calibration: []today.Calibration{},
		Missing: f.Missing,
	}
	t.Night.Extremes = slices.Clone(f.Night.Extremes)
	if t.Night.Extremes == nil {
		t.Night.Extremes = []today.Extreme{}
	}
	t.Night.Extremes = slices.DeleteFunc(t.Night.Extremes, func(e today.Extreme) bool { // of an empty place there is nothing to know
		return !judge(f.Site, &t.Night, &e) && len(f.Site.ResidentsAt(e.Point.Place, f.Now)) == 0
	})
	for i := range t.Night.Extremes {
		judge(f.Site, &t.Night, &t.Night.Extremes[i])
	}
	for _, home := range livingAt(f.Site, f.Now) {
		if w, ok := window(f, home); ok {
			t.Windows = append(t.Windows, w)
		}
	}
	for i := range f.Calibrations {
		if c := &f.Calibrations[i]; c.Overdue(f.Now) {
			t.Calibration = append(t.Calibration, today.Calibration{Sensor: c.Sensor, Channel: c.Channel, Last: c.At, Due: c.Due})
		}
	}
	slices.SortStableFunc(t.Calibration, func(a, b today.Calibration) int {
		return cmp.Or(cmp.Compare(a.Sensor, b.Sensor), cmp.Compare(a.Channel, b.Channel))
	})
	return t
}

func outOfBand(points []watch.PointState) []today.OutOfBand {
	list := []today.OutOfBand{}
	for i := range points {
		p := &points[i]
		unknown := p.Zone == watch.UnknownZone && p.Fed && !p.Point.Quantity.Derived()
		if !p.Zone.Outside() && !unknown {
			continue
		}
		out := today.OutOfBand{Point: p.Point, Zone: p.Zone.String(), Since: p.Since}
		if p.Since == 0 {
			out.Since = instant.None
		}
		if !unknown {
			out.Value = quantity.Known(p.Value)
		}
		for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
			if l.String() == out.Zone {
				out.Limit = quantity.Known(p.Band.Limits[l])
			}
		}
		list = append(list, out)
	}
	slices.SortStableFunc(list, func(a, b today.OutOfBand) int { return cmp.Compare(rank(a.Zone), rank(b.Zone)) })
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

// judge notes on an extreme whether it lies beyond the limits that held in the middle of the night, and reports whether there were any.
func judge(site *watch.Site, night *today.Night, e *today.Extreme) (judged bool) {
	middle := night.From.Add(night.To.Sub(night.From) / 2)
	band := site.BandAt(e.Point, middle.Time()).Band
	for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
		if !band.Has(l) {
			continue
		}
		judged = true
		if l.Above() {
			e.Above = e.Above || e.Max > band.Limits[l]
		} else {
			e.Below = e.Below || e.Min < band.Limits[l]
		}
	}
	return judged
}

// forThePlace are the tasks that are done once for all animals of a place.
var forThePlace = []string{"mist", "change-water", "top-up", "drain", "clean-mister", "check-sensor"}

func tasks(f *Facts) []today.Task {
	list := []today.Task{}
	entries := cohort.InForce(f.Care)
	since := keptSince(entries, f.Now)
	for _, home := range livingAt(f.Site, f.Now) {
		needs := careOf(f.Site, home, home.Stage)
		if needs == nil {
			continue
		}
		stay := task.Stay{Tasks: needs.Tasks, From: Began(f.Site, home), To: instant.None}
		for _, s := range task.States(stay, DoneFor(f.Site, home, entries), f.Now) {
			if s.Due.IsNone() {
				continue
			}
			if s.Last.IsNone() && cohort.Configured(home.StageBy.ID) {
				s.Due = max(s.Due, since)
			}
			t := today.Task{
				Do: s.Task.Do, Place: home.Place, Cohort: home.Cohort, Cohorts: []string{home.Cohort}, State: today.Later, Due: s.Due, Last: s.Last,
				EveryS: s.Task.Every.Seconds(), Turn: s.Turn, Note: s.Task.Note, Source: s.Task.Source,
			}
			switch {
			case s.IsOverdue(f.Now):
				t.State = today.Overdue
			case s.IsDue(f.Now):
				t.State = today.Due
			}
			list = add(list, t)
		}
	}
	order := []today.State{today.Overdue, today.Due, today.Later}
	slices.SortStableFunc(list, func(a, b today.Task) int {
		return cmp.Or(cmp.Compare(slices.Index(order, a.State), slices.Index(order, b.State)), cmp.Compare(a.Due, b.Due))
	})
	return list
}

// keptSince returns since when what is done is written down here; now where that has not begun. What a configuration says of animals may
// have begun long before, and what was done for them by then is not known: it is not overdue.
func keptSince(entries []cohort.Entry, now instant.Instant) instant.Instant {
	since := now
	for i := range entries {
		if entries[i].Kind == journal.CareDone {
			since = min(since, entries[i].Since)
		}
	}
	return since
}

// add puts a task into the list. What is done for the whole place is there once, as the animals need it that need it first.
func add(list []today.Task, t today.Task) []today.Task {
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

// DoneFor lists what was done for a cohort: for it, for the place in which it lived then, and for the place in which it lives now.
func DoneFor(site *watch.Site, home *cohort.Interval, entries []cohort.Entry) (done []task.Done) {
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
func window(f *Facts, home *cohort.Interval) (today.Window, bool) {
	w := today.Window{
		Cohort: home.Cohort, Place: home.Place, Stage: home.Stage, Began: Began(f.Site, home), Next: home.Stage + 1,
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

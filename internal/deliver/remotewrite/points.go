package remotewrite

import (
	"context"
	"fmt"
	"iter"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/metricname"
	"dewline/internal/store"
)

// readings is where the readings of a point come from, in the order of their times.
type readings interface {
	Readings(ctx context.Context, p quantity.Point, from, to instant.Instant) iter.Seq2[store.Sample, error]
}

// pointMinute is a minute of a point to which nothing can be added any more.
type pointMinute struct {
	samples []Sample                       // the usable readings, in the base unit of the metric
	zones   [watch.ZoneCount]time.Duration // time of this minute in each zone
}

// span is what is asked of a point: whole minutes from from on, before to, in milliseconds.
type span struct {
	from, to  int64
	committed int64         // everything up to here is in the file
	gap       time.Duration // of the point
}

// minutesOf returns the minutes of a point in a span, as far as nothing can be added to them any more. The zones are counted as the core
// counts them live, by a core of its own over the same readings.
func minutesOf(ctx context.Context, from readings, site *watch.Site, point quantity.Point, s span) ([]pointMinute, error) {
	narrow := watch.Site{
		ID: site.ID, Location: site.Location, Light: site.Light, Places: site.Places, Profiles: site.Profiles, Intervals: site.Intervals,
		Cohorts: site.Cohorts, Points: []watch.Point{{Point: point, Gap: s.gap}},
	}
	core := watch.New(narrow, "export")
	index, _ := core.Index(point)
	begin := fromMillis(s.from).Add(-s.gap)
	core.Step(watch.Event{Kind: watch.StartEvent, At: begin}, nil)
	for at := s.from; at <= s.to; at += minute {
		core.Step(watch.Event{Kind: watch.CutEvent, At: fromMillis(at)}, nil)
	}
	minutes := make([]pointMinute, (s.to-s.from)/minute)
	effects := []watch.Effect(nil)
	take := func() {
		for _, e := range effects {
			if l := e.Ledger; e.Kind == watch.LedgerClosed && e.Point == index && millis(l.From) >= s.from && millis(l.To) <= s.to {
				for zone, took := range l.InZone {
					minutes[(millis(l.From)-s.from)/minute].zones[zone] += took
				}
			}
		}
		effects = effects[:0]
	}
	base, last, sent := metricname.ByUnit[point.Quantity.Unit()], begin, s.from-1
	for r, err := range from.Readings(ctx, point, begin, fromMillis(s.to).Add(s.gap)) {
		if err != nil {
			return nil, fmt.Errorf("reading the history: %w", err)
		}
		if at := millis(r.At); r.Flag.Usable() && at <= s.committed {
			effects = core.Step(watch.Event{Kind: watch.ReadingEvent, Point: index, At: r.At, Value: r.Value, Flag: r.Flag}, effects)
			take()
			last = max(last, r.At)
			if at > sent && at < s.to { // a series has one value at a time
				minutes[(at-s.from)/minute].samples = append(minutes[(at-s.from)/minute].samples, Sample{at, base.Value(r.Value)})
				sent = at
			}
		}
	}
	effects = core.Finish(max(last, fromMillis(s.to)), effects)
	take()
	done := s.from
	for done < s.to && (millis(last) >= done+minute || done+minute+s.gap.Milliseconds() <= s.committed) {
		done += minute
	}
	return minutes[:(done-s.from)/minute], nil
}

// series makes the series of a minute that begins at a time, and adds its zones to those of the point.
func (m *pointMinute) series(site string, point quantity.Point, at int64, of *pointProgress, zones bool) []Series {
	var list []Series
	place, name := Label{"place", point.Place}, Label{"quantity", point.Quantity.String()}
	if len(m.samples) > 0 {
		list = append(list, Series{
			Labels:  []Label{{"__name__", metricname.ByUnit[point.Quantity.Unit()].Reading()}, place, name, {"site", site}},
			Samples: m.samples,
		})
	}
	for _, zone := range watch.Zones() {
		before := of.Zones[zone]
		of.Zones[zone] += m.zones[zone]
		if !zones || of.Zones[zone] == 0 {
			continue
		}
		s := Series{
			Labels: []Label{{"__name__", metricname.ZoneSeconds}, place, name, {"site", site}, {"zone", zone.String()}}, Counter: true,
		}
		if before == 0 { // so that the first increase is seen as one
			s.Samples = append(s.Samples, Sample{at, 0})
		}
		s.Samples = append(s.Samples, Sample{at + minute, float64(of.Zones[zone].Round(time.Millisecond).Milliseconds()) / 1000})
		list = append(list, s)
	}
	return list
}

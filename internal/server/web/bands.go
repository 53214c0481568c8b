package web

import (
	"context"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// BandSpan is a stretch of time in which one band was in force for a point.
type BandSpan struct {
	From, To instant.Instant
	Band     care.Band
	Day      bool
	Cohort   string
	Stage    care.Stage
}

// bandsOf returns the bands of a point as they were.
func (s *site) bandsOf(ctx context.Context, point quantity.Point, from, to instant.Instant) ([]BandSpan, error) {
	if s.Bands != nil {
		return s.Bands(ctx, point, from, to)
	}
	if s.Site == nil {
		return nil, nil
	}
	sets, err := s.stageSets(ctx, to)
	if err != nil {
		return nil, err
	}
	return bandsOver(s.Site(), sets, point, from, to), nil
}

const maxStageSets = 2000

// stageSets returns the stage changes by command before a time, oldest first.
func (s *site) stageSets(ctx context.Context, before instant.Instant) ([]journal.Entry, error) {
	if s.History == nil {
		return nil, nil
	}
	sets, err := s.History.Journal(ctx, JournalFilter{To: before, Kinds: []journal.Kind{journal.StageSet}, Limit: maxStageSets})
	slices.Reverse(sets)
	return sets, err
}

// bandsOver walks from one change of the band to the next: light, the configured timeline, and stage changes by command. A
// stage that was said to have begun earlier counts from the time at which that was said: what was judged before stays.
func bandsOver(site *watch.Site, sets []journal.Entry, point quantity.Point, from, to instant.Instant) []BandSpan {
	edges := []instant.Instant{}
	edge := func(at instant.Instant) {
		if at > from && at < to {
			edges = append(edges, at)
		}
	}
	for at := site.Light.NextSwitch(from.Time()); !at.IsZero() && instant.Of(at) < to; at = site.Light.NextSwitch(at) {
		edge(instant.Of(at))
	}
	for i := range site.Cohorts {
		if site.Cohorts[i].Place == point.Place {
			for _, entry := range site.Cohorts[i].Stages {
				edge(instant.Of(entry.At))
			}
		}
	}
	for i := range sets {
		edge(sets[i].At)
		if sets[i].Since != nil {
			edge(*sets[i].Since)
		}
	}
	edges = append(edges, to)
	slices.Sort(edges)

	var spans []BandSpan
	for _, next := range slices.Compact(edges) {
		span := bandAt(site, sets, point, from)
		span.From, span.To = from, next
		if n := len(spans); n > 0 && sameBand(&spans[n-1], &span) {
			spans[n-1].To = next
		} else {
			spans = append(spans, span)
		}
		from = next
	}
	return spans
}

// bandAt returns the band in force at a time, with the stages that were known then.
func bandAt(site *watch.Site, sets []journal.Entry, point quantity.Point, at instant.Instant) BandSpan {
	then := *site
	then.Cohorts = slices.Clone(site.Cohorts)
	for i := range then.Cohorts {
		then.Cohorts[i].Stages = timelineAt(&site.Cohorts[i], sets, at)
	}
	holding := then.BandAt(point, at.Time())
	return BandSpan{Band: holding.Band, Day: holding.Day, Cohort: holding.Cohort, Stage: holding.Stage}
}

// timelineAt returns the stages of a cohort as far as they were known at a time.
func timelineAt(c *watch.Cohort, sets []journal.Entry, at instant.Instant) []care.Since {
	timeline := c.Stages
	for i := range sets {
		e := &sets[i]
		to, err := care.Parse(e.Stage)
		if e.At > at || e.Cohort != c.ID || err != nil {
			continue
		}
		since := e.At
		if e.Since != nil {
			since = *e.Since
		}
		timeline = slices.DeleteFunc(slices.Clone(timeline), func(s care.Since) bool { return s.At.Equal(since.Time()) })
		timeline = append(timeline, care.Since{Stage: to, At: since.Time()})
		slices.SortStableFunc(timeline, func(a, b care.Since) int { return a.At.Compare(b.At) })
	}
	return timeline
}

func sameBand(a, b *BandSpan) bool {
	if a.Cohort != b.Cohort || a.Stage != b.Stage {
		return false
	}
	for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
		if a.Band.Has(l) != b.Band.Has(l) || a.Band.Has(l) && a.Band.Limits[l] != b.Band.Limits[l] {
			return false
		}
	}
	return true
}

// lightSpans returns the light hours that touch a range; none where the light never changes.
func lightSpans(light *care.Light, from, to instant.Instant) [][2]instant.Instant {
	spans := [][2]instant.Instant{}
	day, since := light.IsDay(from.Time()), from
	for at := light.NextSwitch(from.Time()); !at.IsZero(); at = light.NextSwitch(at) {
		edge := min(instant.Of(at), to)
		if day {
			spans = append(spans, [2]instant.Instant{since, edge})
		}
		if edge == to {
			return spans
		}
		day, since = !day, edge
	}
	return spans
}

// maxWithLight is the longest range for which light hours are drawn one by one.
const maxWithLight = 40 * 24 * time.Hour

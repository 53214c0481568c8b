package web

import (
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
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

// bandsOver returns the bands of a point as they were. It walks from one change of the band to the next: light, and what the animals' record says, by the time from which on it
// counts.
func bandsOver(site *watch.Site, point quantity.Point, from, to instant.Instant) []BandSpan {
	edges := []instant.Instant{}
	edge := func(at instant.Instant) {
		if at > from && at < to {
			edges = append(edges, at)
		}
	}
	for at := site.Light.NextSwitch(from.Time()); !at.IsZero() && instant.Of(at) < to; at = site.Light.NextSwitch(at) {
		edge(instant.Of(at))
	}
	for i := range site.Intervals {
		if n := &site.Intervals[i]; n.Place == point.Place {
			edge(n.From)
			edge(n.To)
		}
	}
	edges = append(edges, to)
	slices.Sort(edges)

	var spans []BandSpan
	for _, next := range slices.Compact(edges) {
		holding := site.BandAt(point, from.Time())
		span := BandSpan{From: from, To: next, Band: holding.Band, Day: holding.Day, Cohort: holding.Cohort, Stage: holding.Stage}
		if n := len(spans); n > 0 && sameBand(&spans[n-1], &span) {
			spans[n-1].To = next
		} else {
			spans = append(spans, span)
		}
		from = next
	}
	return spans
}

func sameBand(a, b *BandSpan) bool {
	return a.Cohort == b.Cohort && a.Stage == b.Stage && a.Band.SameLimits(&b.Band)
}

// lightSpans returns the light hours that touch a range; none where the light never changes.
func lightSpans(light *care.Light, from, to instant.Instant) []SpanJSON {
	spans := []SpanJSON{}
	day, since := light.IsDay(from.Time()), from
	for at := light.NextSwitch(from.Time()); !at.IsZero(); at = light.NextSwitch(at) {
		edge := min(instant.Of(at), to)
		if day {
			spans = append(spans, SpanJSON{since, edge})
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

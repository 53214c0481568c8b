package assemble

import (
	"fmt"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/intake"
	"dewline/internal/core/quality"
	"dewline/internal/core/quantity"
	"dewline/sensors"
)

// unknownPart is what is believed of a part of which nothing is known: what lies outside cannot be the air or the water of a room, so it
// is a wrong unit or a broken part (engineering judgement; humidity up to 120 since sensors overshoot).
var unknownPart = sensors.Description{Measures: []sensors.Measure{
	{Channel: sensors.Temperature, Low: -60, High: 150},
	{Channel: sensors.Humidity, Low: 0, High: 120},
	{Channel: sensors.Pressure, Low: 30e3, High: 120e3},
}}

// RecordSources returns the sources by which recorded values of points are judged, one for each point and named like it. A point that
// one sensor feeds is judged as its channel is; one that several feed by the widest of their ranges and the longest of their gaps,
// since a record does not say which of them was heard; one that none feeds by the defaults of its quantity. Derived points have no
// source. A gap that is not 0 goes before those of the sensors. Descriptions are as in [Line].
func RecordSources(s *config.Site, descriptions map[string]*sensors.Description, points []quantity.Point, gap time.Duration) ([]intake.Source, error) {
	var sources []intake.Source
	for _, point := range points {
		var channel sensors.Channel
		for _, m := range unknownPart.Measures {
			if m.Channel.Unit() == point.Quantity.Unit().Symbol() {
				channel = m.Channel
			}
		}
		if channel == "" || point.Quantity.Derived() {
			continue
		}
		source := intake.Source{ID: point.String(), Gap: gap, Description: unknownPart}
		feeders := 0
		for i := range s.Sensors {
			c := &s.Sensors[i]
			part := &unknownPart
			if d := descriptions[c.ID]; d != nil {
				part = d
			}
			fed, err := feeds(c, part)
			if err != nil {
				return nil, fmt.Errorf("sensor %s: %w", c.ID, err)
			}
			for _, f := range fed {
				if f.Point != point {
					continue
				}
				if gap == 0 {
					source.Gap = max(source.Gap, c.GapOrDefault())
				}
				if feeders++; feeders == 1 {
					source.Feeds, source.Description = []intake.Feed{f}, *part
				} else {
					widen(&source, f, part)
				}
			}
		}
		if feeders == 0 {
			source.Feeds = []intake.Feed{{Channel: channel, Point: point}}
		}
		sources = append(sources, source)
	}
	return sources, nil
}

// widen lets a source believe what another sensor of its point may give as well. Each corrects what it measures, so the ranges are
// compared as corrected, and the source has no calibration.
func widen(source *intake.Source, other intake.Feed, part *sensors.Description) {
	first := &source.Feeds[0]
	tests := func(f *intake.Feed, part *sensors.Description) quality.Tests {
		measure, _ := part.MeasureOf(f.Channel)
		possible := quality.Range{Low: f.Calibration.Apply(measure.Low), High: f.Calibration.Apply(measure.High)}
		t := quality.Defaults(f.Point.Quantity, possible, measure.Resolution)
		if f.Tests != nil {
			t = *f.Tests
			t.Possible = possible
		}
		return t
	}
	a, b := tests(first, &source.Description), tests(&other, part)
	union := func(x, y quality.Range) quality.Range {
		return quality.Range{Low: min(x.Low, y.Low), High: max(x.High, y.High)}
	}
	a.Possible, a.Expected = union(a.Possible, b.Possible), union(a.Expected, b.Expected)
	if b.Stuck != nil && a.Stuck != nil && (b.Stuck.Fail == 0 || a.Stuck.Fail == 0) { // one of them repeats itself in health
		a.Stuck, a.Calm = &quality.Stuck{Suspect: max(a.Stuck.Suspect, b.Stuck.Suspect)}, nil
	}
	first.Calibration, first.Tests = nil, &a
	source.Description = sensors.Description{}
}

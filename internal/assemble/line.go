// Package assemble makes from a configuration what the program runs on: the line from its sensors to its points.
package assemble

import (
	"fmt"
	"maps"
	"slices"

	"dewline/internal/config"
	"dewline/internal/core/intake"
	"dewline/internal/core/quality"
	"dewline/internal/core/quantity"
	"dewline/sensors"
)

// Line returns the line from the sensors of a site to its points. The descriptions say what the parts of the sensors are, by the
// sensor's id; nothing is known of a part that they leave out. The error names the sensor whose calibration or feeds cannot be used.
func Line(s *config.Site, descriptions map[string]*sensors.Description) (*intake.Line, error) {
	var sources []intake.Source
	for i := range s.Sensors {
		c := &s.Sensors[i]
		source := intake.Source{ID: c.ID, Gap: c.GapOrDefault()}
		if d := descriptions[c.ID]; d != nil {
			source.Description = *d
		}
		var err error
		if source.Feeds, err = feeds(c, &source.Description); err != nil {
			return nil, fmt.Errorf("sensor %s: %w", c.ID, err)
		}
		sources = append(sources, source)
	}
	return intake.NewLine(sources, disagreements(s))
}

// feeds returns what a sensor feeds and how its values are corrected and judged.
func feeds(s *config.SensorConfig, part *sensors.Description) ([]intake.Feed, error) {
	var list []intake.Feed
	for _, channel := range slices.Sorted(maps.Keys(s.Feeds)) {
		point := s.Feeds[channel]
		calibration, err := s.CalibrationOf(channel)
		if err != nil {
			return nil, err
		}
		feed := intake.Feed{Channel: channel, Point: point, Calibration: calibration}
		if believed, ok := s.Range[channel]; ok {
			measure, _ := part.MeasureOf(channel)
			tests := quality.Defaults(point.Quantity, quality.Range{Low: measure.Low, High: measure.High}, measure.Resolution)
			tests.Expected = quality.Range{Low: believed.Low, High: believed.High}
			feed.Tests = &tests
		}
		list = append(list, feed)
	}
	return list, nil
}

// disagreements gathers how far the sensors of a point may differ: the narrowest of what they say.
func disagreements(s *config.Site) map[quantity.Point]float64 {
	limits := map[quantity.Point]float64{}
	for i := range s.Sensors {
		for channel, limit := range s.Sensors[i].Disagree {
			point := s.Sensors[i].Feeds[channel]
			if known, ok := limits[point]; !ok || limit < known {
				limits[point] = limit
			}
		}
	}
	return limits
}

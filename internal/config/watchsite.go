package config

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quality"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/sensors"
)

// recovery is how long a sensor must have answered well before its fault is over. A bad contact or a noisy bus lets reads through
// between its failures; in ten minutes hardly any does that. Engineering judgement, no published source.
const recovery = 10 * time.Minute

// WatchSite returns what the core must know of the site. Points are those that sensors feed, in the order of the sensors;
// a site without sensors has none, and whoever feeds it from a file adds them. Bands are as given: delays and deadbands
// that are not given are the core's to fill in.
func (s *Site) WatchSite() watch.Site {
	location := s.Location
	if location == nil {
		location = time.UTC
	}
	site := watch.Site{
		ID:       s.ID,
		Location: location,
		Light:    s.Light,
		Profiles: maps.Clone(s.Profiles),
	}
	if site.Light.Location == nil {
		site.Light.Location = location
	}
	if site.Profiles == nil {
		site.Profiles = map[string]*care.Profile{}
	}
	for _, place := range s.Places {
		site.Places = append(site.Places, watch.Place{
			ID: place.ID, Room: place.Room, In: place.In, Bands: maps.Clone(place.Bands), Latch: place.Latch,
		})
	}
	for _, cohort := range s.Cohorts {
		site.Cohorts = append(site.Cohorts, watch.Cohort{
			ID: cohort.ID, Profile: cohort.Profile, Place: cohort.Place, Stages: slices.Clone(cohort.Stages),
		})
	}
	known := map[quantity.Point]int{}
	for i := range s.Sensors {
		sensor := &s.Sensors[i]
		made := watch.SensorFeeds{ID: sensor.ID, FaultAfter: sensor.FaultAfter(), Recovery: recovery}
		for _, channel := range slices.Sorted(maps.Keys(sensor.Feeds)) {
			point := sensor.Feeds[channel]
			made.Channels = append(made.Channels, watch.Channel{Name: string(channel), Feeds: point})
			at, fed := known[point]
			if !fed {
				at = len(site.Points)
				known[point] = at
				site.Points = append(site.Points, watch.Point{Point: point})
			}
			// Of several sensors the slowest and the least accurate one set what can be expected of the point.
			merged := &site.Points[at]
			merged.Gap = max(merged.Gap, sensor.GapOrDefault())
			merged.StaleAfter = max(merged.StaleAfter, sensor.StaleAfterOrDefault())
			merged.Accuracy = max(merged.Accuracy, sensor.AccuracyOf(channel))
		}
		site.Sensors = append(site.Sensors, made)
	}
	return site.WithRecord(nil)
}

// AccuracyOf returns the expanded uncertainty (k = 2) of a channel in the unit of a difference: that of its calibration,
// else the one given, else that of the data sheet; 0 where none is known.
func (s *SensorConfig) AccuracyOf(channel sensors.Channel) float64 {
	if s.Calibration != nil && s.Calibration.Channels[channel].Uncertainty > 0 {
		return s.Calibration.Channels[channel].Uncertainty
	}
	return s.Accuracy[channel]
}

// CalibrationOf returns the calibration of a channel, and nil where it has none. The error tells why a correction is not
// to be believed; a site that was loaded without errors has none of those.
func (s *SensorConfig) CalibrationOf(channel sensors.Channel) (*quality.Calibration, error) {
	if s.Calibration == nil {
		return nil, nil
	}
	correction, ok := s.Calibration.Channels[channel]
	if !ok {
		return nil, nil
	}
	q := quantityOf(channel)
	if point, fed := s.Feeds[channel]; fed && point.Quantity.Unit() == q.Unit() {
		q = point.Quantity
	}
	var at instant.Instant
	if !s.Calibration.Date.IsZero() {
		at = instant.Of(s.Calibration.Date)
	}
	uncertainty := s.AccuracyOf(channel)
	compare := func(fix Fix) quality.Comparison {
		return quality.Comparison{Measured: fix.Measured, Reference: fix.Reference, ReferenceUncertainty: uncertainty}
	}
	switch len(correction.Points) {
	case 0:
		calibration, err := quality.OnePoint(q, at, quality.Comparison{Reference: correction.Offset, ReferenceUncertainty: uncertainty})
		if err != nil {
			return nil, err
		}
		calibration.Points, calibration.GainUncertainty = nil, 0 // nobody said where the offset was found
		return calibration, nil
	case 1:
		return quality.OnePoint(q, at, compare(correction.Points[0]))
	case 2:
		return quality.TwoPoint(q, at, compare(correction.Points[0]), compare(correction.Points[1]))
	}
	return nil, fmt.Errorf("calibrating %s: %d points are given, and a straight line takes one or two: the two that lie farthest apart will do", q, len(correction.Points))
}

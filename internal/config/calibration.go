package config

import (
	"dewline/internal/core/instant"
	"dewline/internal/core/quality"
	"dewline/sensors"
)

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
	if !correction.Date.IsZero() {
		at = instant.Of(correction.Date)
	}
	uncertainty := s.AccuracyOf(channel)
	points := each(correction.Points, func(fix Fix) quality.Comparison {
		return quality.Comparison{Measured: fix.Measured, Reference: fix.Reference, ReferenceUncertainty: uncertainty}
	})
	return quality.FromPoints(q, at, quality.Comparison{Reference: correction.Offset, ReferenceUncertainty: uncertainty}, points)
}

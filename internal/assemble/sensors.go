package assemble

import (
	"cmp"
	"maps"
	"slices"

	"dewline/internal/config"
	"dewline/internal/core/calibration"
	"dewline/internal/core/quality"
)

// seeds returns what the configuration says of the calibration of each channel that feeds a point.
func seeds(s *config.Site) (list []calibration.Seed) {
	for i := range s.Sensors {
		sensor := &s.Sensors[i]
		for _, channel := range slices.Sorted(maps.Keys(sensor.Feeds)) {
			made, err := sensor.CalibrationOf(channel)
			if err != nil { // a site that was loaded has none of those
				made = nil
			}
			seed := calibration.Seed{
				Sensor: sensor.ID, Channel: string(channel), Point: sensor.Feeds[channel], Part: part(sensor), Accuracy: sensor.Accuracy[channel],
				Every: cmp.Or(sensor.CalibrateEvery, quality.CalibrateEvery), Calibration: made,
			}
			if sensor.Calibration != nil {
				seed.Uncertainty = sensor.Calibration.Channels[channel].Uncertainty
			}
			list = append(list, seed)
		}
	}
	return list
}

// part says which part a sensor is, as far as the configuration does: a probe of 1-Wire has an address that no other one has, whichever
// driver reads it; of all others only the driver is known, and an exchange for a part of the same kind does not show.
func part(s *config.SensorConfig) string {
	if s.Driver == "w1" || s.Driver == "ds248x" {
		return s.Address
	}
	return s.Driver
}

package report

import (
	"slices"

	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/format/exposure"
	"dewline/sensors"
)

// Channel is what the configuration says of the channel of a sensor that feeds a point of the report.
type Channel struct {
	Sensor      string           `json:"sensor"`
	Driver      string           `json:"driver"`
	Channel     sensors.Channel  `json:"channel"`
	Point       quantity.Point   `json:"point"`
	Uncertainty *exposure.Number `json:"uncertainty"` // k = 2, in the unit of a difference; null where it is not known
	Method      string           `json:"method"`      // "none", "offset", "one point" or "two points"
	Calibrated  instant.Instant  `json:"calibrated"`  // null where there is no date
	Due         bool             `json:"due"`         // the calibration is older than 12 months at the end of the range
}

// sensors lists the channels that feed the points of the report.
func (s *subject) sensors(points []Point) ([]Channel, error) {
	list := []Channel{}
	for i := range points {
		for k := range s.Site.Sensors {
			for _, channel := range channelsOf(&s.Site.Sensors[k], points[i].Point) {
				one, err := s.sensor(&s.Site.Sensors[k], channel, points[i].Point)
				if err != nil {
					return nil, err
				}
				list = append(list, one)
			}
		}
	}
	return list, nil
}

// channelsOf returns the channels of a sensor that feed a point, in the order of their names.
func channelsOf(of *config.SensorConfig, p quantity.Point) (channels []sensors.Channel) {
	for channel, fed := range of.Feeds {
		if fed == p {
			channels = append(channels, channel)
		}
	}
	slices.Sort(channels)
	return channels
}

func (s *subject) sensor(of *config.SensorConfig, channel sensors.Channel, p quantity.Point) (Channel, error) {
	made := Channel{Sensor: of.ID, Driver: of.Driver, Channel: channel, Point: p, Method: "none", Calibrated: instant.None}
	if accuracy := of.AccuracyOf(channel); accuracy > 0 {
		made.Uncertainty = exposure.NumberOf(accuracy)
	}
	calibration, err := of.CalibrationOf(channel)
	if err != nil || calibration == nil {
		return made, err
	}
	made.Method = [...]string{"offset", "one point", "two points"}[min(len(of.Calibration.Channels[channel].Points), 2)]
	made.Calibrated, made.Due = orNone(calibration.At), calibration.Due(s.To)
	return made, nil
}

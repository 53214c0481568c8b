package report

import (
	"cmp"
	"slices"

	"dewline/internal/config"
	"dewline/internal/core/calibration"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/format/exposure"
	"dewline/sensors"
)

// Channel is a channel of a sensor that feeds a point of the report, with the calibration that was in force at the end of the range.
type Channel struct {
	Sensor      string             `json:"sensor"`
	Driver      string             `json:"driver"`
	Channel     sensors.Channel    `json:"channel"`
	Point       quantity.Point     `json:"point"`
	Uncertainty *exposure.Number   `json:"uncertainty"` // k = 2, in the unit of a difference; null where it is not known
	Method      string             `json:"method"`      // "none", of the configuration "offset", "one point" or "two points", else what it was compared with
	Origin      calibration.Origin `json:"origin"`      // "configuration", "journal" or ""
	Correction  *exposure.Number   `json:"correction"`  // what was added where it was compared, in the unit of a difference; null for none
	Calibrated  instant.Instant    `json:"calibrated"`  // null where there is no date
	Due         bool               `json:"due"`         // the next calibration was due at the end of the range
	Drift       *exposure.Number   `json:"drift"`       // how much more it read than at the calibration before; null where there is no other
}

// Replacement is the exchange of a sensor for another one. The points go on.
type Replacement struct {
	At     instant.Instant `json:"at"`
	Sensor string          `json:"sensor"`
	Text   string          `json:"text"`
}

// replacements lists the sensors of the report that were replaced within its range.
func (s *subject) replacements(entries []*journal.Entry, channels []Channel) []Replacement {
	list := []Replacement{}
	withdrawn := map[string]bool{}
	for _, e := range entries {
		if e.Corrects != "" {
			withdrawn[e.Corrects] = true
		}
	}
	for _, e := range entries {
		about := slices.ContainsFunc(channels, func(c Channel) bool {
			return c.Sensor == e.Sensor && (e.Kind == journal.SensorReplaced || c.Point.Place == e.Place)
		})
		at := e.At
		if e.Since != nil {
			at = *e.Since
		}
		if e.Kind != journal.SensorReplaced && e.Kind != journal.SensorAssigned || !about || withdrawn[e.ID()] || at < s.From || at > s.To {
			continue
		}
		text := cmp.Or(e.Text, e.Sensor+" was replaced")
		list = append(list, Replacement{At: at, Sensor: e.Sensor, Text: text})
	}
	slices.SortStableFunc(list, func(a, b Replacement) int { return cmp.Compare(a.At, b.At) })
	return list
}

// sensors lists the channels that feed the points of the report.
func (s *subject) sensors(points []Point, entries []*journal.Entry) []Channel {
	list := []Channel{}
	record := calibration.Record{Seeds: s.watched.Calibrations, Entries: calibration.Read(entries)}
	states := record.States(s.To)
	for i := range points {
		for k := range s.Site.Sensors {
			for _, channel := range channelsOf(&s.Site.Sensors[k], points[i].Point) {
				list = append(list, s.sensor(&s.Site.Sensors[k], channel, points[i].Point, states))
			}
		}
	}
	return list
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

func (s *subject) sensor(of *config.SensorConfig, channel sensors.Channel, p quantity.Point, states []calibration.State) Channel {
	made := Channel{Sensor: of.ID, Driver: of.Driver, Channel: channel, Point: p, Method: "none", Calibrated: instant.None}
	for i := range states {
		c := &states[i]
		if c.Sensor != of.ID || c.Channel != string(channel) {
			continue
		}
		if c.Uncertainty > 0 {
			made.Uncertainty = exposure.NumberOf(c.Uncertainty)
		}
		if c.Origin != calibration.None {
			made.Method, made.Origin, made.Calibrated, made.Due = c.Method, c.Origin, c.At, c.Overdue(s.To)
			made.Correction = exposure.NumberOf(c.Correction())
		}
		if c.Drift != nil {
			made.Drift = exposure.NumberOf(c.Drift.Of)
		}
	}
	return made
}

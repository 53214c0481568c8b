package trial

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"time"

	"dewline/configs"
	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/core/intake"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/sensors"
)

//go:embed loft.yaml
var files embed.FS

// both is two file systems in one: what the first does not have, the second may.
type both struct{ first, second fs.FS }

func (b both) Open(name string) (fs.File, error) {
	file, err := b.first.Open(name)
	if errors.Is(err, fs.ErrNotExist) {
		return b.second.Open(name)
	}
	return file, err
}

// setting is what is the same in every room-year: the site, its points and its sensors.
type setting struct {
	config *config.Site
	watch  watch.Site
	points []pointOf // the measured ones in the order of the core, then the derived ones
	order  map[quantity.Point]int
	parts  []part // one for each sensor
}

// pointOf is a point of the site.
type pointOf struct {
	name     quantity.Point
	accuracy float64 // as the configuration or the data sheet states it, k = 2; 0 for a derived point
	sensors  []int   // that feed it
	room     int     // the point of the room's air temperature, for an enclosure's temperature; else −1
	inputs   [2]int  // of a derived point: air temperature and humidity; else −1
}

// part is a sensor as its maker describes it.
type part struct {
	id       string
	oneWire  bool
	misted   bool // it hangs where a mister wets it
	channels []channel
	feeds    []int // point of each channel
}

// channel is a channel of a part: range, step and accuracy of its data sheet, as the drivers state them.
type channel struct {
	sensors.Measure
	noise float64       // standard deviation; invented, that of the demo
	lag   time.Duration // in which 63 % of a change is seen; invented
}

// loadSetting reads the site that is compiled in.
func loadSetting() (*setting, error) {
	site, problems := config.LoadFS(both{files, configs.Files}, "loft.yaml")
	if err := problems.Err(); err != nil {
		return nil, fmt.Errorf("the room of the proving ground: %w", err)
	}
	return newSetting(site)
}

// newSetting arranges a site for the proving ground.
func newSetting(site *config.Site) (*setting, error) {
	s := &setting{config: site, watch: assemble.Site(site), order: map[quantity.Point]int{}}
	for _, p := range s.watch.Points {
		s.order[p.Point] = len(s.points)
		s.points = append(s.points, pointOf{name: p.Point, accuracy: p.Accuracy, room: -1, inputs: [2]int{-1, -1}})
	}
	s.addDeficits()
	for i := range site.Sensors {
		made, err := newPart(&site.Sensors[i])
		if err != nil {
			return nil, err
		}
		for _, c := range made.channels {
			at := s.order[site.Sensors[i].Feeds[c.Channel]]
			made.feeds = append(made.feeds, at)
			made.misted = made.misted || slices.Contains(vivaria, s.points[at].name.Place)
			s.points[at].sensors = append(s.points[at].sensors, i)
		}
		s.parts = append(s.parts, made)
	}
	for i := range s.points {
		p := &s.points[i]
		for _, place := range site.Places {
			if place.ID != p.name.Place || place.In == "" || !p.name.Quantity.IsTemperature() {
				continue
			}
			if air, ok := s.order[quantity.Point{Place: place.In, Quantity: quantity.AirTemperature}]; ok {
				p.room = air
			}
		}
	}
	return s, nil
}

// addDeficits adds the vapour-pressure deficit of each place, the one derived quantity for which the profile has bands.
func (s *setting) addDeficits() {
	for i := range s.points {
		p := s.points[i].name
		if p.Quantity != quantity.AirTemperature {
			continue
		}
		humidity, ok := s.order[quantity.Point{Place: p.Place, Quantity: quantity.RelativeHumidity}]
		if !ok {
			continue
		}
		derived := quantity.Point{Place: p.Place, Quantity: quantity.VapourPressureDeficit}
		s.order[derived] = len(s.points)
		s.points = append(s.points, pointOf{name: derived, room: -1, inputs: [2]int{i, humidity}})
	}
}

// newPart describes the part of a sensor. Ranges and steps are those of the drivers sht4x, bme280 and w1, accuracies those
// of the configuration.
func newPart(c *config.SensorConfig) (part, error) {
	p := part{id: c.ID, oneWire: c.Driver == "w1"}
	for _, name := range slices.Sorted(maps.Keys(c.Feeds)) {
		made := channel{Measure: sensors.Measure{Channel: name, Accuracy: c.AccuracyOf(name), Low: -40, High: 125, Resolution: 0.01}, noise: 0.03, lag: time.Minute}
		switch {
		case c.Driver == "w1":
			made.Low, made.Resolution, made.lag = -55, 1./16, 45*time.Second
		case name == sensors.Humidity:
			made.Low, made.High, made.noise, made.lag = -6, 119, 0.25, 20*time.Second
		case c.Driver == "bme280":
			made.High = 85
		case c.Driver != "sht4x":
			return p, fmt.Errorf("sensor %s: the proving ground knows the parts of the drivers w1, sht4x and bme280, not %q", c.ID, c.Driver)
		}
		p.channels = append(p.channels, made)
	}
	return p, nil
}

// line makes the line from samples to readings.
func (s *setting) line() (*intake.Line, error) {
	parts := map[string]*sensors.Description{}
	for _, p := range s.parts {
		parts[p.id] = &sensors.Description{}
		for _, c := range p.channels {
			parts[p.id].Measures = append(parts[p.id].Measures, c.Measure)
		}
	}
	return assemble.Line(s.config, parts)
}

// nextBand returns when a band may change next after t.
func (s *setting) nextBand(t time.Time, moved map[string][]care.Since) time.Time {
	next := s.watch.Light.NextSwitch(t)
	for i := range s.watch.Cohorts {
		c := &s.watch.Cohorts[i]
		for _, entry := range slices.Concat(c.Stages, moved[c.ID]) {
			if entry.At.After(t) && (next.IsZero() || entry.At.Before(next)) {
				next = entry.At
			}
		}
	}
	return next
}

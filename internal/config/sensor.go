package config

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/quantity"
	"dewline/sensors"
	"dewline/sensors/drivers"
)

var sensorKeys = []string{
	"id", "driver", "every", "feeds", "accuracy", "range", "gap", "stale-after", "disagree", "calibration", "calibrate-every",
	"bus", "address", "mux", "name", "inputs", "bridge", "line", "part", "heater", "temperature-offset",
	"topic", "pointer", "senml", "unit", "broker", "username", "password-file", "ca-file",
	"file", "speed", "loop",
}

// sharedSensorKeys are those of sensorKeys that every driver takes.
var sharedSensorKeys = sensorKeys[:11]

// sensor decodes a sensor. whole is false where what it feeds could not be read completely.
func (l *loader) sensor(n *node, path string, local *time.Location) (sensor SensorConfig, whole bool) {
	f := l.fields(n, path, sensorKeys...)
	sensor.ID = l.id(f["id"], join(path, "id"))
	sensor.Driver = l.commonWord(f["driver"], join(path, "driver"), "driver", driverOfPart(), driverNames()...)
	if f != nil && f["driver"] == nil {
		l.errorf(path, "sensor %s has no driver: %s", quoted(sensor.ID), strings.Join(driverNames(), ", "))
	}
	drv := driverOf(sensor.Driver)
	if drv != nil {
		for _, key := range sensorKeys {
			if f[key] != nil && !slices.Contains(sharedSensorKeys, key) && !drv.Takes(key) {
				l.errorf(join(path, key), "%s is an option of the drivers %s, not of %s", key, driversWith(key), drv.Name)
				delete(f, key)
			}
		}
	}
	sensor.Every = l.positive(f["every"], join(path, "every"), 24*time.Hour)
	if sensor.Every == 0 {
		sensor.Every = drivers.UsualInterval
		if drv != nil {
			sensor.Every = drv.Every()
		}
	}
	sensor.Gap = l.positive(f["gap"], join(path, "gap"), 7*24*time.Hour)
	sensor.StaleAfter = l.positive(f["stale-after"], join(path, "stale-after"), 7*24*time.Hour)

	sensor.Feeds = perChannel(l.decoder, f["feeds"], join(path, "feeds"), l.point)
	if feeds := f["feeds"]; feeds != nil {
		whole = feeds.kind == mapping && len(sensor.Feeds) == len(feeds.entries)
	} else if f != nil && drv != nil {
		whole = drv.Name == "board"
		if !whole {
			l.errorf(path, "sensor %s feeds nothing: give feeds: {%s: place/quantity}", quoted(sensor.ID), drv.Channels[0])
		}
	}
	sensor.Accuracy = perChannel(l.decoder, f["accuracy"], join(path, "accuracy"), l.difference)
	if drv != nil {
		l.where(&sensor, drv, f, path)
		l.special(&sensor, drv, f, path)
		l.source(&sensor, drv, f, path)
		for channel, value := range drv.AccuracyOf(sensor.Settings) {
			if _, given := sensor.Accuracy[channel]; !given {
				if sensor.Accuracy == nil {
					sensor.Accuracy = map[sensors.Channel]float64{}
				}
				sensor.Accuracy[channel] = value
			}
		}
	}
	sensor.Disagree = perChannel(l.decoder, f["disagree"], join(path, "disagree"), l.difference)
	sensor.Range = perChannel(l.decoder, f["range"], join(path, "range"), l.interval)
	sensor.Calibration = l.calibration(f["calibration"], join(path, "calibration"), local)
	sensor.CalibrateEvery = l.positive(f["calibrate-every"], join(path, "calibrate-every"), 20*365*24*time.Hour)
	return sensor, whole
}

// point reads what a channel feeds.
func (l *loader) point(n *node, path string, channel sensors.Channel) (quantity.Point, bool) {
	text := l.text(n, path)
	if text == "" {
		if n == nil || n.kind == nothing {
			l.errorf(path, "channel %s feeds nothing: give it a point such as tub-1/water-temperature", channel)
		}
		return quantity.Point{}, false
	}
	place, name, found := strings.Cut(text, "/")
	if !found || place == "" || name == "" {
		l.errorf(path, "%s is not a point of the form place/quantity, such as tub-1/water-temperature", quoted(text))
		return quantity.Point{}, false
	}
	q, err := quantityByName(name)
	if err != nil {
		l.errorf(path, "%s", err)
		return quantity.Point{}, false
	}
	return quantity.Point{Place: place, Quantity: q}, true
}

// difference reads a positive difference of a channel's values.
func (l *loader) difference(n *node, path string, channel sensors.Channel) (float64, bool) {
	value, ok := l.number(n, path, quantityOf(channel), quantity.ParseDifference)
	if ok && value <= 0 {
		l.errorf(path, "this must be greater than 0")
		return 0, false
	}
	if most := maxDifference(channel); ok && value > most {
		l.errorf(path, "%s is more than the %s that make sense here", show(quantityOf(channel).DifferenceUnit(), value), show(quantityOf(channel).DifferenceUnit(), most))
		return 0, false
	}
	return value, ok
}

// maxDifference returns the largest accuracy, disagreement or offset that is not taken for a slip.
func maxDifference(channel sensors.Channel) float64 {
	switch channel {
	case sensors.Temperature:
		return 20
	case sensors.Humidity:
		return 40
	}
	return 10_000 // pascal
}

func (l *loader) interval(n *node, path string, channel sensors.Channel) (Interval, bool) {
	q := quantityOf(channel)
	if n != nil && n.kind == mapping {
		f := l.fields(n, path, "low", "high")
		low, okLow := l.number(f["low"], join(path, "low"), q, quantity.ParseValue)
		high, okHigh := l.number(f["high"], join(path, "high"), q, quantity.ParseValue)
		switch {
		case f == nil, f["low"] != nil && !okLow, f["high"] != nil && !okHigh:
			return Interval{}, false
		case !okLow || !okHigh:
			l.errorf(path, "a range needs low and high")
			return Interval{}, false
		case low >= high:
			l.errorf(join(path, "high"), "high must lie above low")
			return Interval{}, false
		}
		return Interval{low, high}, true
	}
	return parsed(l.decoder, n, path, func(text string) (Interval, error) {
		low, high, err := quantity.ParseInterval(q, text)
		return Interval{low, high}, withUnitHint(err, text)
	})
}

// calibration reads {temperature: {offset: 0.3 K, date: 2026-05-01}, humidity: {points: […]}, date: 2026-04-30}. The outer date is that
// of the channels without one of their own.
func (l *loader) calibration(n *node, path string, local *time.Location) *Calibration {
	f := l.fields(n, path, "date", "temperature", "humidity", "pressure")
	if f == nil {
		return nil
	}
	calibration := &Calibration{Channels: map[sensors.Channel]Correction{}}
	shared := l.date(f["date"], join(path, "date"), local)
	for _, channel := range feedable {
		inner := join(path, string(channel))
		if correction, ok := l.correction(f[string(channel)], inner, channel, local); ok {
			if correction.Date.IsZero() {
				correction.Date = shared
			}
			calibration.Channels[channel] = correction
		}
	}
	return calibration
}

// date reads a time; the zero time where none is given.
func (l *loader) date(n *node, path string, local *time.Location) time.Time {
	at, _ := parsed(l.decoder, n, path, func(text string) (time.Time, error) { return parseTime(text, local) })
	return at
}

func (l *loader) correction(n *node, path string, channel sensors.Channel, local *time.Location) (Correction, bool) {
	f := l.fields(n, path, "date", "offset", "points", "uncertainty")
	if f == nil {
		return Correction{}, false
	}
	q := quantityOf(channel)
	correction := Correction{Date: l.date(f["date"], join(path, "date"), local)}
	correction.Offset, _ = l.number(f["offset"], join(path, "offset"), q, quantity.ParseDifference)
	correction.Uncertainty, _ = l.difference(f["uncertainty"], join(path, "uncertainty"), channel)
	points := join(path, "points")
	for i, item := range l.items(f["points"], points) {
		inner := index(points, i)
		f := l.fields(item, inner, "measured", "reference")
		measured, okMeasured := l.number(f["measured"], join(inner, "measured"), q, quantity.ParseValue)
		reference, okReference := l.number(f["reference"], join(inner, "reference"), q, quantity.ParseValue)
		if okMeasured && okReference {
			correction.Points = append(correction.Points, Fix{measured, reference})
		} else if f != nil && (f["measured"] == nil || f["reference"] == nil) {
			l.errorf(inner, "a point needs measured and reference")
		}
	}
	slices.SortStableFunc(correction.Points, func(a, b Fix) int { return cmp.Compare(a.Measured, b.Measured) })
	switch {
	case f["offset"] != nil && f["points"] != nil:
		l.errorf(join(path, "points"), "give either an offset or points")
	case f["offset"] == nil && f["points"] == nil:
		l.errorf(path, "a calibration needs an offset or points")
	}
	return correction, true
}

package mqttfed

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/quantity"
	"dewline/internal/format/jsonpointer"
	"dewline/internal/mqtt"
	"dewline/sensors"
)

// Source is a sensor that is fed over MQTT.
type Source struct {
	ID    string
	Topic string // or a filter; several sources may have the same
	// Pointer leads to the value of each channel in a JSON payload. Without Pointer and SenML the payload is the value of
	// the one channel in Unit.
	Pointer map[sensors.Channel]string
	// SenML is the resolved name of the record of each channel. It excludes Pointer and Unit: records carry their unit.
	SenML map[sensors.Channel]string
	// Unit is the unit in which each channel comes.
	Unit map[sensors.Channel]quantity.Unit
	// Every is how often a message is expected; 0 means a minute.
	Every time.Duration
	// StaleAfter is the age from which a value no longer counts; 0 means the larger of 5 × Every and 2 min.
	StaleAfter time.Duration
	// SilentAfter is how long after the last message the source is reported as silent; 0 means StaleAfter. For a fault alarm before
	// the points are stale, it is StaleAfter less the time a sensor may fail.
	SilentAfter time.Duration
}

// bounds is what a channel can be.
type bounds struct {
	quantity  quantity.Quantity // one that has the channel's unit
	low, high float64           // in the canonical unit
}

var known = map[sensors.Channel]bounds{
	sensors.Temperature: {quantity.AirTemperature, -40, 85},
	sensors.Humidity:    {quantity.RelativeHumidity, 0, 120},
	sensors.Pressure:    {quantity.Pressure, 30e3, 120e3},
}

// form is what a payload looks like.
type form uint8

const (
	bare form = iota
	document
	pack
)

// source is a checked Source and its state.
type source struct {
	Source
	form     form
	channels []channel

	last     time.Time // of the newest sample given out with values
	own      time.Time // newest time that a record carried
	due      time.Time // when silence is to be reported; zero before the first look
	ignored  string    // why the last message did not count; "" after one that did
	partial  string    // what of the last message was missing, so that the log says it once
	throttle throttle
}

// channel is where to find a value and in which unit it is.
type channel struct {
	name    sensors.Channel
	pointer jsonpointer.Pointer
	record  string
	unit    quantity.Unit
	bounds
}

// prepare checks a source.
func prepare(s Source) (*source, error) {
	p := &source{Source: s}
	if s.ID == "" {
		return nil, errors.New("it has no id")
	}
	if err := mqtt.CheckFilter(s.Topic); err != nil {
		return nil, err
	}
	if s.Every < 0 || s.StaleAfter < 0 || s.SilentAfter < 0 {
		return nil, errors.New("a time is negative")
	}
	p.Every = cmp.Or(s.Every, time.Minute)
	p.StaleAfter = cmp.Or(s.StaleAfter, max(5*p.Every, 2*time.Minute))
	p.SilentAfter = cmp.Or(s.SilentAfter, p.StaleAfter)
	names := slices.Sorted(maps.Keys(s.Unit))
	switch {
	case len(s.SenML) > 0:
		if len(s.Pointer) > 0 || len(s.Unit) > 0 {
			return nil, errors.New("SenML records are found by name and carry their unit: give neither pointer nor unit")
		}
		p.form, names = pack, slices.Sorted(maps.Keys(s.SenML))
	case len(s.Pointer) > 0:
		p.form = document
		if found := slices.Sorted(maps.Keys(s.Pointer)); !slices.Equal(found, names) {
			return nil, fmt.Errorf("each channel needs a pointer and a unit: there are pointers for %s and units for %s", list(found), list(names))
		}
	case len(names) != 1:
		return nil, fmt.Errorf("a payload that is a number is one channel, and there are units for %s: give pointers as well", list(names))
	}
	for _, name := range names {
		c, err := newChannel(s, name)
		if err != nil {
			return nil, fmt.Errorf("channel %s: %w", name, err)
		}
		p.channels = append(p.channels, c)
	}
	return p, nil
}

func newChannel(s Source, name sensors.Channel) (channel, error) {
	limits, ok := known[name]
	if !ok {
		return channel{}, errors.New("it cannot be fed over MQTT")
	}
	c := channel{name: name, bounds: limits, record: s.SenML[name]}
	if len(s.SenML) > 0 {
		if c.record == "" {
			return channel{}, errors.New("the name of its SenML record is empty")
		}
		return c, nil
	}
	var err error
	if c.unit, err = s.Unit[name].For(limits.quantity); err != nil {
		return channel{}, err
	}
	c.pointer, err = jsonpointer.Parse(s.Pointer[name])
	return c, err
}

func list(names []sensors.Channel) string {
	if len(names) == 0 {
		return "none"
	}
	texts := make([]string, len(names))
	for i, name := range names {
		texts[i] = string(name)
	}
	return strings.Join(texts, ", ")
}

// Describe returns what is known of a source without its sensor: its channels, and the limits within which their values are
// accepted. There is no accuracy, since the part is unknown.
func Describe(s Source) sensors.Description {
	d := sensors.Description{Driver: "mqtt", Where: s.Topic}
	names := slices.Concat(slices.Collect(maps.Keys(s.SenML)), slices.Collect(maps.Keys(s.Unit)))
	slices.Sort(names)
	for _, name := range slices.Compact(names) {
		if limits, ok := known[name]; ok {
			d.Measures = append(d.Measures, sensors.Measure{Channel: name, Low: limits.low, High: limits.high})
		}
	}
	return d
}

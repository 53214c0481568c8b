package mqttfed

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"dewline/internal/core/quantity"
	"dewline/internal/format/jsonpointer"
	"dewline/internal/format/senml"
	"dewline/sensors"
)

// problem is why there is no value.
type problem struct {
	kind sensors.Kind
	text string
}

func implausible(format string, args ...any) *problem {
	return &problem{sensors.Implausible, fmt.Sprintf(format, args...)}
}

// finding is the result for one channel of a message: a value, or a problem and the value concerned, NaN if there is none.
type finding struct {
	value   sensors.Value
	problem *problem
}

// without is the finding of a channel that has no value.
func (c *channel) without(p *problem) finding {
	return finding{value: sensors.Value{Channel: c.name, Value: math.NaN()}, problem: p}
}

// plain is a decimal number: JSON's, and what the printf of a microcontroller writes. It leaves out what strconv also takes, such as
// 0x10, 1_000 and inf.
var plain = regexp.MustCompile(`^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$`)

// nothing is what libraries of microcontrollers print where there is no number.
var nothing = regexp.MustCompile(`(?i)^[+-]?(nan|inf|infinity|ovf)$`)

// number reads a text that is a number.
func number(text string) (float64, *problem) {
	trimmed := strings.TrimSpace(strings.TrimRight(text, "\x00"))
	if nothing.MatchString(trimmed) {
		return 0, implausible("%s is not a number", shown(trimmed))
	}
	if !plain.MatchString(trimmed) {
		return 0, &problem{sensors.Checksum, fmt.Sprintf("%s is not a number", shown(trimmed))}
	}
	v, err := strconv.ParseFloat(trimmed, 64)
	if err != nil {
		return 0, implausible("%s is too large a number", shown(trimmed))
	}
	return v, nil
}

// shown quotes the beginning of a text for a message.
func shown(text string) string {
	const maxBytes = 40
	if len(text) > maxBytes {
		return strconv.Quote(text[:maxBytes]) + "…"
	}
	return strconv.Quote(text)
}

// finish turns a number in a unit into the value of the channel.
func (c *channel) finish(v float64, unit quantity.Unit) finding {
	canonical := unit.ToCanonical(v)
	found := finding{value: sensors.Value{Channel: c.name, Value: canonical, Raw: math.Float64bits(v)}}
	if math.IsNaN(canonical) || canonical < c.low || canonical > c.high {
		u := c.quantity.Unit()
		found.problem = implausible("%s %s %s is outside %g to %g %s", c.name, strconv.FormatFloat(canonical, 'g', 6, 64), u.Shown(), c.low, c.high, u.Shown())
	}
	return found
}

// bare reads a payload that is a number.
func (s *source) bare(payload []byte) []finding {
	c := &s.channels[0]
	v, p := number(string(payload))
	if p != nil {
		return []finding{{problem: p}}
	}
	return []finding{c.finish(v, c.unit)}
}

// document reads a payload that is JSON.
func (s *source) document(payload []byte) []finding {
	tree, err := jsonpointer.Decode(payload)
	if err != nil {
		return []finding{{problem: &problem{sensors.Checksum, err.Error()}}}
	}
	findings := make([]finding, 0, len(s.channels))
	for i := range s.channels {
		findings = append(findings, s.channels[i].point(tree))
	}
	return findings
}

func (c *channel) point(tree any) finding {
	found, err := c.pointer.Find(tree)
	if err != nil {
		kind := sensors.Checksum
		if errors.Is(err, jsonpointer.ErrMissing) {
			kind = sensors.Absent
		}
		return c.without(&problem{kind, fmt.Sprintf("%s: %s", c.name, err)})
	}
	var text string
	switch v := found.(type) {
	case json.Number:
		text = string(v)
	case string:
		text = v
	case nil:
		return c.without(implausible("%s is null", c.name))
	default:
		return c.without(implausible("%s is no number but %s", c.name, jsonKind(v)))
	}
	v, p := number(text)
	if p != nil { // it was read, so it is not garbled
		return c.without(implausible("%s: %s", c.name, p.text))
	}
	return c.finish(v, c.unit)
}

func jsonKind(v any) string {
	switch v.(type) {
	case bool:
		return "true or false"
	case []any:
		return "a list"
	}
	return "an object"
}

// recorded reads one SenML record.
func (c *channel) recorded(r *senml.Record) finding {
	if r.Value == nil {
		return c.without(implausible("%s: the record %s has no value that is a number", c.name, shown(r.Name)))
	}
	if r.Unit == "" {
		return c.without(implausible("%s: the record %s has no unit", c.name, shown(r.Name)))
	}
	unit, err := quantity.ParseUnit(r.Unit)
	if err == nil && unit == quantity.Kelvin && c.name == sensors.Temperature {
		// In a configuration K is a difference; in the registry of SenML it is the first unit of temperature.
		return c.finish(*r.Value-273.15, quantity.Celsius)
	}
	if err == nil {
		unit, err = unit.For(c.quantity)
	}
	if err != nil {
		return c.without(implausible("%s: the record %s is in the unit %s: %s", c.name, shown(r.Name), shown(r.Unit), err))
	}
	return c.finish(*r.Value, unit)
}

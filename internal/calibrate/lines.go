package calibrate

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/quality"
	"dewline/sensors"
)

// unitOf is the unit of a difference of a channel's values, as a configuration takes it.
func unitOf(channel sensors.Channel) string {
	switch channel {
	case sensors.Humidity:
		return "%RH"
	case sensors.Pressure:
		return "Pa"
	}
	return "K"
}

// valueUnit is that of a value.
func valueUnit(channel sensors.Channel) string {
	if channel == sensors.Temperature {
		return "degC"
	}
	return unitOf(channel)
}

// decimals is how finely values of a channel are written: finer than any reference is certain.
func decimals(channel sensors.Channel) int {
	switch channel {
	case sensors.Humidity:
		return 2
	case sensors.Pressure:
		return 0
	}
	return 3
}

// Lines returns the lines that go into the configuration below the sensor: the new correction of the channel, and the old ones
// of its other channels with their dates. Without a known uncertainty, that of the sensor stays in force.
func Lines(sensor *config.SensorConfig, channel sensors.Channel, at time.Time, c *quality.Calibration) string {
	var b strings.Builder
	b.WriteString("    calibration:\n")
	for _, ch := range []sensors.Channel{sensors.Temperature, sensors.Humidity, sensors.Pressure} {
		correction := config.Correction{Date: at}
		switch {
		case ch == channel:
			for _, p := range c.Points {
				correction.Points = append(correction.Points, config.Fix{Measured: p.Measured, Reference: p.Reference})
			}
			if known(c) {
				correction.Uncertainty = c.Uncertainty
			}
		case sensor.Calibration != nil:
			old, ok := sensor.Calibration.Channels[ch]
			if !ok {
				continue
			}
			correction = old
		default:
			continue
		}
		fmt.Fprintf(&b, "      %s: {%s}\n", ch, written(ch, correction))
	}
	return b.String()
}

// known reports whether the uncertainty of every reference is known.
func known(c *quality.Calibration) bool {
	for _, p := range c.Points {
		if p.ReferenceUncertainty <= 0 {
			return false
		}
	}
	return true
}

func written(channel sensors.Channel, c config.Correction) string {
	places := decimals(channel)
	value := func(v float64) string {
		return strconv.FormatFloat(v, 'f', places, 64) + " " + valueUnit(channel)
	}
	text := "offset: " + strconv.FormatFloat(c.Offset, 'f', places, 64) + " " + unitOf(channel)
	if len(c.Points) > 0 {
		var points []string
		for _, p := range c.Points {
			points = append(points, fmt.Sprintf("{measured: %s, reference: %s}", value(p.Measured), value(p.Reference)))
		}
		text = "points: [" + strings.Join(points, ", ") + "]"
	}
	if c.Uncertainty > 0 { // rounded up: an uncertainty must not shrink by being written
		step := math.Pow10(places - 1)
		if places == 0 {
			step = 1
		}
		text += fmt.Sprintf(", uncertainty: %s %s", strconv.FormatFloat(math.Ceil(c.Uncertainty*step-1e-9)/step, 'f', max(0, places-1), 64), unitOf(channel))
	}
	if !c.Date.IsZero() {
		text += ", date: " + c.Date.Format(time.DateOnly)
	}
	return text
}

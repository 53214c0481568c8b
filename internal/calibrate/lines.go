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

// form is how values of a channel are written in a configuration, and what a second point of it needs.
type form struct {
	value, difference string  // their units
	decimals          int     // finer than any reference is certain
	apart             float64 // by which two references must differ at least to determine the gain
}

var forms = map[sensors.Channel]form{
	sensors.Temperature: {"degC", "K", 3, 10},
	sensors.Humidity:    {"%RH", "%RH", 2, 15},
	sensors.Pressure:    {"Pa", "Pa", 0, math.Inf(1)}, // one point is all that a pressure sensor gets
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
	form := forms[channel]
	places := form.decimals
	value := func(v float64) string {
		return strconv.FormatFloat(v, 'f', places, 64) + " " + form.value
	}
	text := "offset: " + strconv.FormatFloat(c.Offset, 'f', places, 64) + " " + form.difference
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
		text += fmt.Sprintf(", uncertainty: %s %s", strconv.FormatFloat(math.Ceil(c.Uncertainty*step-1e-9)/step, 'f', max(0, places-1), 64), form.difference)
	}
	if !c.Date.IsZero() {
		text += ", date: " + c.Date.Format(time.DateOnly)
	}
	return text
}

package calibrate

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/psychro"
	"dewline/internal/core/quantity"
	"dewline/sensors"
)

// Against is a reference that a sensor is compared with.
type Against struct {
	Channel  sensors.Channel
	Quantity quantity.Quantity // that the channel feeds
	Salt     psychro.Salt      // 0 unless it is one
	Ice      bool
	Value    float64 // canonical; of an ice bath 0 °C; of a salt it depends on the temperature: see Reference
	// Uncertainty is the expanded one (k = 2) of a value that was given; 0 where it was not.
	Uncertainty float64
	name        string
}

// What is allowed for references made at home. Engineering judgement, no published source: a good ice bath is within 0.01 K
// (ASTM E563, from memory); over a salt the sensor and the solution may differ by a fifth of a kelvin, and each kelvin is 6 %
// of the reading.
const (
	iceUncertainty  = 0.05 // kelvin
	saltUncertainty = 0.2 * 0.06
)

// ParseAgainst reads what a sensor with the given feeds is to be compared with: "ice", "salt:NaCl", or a value with its unit,
// such as "23.4 degC" or "75.3 %RH".
func ParseAgainst(text string, feeds map[sensors.Channel]quantity.Point) (Against, error) {
	if text == "ice" {
		point, ok := feeds[sensors.Temperature]
		if !ok {
			return Against{}, fmt.Errorf("an ice bath is a reference for temperature, and the sensor feeds none: it feeds %s", channelsOf(feeds))
		}
		return Against{Channel: sensors.Temperature, Quantity: point.Quantity, Ice: true, name: "ice bath"}, nil
	}
	if formula, isSalt := strings.CutPrefix(text, "salt:"); isSalt {
		salt, err := psychro.ParseSalt(formula)
		if err != nil {
			return Against{}, err
		}
		point, ok := feeds[sensors.Humidity]
		if !ok {
			return Against{}, fmt.Errorf("a saturated salt is a reference for humidity, and the sensor feeds none: it feeds %s", channelsOf(feeds))
		}
		return Against{Channel: sensors.Humidity, Quantity: point.Quantity, Salt: salt, name: "saturated " + salt.String()}, nil
	}
	for _, channel := range slices.Sorted(maps.Keys(feeds)) {
		q := feeds[channel].Quantity
		if v, err := quantity.ParseValue(q, text); err == nil {
			return Against{Channel: channel, Quantity: q, Value: v, name: "another instrument at " + text}, nil
		}
	}
	return Against{}, fmt.Errorf("%q is no reference for this sensor, which feeds %s: give ice, salt:NaCl, or a value with its unit such as \"23.4 degC\"",
		text, channelsOf(feeds))
}

func channelsOf(feeds map[sensors.Channel]quantity.Point) string {
	var names []string
	for _, channel := range slices.Sorted(maps.Keys(feeds)) {
		names = append(names, string(channel))
	}
	if names == nil {
		return "nothing"
	}
	return strings.Join(names, " and ")
}

// String names the reference for the record.
func (a Against) String() string { return a.name }

// Reference returns the value of the reference and its expanded uncertainty (k = 2), 0 where it is not known. The
// temperature and its uncertainty matter to salts only.
func (a Against) Reference(celsius, uKelvin float64) (value, uncertainty float64, err error) {
	switch {
	case a.Ice:
		return 0, iceUncertainty, nil
	case a.Salt != 0:
		value = a.Salt.RelativeHumidity(celsius)
		if math.IsNaN(value) {
			return 0, 0, fmt.Errorf("the humidity over %s is known from 0 °C on, up to 80 °C (50 °C for K2SO4), and here it is %.1f °C", a.name, celsius)
		}
		return value, math.Hypot(a.Salt.RelativeHumidityUncertainty(celsius, uKelvin), saltUncertainty*value), nil
	}
	return a.Value, a.Uncertainty, nil
}

// Rule says when readings count as settled.
type Rule struct {
	Window  time.Duration // the time looked at
	Drift   float64       // the line through its readings may move by this much over the window
	Scatter float64       // and the readings may lie around it by this standard deviation
	Within  time.Duration // how long it may take until then
}

// Rule returns the rule for the reference: 15 minutes in ice, an hour with less than 0.2 %RH of change over a salt or beside
// another hygrometer. Engineering judgement, no published source.
func (a Against) Rule() Rule {
	switch a.Channel {
	case sensors.Humidity:
		r := Rule{Window: time.Hour, Drift: 0.2, Scatter: 0.3, Within: 4 * time.Hour}
		if a.Salt != 0 {
			r.Within = 24 * time.Hour
		}
		return r
	case sensors.Pressure:
		return Rule{Window: 5 * time.Minute, Drift: 20, Scatter: 20, Within: time.Hour}
	}
	return Rule{Window: 15 * time.Minute, Drift: 0.05, Scatter: 0.05, Within: 2 * time.Hour}
}

// Instructions explain how the reference is made. humid says that the sensor measures humidity, and so must not get wet.
func (a Against) Instructions(humid bool) []string {
	var list []string
	switch {
	case a.Ice:
		list = []string{
			"Crush ice made of clean water, pack a deep insulated cup with it, and fill the gaps with cold clean water. Pour off what is too much: " +
				"it must be slush all the way down, not ice that swims.",
			"Put the probe into the middle, at least 10 cm deep, away from the wall and the bottom. Stir now and then; pour off melted water and add ice.",
			"It takes a quarter of an hour or more. Only the offset shows: nothing is learned of the gain.",
		}
		if humid {
			list = append(list, "This sensor measures humidity too and must not get wet: seal it in a thin bag with no air in it, or use another reference.")
		}
	case a.Salt != 0:
		list = []string{
			fmt.Sprintf("Stir %s (%s) with a little clean water to a wet paste in which crystals stay to be seen. A dissolved rest is no reference.", a.Salt, a.Salt.Formula()),
			"Put the dish and the sensor into one small vessel that closes tightly. The sensor must not touch the paste, nor a drop hang on it.",
			"Keep all of it at one temperature, out of sun and draught: one kelvin between salt and sensor is 6 % of the reading.",
			"Leave it closed for 12 to 24 hours. It counts once the reading moves by less than 0.2 %RH in an hour.",
		}
		if a.Salt == psychro.SodiumChloride {
			list = append(list, "Take table salt without additives against caking.")
		}
		if a.Salt == psychro.LithiumChloride {
			list = append(list, "Lithium chloride is harmful if swallowed: gloves, and away from animals and food.")
		}
	default:
		list = []string{
			"Put the sensor and the better instrument close together: both in well stirred water, or both in one closed box without draught.",
			"The reference must stay at the value that was given until this ends. Watch it, and begin again if it has moved.",
		}
	}
	return append(list, "A daemon that is running takes what this sensor reads for the truth: stop it, or take the alarms of its places out of service.")
}

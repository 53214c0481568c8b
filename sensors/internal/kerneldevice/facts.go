package kerneldevice

import (
	"fmt"
	"slices"
	"strings"

	"dewline/sensors"
)

// Facts are what the maker of a part promises, and what its kernel driver leaves unchecked.
type Facts struct {
	Part     string
	Measures []sensors.Measure
	// Unchecked says that the kernel does not check the checksum of the answer, or that the part sends none: a bit that
	// flipped on the wire arrives as a plausible number.
	Unchecked     bool
	NonCondensing bool // the maker rates the part for non-condensing air only
	Notes         []string
}

// Unknown are the bounds for a kernel driver that is in no table. What lies outside cannot be the air or the water of a
// room, so it is a wrong unit or a broken part (engineering judgement; humidity up to 120 since sensors overshoot).
var Unknown = Facts{
	Part:      "unknown part",
	Unchecked: true,
	Measures: []sensors.Measure{Temperature(-60, 150, 0.001, 2), Humidity(0, 120, 0.001, 5), Pressure(30_000, 120_000, 1, 1000),
		{Channel: sensors.CO2, Low: 0, High: 40_000, Resolution: 1, Accuracy: 500},
		{Channel: sensors.Voltage, Low: -100, High: 100, Resolution: 0.001, Accuracy: 0.1}},
	Notes: []string{"no table entry for this kernel driver: state an accuracy or calibrate"},
}

// Has reports whether a part has a channel.
func (f Facts) Has(channel sensors.Channel) bool {
	return slices.ContainsFunc(f.Measures, func(m sensors.Measure) bool { return m.Channel == channel })
}

// Measure returns what is promised for a channel, or the bounds of [Unknown].
func (f Facts) Measure(channel sensors.Channel) sensors.Measure {
	for _, m := range slices.Concat(f.Measures, Unknown.Measures) {
		if m.Channel == channel {
			return m
		}
	}
	return sensors.Measure{Channel: channel}
}

// Temperature describes a temperature channel in degree Celsius.
func Temperature(low, high, resolution, accuracy float64) sensors.Measure {
	return sensors.Measure{Channel: sensors.Temperature, Low: low, High: high, Resolution: resolution, Accuracy: accuracy}
}

// Humidity describes a humidity channel in percent.
func Humidity(low, high, resolution, accuracy float64) sensors.Measure {
	return sensors.Measure{Channel: sensors.Humidity, Low: low, High: high, Resolution: resolution, Accuracy: accuracy}
}

// Pressure describes a pressure channel in pascal.
func Pressure(low, high, resolution, accuracy float64) sensors.Measure {
	return sensors.Measure{Channel: sensors.Pressure, Low: low, High: high, Resolution: resolution, Accuracy: accuracy}
}

// Thermometer is a part that measures nothing but temperature.
func Thermometer(low, high, resolution, accuracy float64) []sensors.Measure {
	return []sensors.Measure{Temperature(low, high, resolution, accuracy)}
}

// where says which device is meant, by the kernel's name of it and the keeper's choice among several.
func where(name, device string) string { return strings.TrimSpace(name + " " + device) }

// fragile returns a note where a device is chosen by a number that the next boot may give to another, such as "hwmon2".
func fragile(device, prefix string) []string {
	number, ok := strings.CutPrefix(device, prefix)
	if !ok || strings.Trim(number, "0123456789") != "" {
		return nil
	}
	return []string{fmt.Sprintf("%s may be another device after the next boot: give its device path", device)}
}

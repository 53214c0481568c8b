// Package metricname holds the names and base units of the metrics that leave dewline by more than one way: a scraper of /metrics and a
// store that gets them by remote write see the same series. Names follow the naming rules of Prometheus: base units, unit last.
package metricname

import "dewline/internal/core/quantity"

// The families of zones and alarms.
const (
	ZoneSeconds         = "dewline_zone_seconds_total"
	AlarmActive         = "dewline_alarm_active"
	AlarmUnacknowledged = "dewline_alarm_unacknowledged"
)

// Scaled is the base unit of all quantities with one canonical unit.
type Scaled struct {
	Unit  string  // the last word of the names of its families
	Help  string  // of the family of its readings
	Scale float64 // from the canonical unit to the base unit
}

// Reading returns the name of the family of readings.
func (s Scaled) Reading() string { return "dewline_reading_" + s.Unit }

// ByUnit has the base unit for every canonical unit of a quantity.
var ByUnit = map[quantity.Unit]Scaled{
	quantity.Celsius:                 {"celsius", "Temperature or dew point.", 1},
	quantity.PercentRelativeHumidity: {"ratio", "Relative humidity, 0 to 1.", 0.01},
	quantity.Pascal:                  {"pascals", "Pressure or vapour-pressure deficit.", 1},
	quantity.KilogramPerCubicMetre:   {"grams_per_cubic_meter", "Absolute humidity, or oxygen saturation of water.", 1000},
	quantity.Kelvin:                  {"kelvin", "Temperature difference: the condensation margin.", 1},
}

// Value returns a value in the canonical unit in the base unit, free of the noise that scaling a binary fraction brings.
func (s Scaled) Value(canonical float64) float64 {
	if s.Scale == 1 {
		return quantity.Decimal(canonical)
	}
	return quantity.Decimal(quantity.Decimal(canonical) * s.Scale)
}

// Package quantity names what dewline measures and derives, and reads and prints values with their units.
//
// Inside the program every value of a quantity is kept in one canonical unit (see [Quantity.Unit]); the keeper's units
// exist only at the edges, where [ParseValue], [ParseInterval] and [Unit.Print] turn text into numbers and back. The
// canonical units carry the symbols of the IANA SenML units registry (RFC 8428, RFC 8798).
package quantity

import "fmt"

// Quantity is a kind of value: what is measured at a place, or derived from what is measured there.
// The zero value is no quantity.
type Quantity uint8

// The quantities, in the order in which they are listed to people.
const (
	None Quantity = iota
	AirTemperature
	WaterTemperature
	SurfaceTemperature
	RelativeHumidity
	Pressure
	DewPoint
	VapourPressureDeficit
	AbsoluteHumidity
	CondensationMargin
	OxygenSaturation
	count
)

// names holds the word of each quantity as in config, topics and metrics.
var names = [count]string{
	AirTemperature:        "air-temperature",
	WaterTemperature:      "water-temperature",
	SurfaceTemperature:    "surface-temperature",
	RelativeHumidity:      "relative-humidity",
	Pressure:              "pressure",
	DewPoint:              "dew-point",
	VapourPressureDeficit: "vapour-pressure-deficit",
	AbsoluteHumidity:      "absolute-humidity",
	CondensationMargin:    "condensation-margin",
	OxygenSaturation:      "oxygen-saturation",
}

// All returns every quantity, in the order in which they are listed to people.
func All() []Quantity {
	all := make([]Quantity, 0, count-1)
	for q := None + 1; q < count; q++ {
		all = append(all, q)
	}
	return all
}

// Parse finds a quantity by its name, such as "water-temperature".
func Parse(name string) (Quantity, error) {
	for q := None + 1; q < count; q++ {
		if names[q] == name {
			return q, nil
		}
	}
	return None, fmt.Errorf("unknown quantity %q", name)
}

// String returns the name of q, such as "water-temperature".
func (q Quantity) String() string {
	if q == None || q >= count {
		return "none"
	}
	return names[q]
}

// Derived reports whether q is computed from other quantities of its place and never read from a sensor.
func (q Quantity) Derived() bool { return q >= DewPoint && q < count }

// IsTemperature reports whether values of q are temperatures on a thermometer scale (not temperature differences).
func (q Quantity) IsTemperature() bool { return q.Unit() == Celsius }

// Unit returns the canonical unit of q: Cel for temperatures, K for condensation-margin, %RH for relative humidity,
// Pa for pressures, kg/m3 for absolute humidity and for dissolved oxygen at saturation.
func (q Quantity) Unit() Unit {
	switch q {
	case AirTemperature, WaterTemperature, SurfaceTemperature, DewPoint:
		return Celsius
	case RelativeHumidity:
		return PercentRelativeHumidity
	case Pressure, VapourPressureDeficit:
		return Pascal
	case AbsoluteHumidity, OxygenSaturation:
		return KilogramPerCubicMetre
	case CondensationMargin:
		return Kelvin
	}
	return NoUnit
}

// MarshalText writes the name of q.
func (q Quantity) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads the name of a quantity.
func (q *Quantity) UnmarshalText(text []byte) error {
	parsed, err := Parse(string(text))
	if err != nil {
		return err
	}
	*q = parsed
	return nil
}

// Keeper returns the unit in which people read q, given their unit of temperature (Celsius or Fahrenheit).
func (q Quantity) Keeper(temperature Unit) Unit {
	switch q.Unit() {
	case Celsius:
		if temperature == Fahrenheit {
			return Fahrenheit
		}
		return Celsius
	case Kelvin:
		if temperature == Fahrenheit {
			return FahrenheitDegree
		}
		return Kelvin
	case Pascal:
		if q == Pressure {
			return Hectopascal
		}
		return Kilopascal
	case KilogramPerCubicMetre:
		if q == OxygenSaturation {
			return MilligramPerLitre
		}
		return GramPerCubicMetre
	}
	return q.Unit()
}

// KeeperDifference returns the unit in which people read a difference of two values of q, given their unit of temperature.
func (q Quantity) KeeperDifference(temperature Unit) Unit {
	if !q.IsTemperature() {
		return q.Keeper(temperature)
	}
	if temperature == Fahrenheit {
		return FahrenheitDegree
	}
	return Kelvin
}

// Decimals returns how many decimals of q people are shown in their unit.
func (q Quantity) Decimals() int {
	if q == VapourPressureDeficit {
		return 2
	}
	return 1
}

package psychro

import "math"

// gasConstant is the specific gas constant of water vapour in J/(kg K).
const gasConstant = 461.523

// air is a state of moist air with what all derived quantities share.
type air struct {
	celsius      float64
	kelvin       float64
	humidity     float64 // 0 to 1
	lnSaturation float64 // over water; e in pascal
	saturation   float64 // pascal
}

// ClampHumidity returns a relative humidity as all functions of this package use it: above 100 % it is taken as
// 100 %, and clamped is true, so that the caller can flag what was derived from it as suspect. Other values are
// returned as they are.
func ClampHumidity(percentRH float64) (percent float64, clamped bool) {
	if percentRH > 100 {
		return 100, true
	}
	return percentRH, false
}

// airOf returns the state for a temperature and a humidity, and whether there is one.
func airOf(celsius, percentRH float64) (a air, ok bool) {
	percentRH, _ = ClampHumidity(percentRH)
	kelvin := celsius + zeroCelsius
	if !(kelvin >= lowestKelvin && kelvin <= highestKelvin && percentRH >= 0) {
		return air{}, false
	}
	ln := water.lnPressure(kelvin)
	return air{celsius: celsius, kelvin: kelvin, humidity: percentRH / 100, lnSaturation: ln, saturation: math.Exp(ln)}, true
}

func (a air) pressure() float64 { return a.humidity * a.saturation }

func (a air) deficit() float64 { return (1 - a.humidity) * a.saturation }

func (a air) density() float64 { return a.pressure() / (gasConstant * a.kelvin) }

// dewPoint returns the dew point in degrees Celsius.
func (a air) dewPoint() float64 {
	if a.humidity >= 1 {
		return a.celsius
	}
	ln := a.lnSaturation + math.Log(a.humidity)
	if !(ln >= lnLowestWater) {
		return math.NaN()
	}
	kelvin, _ := water.temperature(ln)
	return min(kelvin-zeroCelsius, a.celsius) // rounding must not put it above the temperature
}

// Derive returns dew point, vapour-pressure deficit and absolute humidity, with the saturation pressure computed once. The dew
// point is the temperature at which the air would be saturated over liquid water, below 0 °C over supercooled water. It is NaN at
// 0 % and for a dew point below −100 °C. Error of the dew point: 0.0016 K where it is 0 °C or above, 0.008 K down to −20 °C.
func Derive(celsius, percentRH float64) (dewPointCelsius, deficitPascal, absoluteKgPerM3 float64) {
	a, ok := airOf(celsius, percentRH)
	if !ok {
		return math.NaN(), math.NaN(), math.NaN()
	}
	return a.dewPoint(), a.deficit(), a.density()
}

// VapourPressureDeficit returns how far the vapour pressure of the air is below saturation over water, in pascal: never
// below 0.
func VapourPressureDeficit(celsius, percentRH float64) (pascal float64) {
	a, ok := airOf(celsius, percentRH)
	if !ok {
		return math.NaN()
	}
	return a.deficit()
}

// AbsoluteHumidity returns the mass of water vapour in a volume of air, in kg/m³, as an ideal gas.
func AbsoluteHumidity(celsius, percentRH float64) (kgPerM3 float64) {
	a, ok := airOf(celsius, percentRH)
	if !ok {
		return math.NaN()
	}
	return a.density()
}

// RelativeHumidity returns the relative humidity over water, in percent, of air with the given vapour pressure. It is not clamped: above 100 means supersaturated. A negative pressure gives NaN.
func RelativeHumidity(celsius, vapourPascal float64) (percentRH float64) {
	if !(vapourPascal >= 0) {
		return math.NaN()
	}
	return 100 * vapourPascal / SaturationPressureWater(celsius)
}

// VapourPressureOfDensity returns the vapour pressure in pascal of air with the given absolute humidity.
func VapourPressureOfDensity(celsius, kgPerM3 float64) (pascal float64) {
	kelvin := celsius + zeroCelsius
	if !(kelvin >= lowestKelvin && kelvin <= highestKelvin && kgPerM3 >= 0) {
		return math.NaN()
	}
	return gasConstant * kelvin * kgPerM3
}

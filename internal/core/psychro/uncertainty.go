package psychro

import "math"

// combine adds independent contributions, each a sensitivity times an expanded uncertainty, in squares (JCGM 100:2008,
// equation 10). Expanded uncertainties of one k combine as the standard ones do.
func combine(contributions ...float64) float64 {
	var sum float64
	for _, c := range contributions {
		sum += c * c
	}
	return math.Sqrt(sum)
}

// DewPointUncertainty returns the expanded uncertainty (k = 2) of the dew point of [Derive] in kelvin, from those of the
// temperature in kelvin and of the relative humidity in percent relative humidity. It is NaN where there is no dew point. It
// grows without bound towards 0 %.
func DewPointUncertainty(celsius, percentRH, uKelvin, uPercentRH float64) (kelvin float64) {
	a, ok := airOf(celsius, percentRH)
	if !ok {
		return math.NaN()
	}
	// From ln e(Td) = ln e(T) + ln U: with s = d(ln e)/dT, ∂Td/∂T = s(T)/s(Td) and ∂Td/∂U = 1/(U·s(Td)).
	return combine(water.slope(a.kelvin)*uKelvin, uPercentRH/(100*a.humidity)) / water.slope(a.dewPoint()+zeroCelsius)
}

// VapourPressureDeficitUncertainty returns the expanded uncertainty (k = 2) of [VapourPressureDeficit] in pascal.
func VapourPressureDeficitUncertainty(celsius, percentRH, uKelvin, uPercentRH float64) (pascal float64) {
	a, ok := airOf(celsius, percentRH)
	if !ok {
		return math.NaN()
	}
	return combine(a.deficit()*water.slope(a.kelvin)*uKelvin, a.saturation*uPercentRH/100)
}

// AbsoluteHumidityUncertainty returns the expanded uncertainty (k = 2) of [AbsoluteHumidity] in kg/m³.
func AbsoluteHumidityUncertainty(celsius, percentRH, uKelvin, uPercentRH float64) (kgPerM3 float64) {
	a, ok := airOf(celsius, percentRH)
	if !ok {
		return math.NaN()
	}
	saturated := a.saturation / (gasConstant * a.kelvin)
	return saturated * combine(a.humidity*(water.slope(a.kelvin)-1/a.kelvin)*uKelvin, uPercentRH/100)
}

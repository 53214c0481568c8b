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

// DeriveUncertainty returns the expanded uncertainties (k = 2) of what [Derive] returns.
func DeriveUncertainty(celsius, percentRH, uKelvin, uPercentRH float64) (uDewPointKelvin, uDeficitPascal, uAbsoluteKgPerM3 float64) {
	a, ok := airOf(celsius, percentRH)
	if !ok {
		return math.NaN(), math.NaN(), math.NaN()
	}
	return a.dewPointUncertainty(uKelvin, uPercentRH), a.deficitUncertainty(uKelvin, uPercentRH), a.densityUncertainty(uKelvin, uPercentRH)
}

// dewPointUncertainty follows from ln e(Td) = ln e(T) + ln U: with s = d(ln e)/dT, ∂Td/∂T = s(T)/s(Td) and
// ∂Td/∂U = 1/(U·s(Td)).
func (a air) dewPointUncertainty(uKelvin, uPercentRH float64) float64 {
	return a.pointUncertainty(water.slope(a.dewPoint()+zeroCelsius), uKelvin, uPercentRH)
}

// pointUncertainty is the same for a point over any phase, given d(ln e)/dT of that phase at the point.
func (a air) pointUncertainty(slopeThere, uKelvin, uPercentRH float64) float64 {
	return combine(water.slope(a.kelvin)*uKelvin, uPercentRH/(100*a.humidity)) / slopeThere
}

func (a air) deficitUncertainty(uKelvin, uPercentRH float64) float64 {
	return combine(a.deficit()*water.slope(a.kelvin)*uKelvin, a.saturation*uPercentRH/100)
}

func (a air) densityUncertainty(uKelvin, uPercentRH float64) float64 {
	saturated := a.saturation / (gasConstant * a.kelvin)
	return saturated * combine(a.humidity*(water.slope(a.kelvin)-1/a.kelvin)*uKelvin, uPercentRH/100)
}

// DewPointUncertainty returns the expanded uncertainty (k = 2) of [DewPoint] in kelvin, from those of the temperature
// in kelvin and of the relative humidity in percent relative humidity. It is NaN where there is no dew point. It grows
// without bound towards 0 %.
func DewPointUncertainty(celsius, percentRH, uKelvin, uPercentRH float64) (kelvin float64) {
	a, ok := airOf(celsius, percentRH)
	if !ok {
		return math.NaN()
	}
	return a.dewPointUncertainty(uKelvin, uPercentRH)
}

// FrostPointUncertainty returns the expanded uncertainty (k = 2) of [FrostPoint] in kelvin.
func FrostPointUncertainty(celsius, percentRH, uKelvin, uPercentRH float64) (kelvin float64) {
	a, ok := airOf(celsius, percentRH)
	if !ok {
		return math.NaN()
	}
	return a.pointUncertainty(ice.slope(a.frostPoint()+zeroCelsius), uKelvin, uPercentRH)
}

// VapourPressureUncertainty returns the expanded uncertainty (k = 2) of [VapourPressure] in pascal.
func VapourPressureUncertainty(celsius, percentRH, uKelvin, uPercentRH float64) (pascal float64) {
	a, ok := airOf(celsius, percentRH)
	if !ok {
		return math.NaN()
	}
	return combine(a.pressure()*water.slope(a.kelvin)*uKelvin, a.saturation*uPercentRH/100)
}

// VapourPressureDeficitUncertainty returns the expanded uncertainty (k = 2) of [VapourPressureDeficit] in pascal.
func VapourPressureDeficitUncertainty(celsius, percentRH, uKelvin, uPercentRH float64) (pascal float64) {
	a, ok := airOf(celsius, percentRH)
	if !ok {
		return math.NaN()
	}
	return a.deficitUncertainty(uKelvin, uPercentRH)
}

// AbsoluteHumidityUncertainty returns the expanded uncertainty (k = 2) of [AbsoluteHumidity] in kg/m³.
func AbsoluteHumidityUncertainty(celsius, percentRH, uKelvin, uPercentRH float64) (kgPerM3 float64) {
	a, ok := airOf(celsius, percentRH)
	if !ok {
		return math.NaN()
	}
	return a.densityUncertainty(uKelvin, uPercentRH)
}

// MixingRatioUncertainty returns the expanded uncertainty (k = 2) of [MixingRatio] in kg/kg.
func MixingRatioUncertainty(celsius, percentRH, pascal, uKelvin, uPercentRH, uPascal float64) (kgPerKg float64) {
	a, ok := airOf(celsius, percentRH)
	vapour := a.pressure()
	if !ok || math.IsNaN(mixingRatio(vapour, pascal)) {
		return math.NaN()
	}
	perVapour, perPascal := mixingRatioSlopes(vapour, pascal)
	return combine(perVapour*vapour*water.slope(a.kelvin)*uKelvin, perVapour*a.saturation*uPercentRH/100, perPascal*uPascal)
}

// mixingRatioSlopes returns the derivatives of a mixing ratio with respect to the vapour pressure and the air pressure.
func mixingRatioSlopes(vapour, pascal float64) (perVapour, perPascal float64) {
	dry := pascal - vapour
	return massRatio * pascal / (dry * dry), -massRatio * vapour / (dry * dry)
}

// CondensationMarginUncertainty returns the expanded uncertainty (k = 2) of [CondensationMargin] in kelvin. The surface
// and the air are measured by different sensors, which are taken as independent.
func CondensationMarginUncertainty(airCelsius, percentRH, uSurfaceKelvin, uAirKelvin, uPercentRH float64) (kelvin float64) {
	return combine(uSurfaceKelvin, DewPointUncertainty(airCelsius, percentRH, uAirKelvin, uPercentRH))
}

package psychro

import "math"

const (
	zeroCelsius   = 273.15        // in kelvin, by definition
	lowestKelvin  = 173.15        // −100 °C, the lower end of the equation
	highestKelvin = 373.15        // 100 °C, its upper end
	ln100         = 2 * math.Ln10 // Sonntag's equation gives hectopascal
)

// phase holds the reference equation of Sonntag 1990 over one phase, with T in kelvin and e in pascal:
//
//	ln e = inverse/T + constant + linear·T + square·T² + log·ln T
//
// and the Magnus form e = e0·exp(a·t/(b + t)), t in degrees Celsius, that gives the start of its inversion.
type phase struct {
	inverse, constant, linear, square, log float64
	magnusLnE0, magnusA, magnusB           float64
}

// water has the coefficients of Sonntag 1990 as two independent transcriptions give them; Magnus as in WMO-No. 8, Annex 4.B.
var water = phase{
	inverse: -6096.9385, constant: 16.635794 + ln100, linear: -2.711193e-2, square: 1.673952e-5, log: 2.433502,
	magnusLnE0: math.Log(611.2), magnusA: 17.62, magnusB: 243.12,
}

// lnLowestWater is the logarithm of the pressure at the lower end of the equation, down to which it can be inverted.
var lnLowestWater = water.lnPressure(lowestKelvin)

// lnPressure returns the natural logarithm of the saturation pressure in pascal.
func (p *phase) lnPressure(kelvin float64) float64 {
	return p.inverse/kelvin + p.constant + kelvin*(p.linear+kelvin*p.square) + p.log*math.Log(kelvin)
}

// slope returns d(ln e)/dT in 1/K.
func (p *phase) slope(kelvin float64) float64 {
	reciprocal := 1 / kelvin
	return reciprocal*(p.log-p.inverse*reciprocal) + p.linear + 2*p.square*kelvin
}

// bend returns d²(ln e)/dT² in 1/K².
func (p *phase) bend(kelvin float64) float64 {
	reciprocal := 1 / kelvin
	return reciprocal*reciprocal*(2*p.inverse*reciprocal-p.log) + 2*p.square
}

// magnus returns the temperature in degrees Celsius at which the Magnus form has the given pressure.
func (p *phase) magnus(lnPascal float64) float64 {
	y := lnPascal - p.magnusLnE0
	return p.magnusB * y / (p.magnusA - y)
}

// temperature inverts lnPressure and returns kelvin, along with the number of steps it took. It takes Newton steps with
// the next term of the series (Chebyshev's method), which leave an error of about 3e-5·δ³ kelvin after a step of δ
// kelvin. The first one therefore does where the Magnus start is good to 0.1 K, from −52 to 65 °C over water, and the
// second one at the latest everywhere: to 1e-7 K.
func (p *phase) temperature(lnPascal float64) (kelvin float64, steps int) {
	kelvin = p.magnus(lnPascal) + zeroCelsius
	for steps < 4 {
		slope := p.slope(kelvin)
		step := (lnPascal - p.lnPressure(kelvin)) / slope
		kelvin += step * (1 - step*p.bend(kelvin)/(2*slope))
		steps++
		if math.Abs(step) < 0.1 {
			break
		}
	}
	return kelvin, steps
}

// SaturationPressureWater returns the saturation vapour pressure over liquid water in pascal by Sonntag 1990; below
// 0 °C that is supercooled water. It is NaN outside −100…100 °C. Error: 0.0066 % over 0…60 °C, see the package text for
// the cold side.
func SaturationPressureWater(celsius float64) (pascal float64) {
	kelvin := celsius + zeroCelsius
	if !(kelvin >= lowestKelvin && kelvin <= highestKelvin) {
		return math.NaN()
	}
	return math.Exp(water.lnPressure(kelvin))
}

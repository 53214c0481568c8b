package psychro

import "math"

// activationKelvin is ΔH/R with ΔH = 83.144 kJ/mol and R = 8.3144 J/(mol K), as in USP <1160>.
const activationKelvin = 83_144 / 8.3144

// KineticRate returns exp(−ΔH/(R·T)), to which the rate of an ageing process at a temperature is proportional. It is
// NaN at and below absolute zero.
func KineticRate(celsius float64) float64 {
	kelvin := celsius + zeroCelsius
	if !(kelvin > 0) {
		return math.NaN()
	}
	return math.Exp(-activationKelvin / kelvin)
}

// Three-point Gauss–Legendre quadrature on the unit interval.
var (
	gaussOffset  = math.Sqrt(0.6) / 2
	gaussWeights = [3]float64{5. / 18, 8. / 18, 5. / 18}
)

// KineticIntegral returns ∫ exp(−ΔH/(R·T)) dt in seconds over a time in which the temperature goes along a straight
// line. It is exact to 1e-6 of its value.
func KineticIntegral(fromCelsius, toCelsius, seconds float64) float64 {
	if fromCelsius == toCelsius {
		return KineticRate(fromCelsius) * seconds
	}
	pieces := 1 + math.Floor(min(math.Abs(toCelsius-fromCelsius), 1000)/10) // short enough for the quadrature
	piece := (toCelsius - fromCelsius) / pieces
	var sum float64
	for i := range int(pieces) {
		middle := fromCelsius + (float64(i)+0.5)*piece
		sum += gaussWeights[0]*KineticRate(middle-gaussOffset*piece) +
			gaussWeights[1]*KineticRate(middle) +
			gaussWeights[2]*KineticRate(middle+gaussOffset*piece)
	}
	return sum / pieces * seconds
}

// MeanKineticTemperature returns the constant temperature in degrees Celsius that would have done the same as the
// course of temperatures whose [KineticIntegral] is given, over the given time. It is NaN for no time. An error that all
// readings share, such as that of a sensor, passes into it nearly unchanged: its uncertainty is that of the sensor,
// and does not shrink with the number of readings.
func MeanKineticTemperature(integral, seconds float64) (celsius float64) {
	if !(integral > 0 && seconds > 0) {
		return math.NaN()
	}
	return -activationKelvin/math.Log(integral/seconds) - zeroCelsius
}

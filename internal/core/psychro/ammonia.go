package psychro

import "math"

// ammoniaEnthalpy is the coefficient of 1/T in the pKa of ammonium (Emerson et al. 1975), in kelvin.
const ammoniaEnthalpy = 2729.92

// UnionisedAmmonia returns the fraction (0 to 1) of the total ammonia of fresh water that is un-ionised, NH3, which is
// the poisonous form, by K. Emerson et al., J. Fish. Res. Board Can. 32 (1975) 2379–2383:
// pKa = 0.09018 + 2729.92/T, fraction = 1/(1 + 10^(pKa − pH)). It is NaN outside 0…50 °C and pH 0…14.
func UnionisedAmmonia(celsius, pH float64) (fraction float64) {
	if !(celsius >= 0 && celsius <= 50 && pH >= 0 && pH <= 14) {
		return math.NaN()
	}
	pKa := 0.09018 + ammoniaEnthalpy/(celsius+zeroCelsius)
	return 1 / (1 + math.Exp(math.Ln10*(pKa-pH)))
}

// UnionisedAmmoniaUncertainty returns the expanded uncertainty (k = 2) of [UnionisedAmmonia], from those of the
// temperature in kelvin and of the pH.
func UnionisedAmmoniaUncertainty(celsius, pH, uKelvin, uPH float64) (fraction float64) {
	f := UnionisedAmmonia(celsius, pH)
	kelvin := celsius + zeroCelsius
	return math.Ln10 * f * (1 - f) * combine(uPH, ammoniaEnthalpy/(kelvin*kelvin)*uKelvin)
}

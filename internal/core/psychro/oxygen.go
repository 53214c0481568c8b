package psychro

import "math"

const standardAtmosphere = 101_325 // pascal, by definition

// oxygen holds the terms of the equation of Benson & Krause at a temperature and a pressure, and their slopes.
type oxygen struct {
	milligramPerLitre float64
	perKelvin         float64 // relative, 1/K
	perAtmosphere     float64 // relative, 1/atm
}

// oxygenAt evaluates the equations of B. B. Benson & D. Krause, Limnol. Oceanogr. 29 (1984) 620–632, for fresh water, in
// the form of Standard Methods (APHA) 4500-O. T is in kelvin, t in degrees Celsius, P in atmospheres:
//
//	ln C = −139.34411 + 1.575701e5/T − 6.642308e7/T² + 1.243800e10/T³ − 8.621949e11/T⁴
//	C(P) = C·(P − u)·(1 − θP)/((1 − u)·(1 − θ))
//	ln u = 11.8571 − 3840.70/T − 216961/T²,  θ = 0.000975 − 1.426e-5·t + 6.436e-8·t²
func oxygenAt(celsius, pascal float64) (o oxygen, ok bool) {
	atmospheres := pascal / standardAtmosphere
	if !(celsius >= 0 && celsius <= 40 && atmospheres >= 0.5 && atmospheres <= 1.1) {
		return oxygen{}, false
	}
	r := 1 / (celsius + zeroCelsius)
	ln := -139.34411 + r*(1.575701e5+r*(-6.642308e7+r*(1.243800e10-r*8.621949e11)))
	lnSlope := -r * r * (1.575701e5 + r*(-2*6.642308e7+r*(3*1.243800e10-r*4*8.621949e11)))

	vapour := math.Exp(11.8571 - r*(3840.70+r*216961)) // partial pressure of water in atmospheres
	vapourSlope := vapour * r * r * (3840.70 + 2*r*216961)
	theta := 0.000975 + celsius*(-1.426e-5+celsius*6.436e-8)
	thetaSlope := -1.426e-5 + 2*celsius*6.436e-8

	o.milligramPerLitre = math.Exp(ln) * (atmospheres - vapour) * (1 - theta*atmospheres) / ((1 - vapour) * (1 - theta))
	o.perKelvin = lnSlope + vapourSlope*(1/(1-vapour)-1/(atmospheres-vapour)) +
		thetaSlope*(1/(1-theta)-atmospheres/(1-theta*atmospheres))
	o.perAtmosphere = 1/(atmospheres-vapour) - theta/(1-theta*atmospheres)
	return o, true
}

// OxygenSaturation returns the mass concentration of dissolved oxygen in fresh water in balance with water-saturated
// air of the given pressure, in kg/m³ (1 mg/L is 1e-3 kg/m³), by Benson & Krause 1984. The pressure is that of the place
// itself, not reduced to sea level. It is NaN outside 0…40 °C and 0.5…1.1 standard atmospheres (the range of the paper,
// from memory). Garcia & Gordon 1992 agrees within 0.06 %.
func OxygenSaturation(celsius, pascal float64) (kgPerM3 float64) {
	o, ok := oxygenAt(celsius, pascal)
	if !ok {
		return math.NaN()
	}
	return o.milligramPerLitre / 1000
}

// OxygenSaturationUncertainty returns the expanded uncertainty (k = 2) of [OxygenSaturation] in kg/m³.
func OxygenSaturationUncertainty(celsius, pascal, uKelvin, uPascal float64) (kgPerM3 float64) {
	o, ok := oxygenAt(celsius, pascal)
	if !ok {
		return math.NaN()
	}
	return o.milligramPerLitre / 1000 * combine(o.perKelvin*uKelvin, o.perAtmosphere*uPascal/standardAtmosphere)
}

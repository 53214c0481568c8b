package psychro

import "math"

// The aspirated psychrometer of WMO-No. 8, Annex 4.B, with a wick of liquid water:
//
//	e = e_w(t_w)·f − a·(1 + b·t_w)·p·(t − t_w)
const (
	psychrometerA = 6.53e-4 // 1/K
	psychrometerB = 9.44e-4 // 1/K
)

// enhancement returns how much more vapour saturated air of the given pressure holds than the pure phase (WMO-No. 8,
// Annex 4.B), and its derivative per pascal.
func enhancement(pascal float64) (factor, perPascal float64) {
	hectopascal := pascal / 100
	return 1.0016 + 3.15e-6*hectopascal - 0.074/hectopascal, (3.15e-6 + 0.074/(hectopascal*hectopascal)) / 100
}

// plausiblePressure reports whether air of that pressure can be meant: the formulas below hold for the atmosphere that
// people live in.
func plausiblePressure(pascal float64) bool { return pascal >= 30_000 && pascal <= 120_000 }

// psychrometer returns the surplus of the psychrometer equation in pascal, which is 0 at the wet-bulb temperature, and
// its derivative per kelvin of wet-bulb temperature.
func (a air) psychrometer(wetKelvin, pascal float64) (surplus, slope float64) {
	factor, _ := enhancement(pascal)
	wet := wetKelvin - zeroCelsius
	saturation := factor * math.Exp(water.lnPressure(wetKelvin))
	depression := a.kelvin - wetKelvin
	coefficient := psychrometerA * pascal * (1 + psychrometerB*wet)
	surplus = saturation - coefficient*depression - factor*a.pressure()
	slope = saturation*water.slope(wetKelvin) + coefficient - psychrometerA*pascal*psychrometerB*depression
	return surplus, slope
}

// psychrometerWetBulb returns the wet-bulb temperature in degrees Celsius. The surplus is convex, so that Newton steps from
// the temperature of the air come down to it without overshooting.
func (a air) psychrometerWetBulb(pascal float64) float64 {
	kelvin := a.kelvin
	for range 50 {
		surplus, slope := a.psychrometer(kelvin, pascal)
		step := surplus / slope
		kelvin -= step
		if math.Abs(step) < 1e-7 {
			break
		}
	}
	if kelvin < zeroCelsius {
		return math.NaN()
	}
	return min(kelvin-zeroCelsius, a.celsius) // rounding must not put it above the temperature
}

// WetBulbPsychrometer returns the temperature in degrees Celsius that the wet thermometer of an aspirated psychrometer
// shows (WMO-No. 8, Annex 4.B, with its enhancement factor): what an instrument reads, and about what a sensor element
// reads that has become wet. It is NaN where the wick would freeze (below 0 °C), and outside 300…1200 hPa. It lies above
// [WetBulbThermodynamic], by up to 0.2 K for 0…40 °C, 10 % or more, and 850 hPa or more.
func WetBulbPsychrometer(celsius, percentRH, pascal float64) (wetBulbCelsius float64) {
	a, ok := airOf(celsius, percentRH)
	if !ok || !plausiblePressure(pascal) {
		return math.NaN()
	}
	return a.psychrometerWetBulb(pascal)
}

// WetBulbPsychrometerUncertainty returns the expanded uncertainty (k = 2) of [WetBulbPsychrometer] in kelvin.
func WetBulbPsychrometerUncertainty(celsius, percentRH, pascal, uKelvin, uPercentRH, uPascal float64) (kelvin float64) {
	a, ok := airOf(celsius, percentRH)
	if !ok || !plausiblePressure(pascal) {
		return math.NaN()
	}
	wet := a.psychrometerWetBulb(pascal)
	wetKelvin, depression := wet+zeroCelsius, celsius-wet
	factor, factorPerPascal := enhancement(pascal)
	saturation := math.Exp(water.lnPressure(wetKelvin))
	_, slope := a.psychrometer(wetKelvin, pascal)
	// Sensitivities by the implicit function theorem: those of the surplus, divided by its slope.
	perKelvin := psychrometerA*pascal*(1+psychrometerB*wet) + factor*a.pressure()*water.slope(a.kelvin)
	perPercent := factor * a.saturation / 100
	perPascal := factorPerPascal*(saturation-a.pressure()) - psychrometerA*(1+psychrometerB*wet)*depression
	return combine(perKelvin*uKelvin, perPercent*uPercentRH, perPascal*uPascal) / slope
}

// adiabatic holds the coefficients of the energy balance of adiabatic saturation (ASHRAE Handbook Fundamentals 2017,
// chapter 1, equations 33 and 35), enthalpies in kJ/kg and temperatures in degrees Celsius:
//
//	W = ((latent − latentPer·t_w)·W_s(t_w) − 1.006·(t − t_w)) / (latent + 1.86·t − liquidPer·t_w)
type adiabatic struct {
	phase                        *phase
	latent, latentPer, condensed float64
}

var (
	overWater = adiabatic{phase: &water, latent: 2501, latentPer: 2.326, condensed: 4.186}
	overIce   = adiabatic{phase: &ice, latent: 2830, latentPer: 0.24, condensed: 2.1}
)

const (
	heatOfAir    = 1.006 // kJ/(kg K)
	heatOfVapour = 1.86  // kJ/(kg K)
)

// ratio returns the mixing ratio that air of the given temperature must have for a wet bulb of wet, both in degrees
// Celsius: +Inf where water boils.
func (s *adiabatic) ratio(celsius, wet, pascal float64) float64 {
	saturated := mixingRatio(math.Exp(s.phase.lnPressure(wet+zeroCelsius)), pascal)
	if math.IsNaN(saturated) {
		return math.Inf(1)
	}
	return ((s.latent-s.latentPer*wet)*saturated - heatOfAir*(celsius-wet)) /
		(s.latent + heatOfVapour*celsius - s.condensed*wet)
}

// wetBulbThermodynamic returns the wet bulb in degrees Celsius and the balance it comes from.
func (a air) wetBulbThermodynamic(pascal float64) (wet float64, balance *adiabatic) {
	target := mixingRatio(a.pressure(), pascal)
	if a.celsius < 0 || math.IsNaN(target) || !plausiblePressure(pascal) {
		return math.NaN(), &overWater
	}
	low, high, balance := 0.0, a.celsius, &overWater
	if target < overWater.ratio(a.celsius, 0, pascal) {
		low, high, balance = lowestKelvin-zeroCelsius, 0, &overIce
	}
	// Halving is slow but cannot miss, whatever the pressure; 48 halvings of 100 K leave less than 1e-12 K.
	for range 48 {
		middle := (low + high) / 2
		if balance.ratio(a.celsius, middle, pascal) > target {
			high = middle
		} else {
			low = middle
		}
	}
	return high, balance
}

// WetBulbThermodynamic returns the temperature of adiabatic saturation in degrees Celsius (ASHRAE Handbook Fundamentals
// 2017, chapter 1): how far evaporating water can cool the air. Below 0 °C the bulb is ice; just above, where the
// equations give an ice and a water answer, it is the water one. It is NaN for air below 0 °C, outside 300…1200 hPa, and
// where the vapour pressure is not below the air pressure.
func WetBulbThermodynamic(celsius, percentRH, pascal float64) (wetBulbCelsius float64) {
	a, ok := airOf(celsius, percentRH)
	if !ok {
		return math.NaN()
	}
	wet, _ := a.wetBulbThermodynamic(pascal)
	return wet
}

// WetBulbThermodynamicUncertainty returns the expanded uncertainty (k = 2) of [WetBulbThermodynamic] in kelvin.
func WetBulbThermodynamicUncertainty(celsius, percentRH, pascal, uKelvin, uPercentRH, uPascal float64) (kelvin float64) {
	a, ok := airOf(celsius, percentRH)
	if !ok {
		return math.NaN()
	}
	wet, s := a.wetBulbThermodynamic(pascal)
	wetKelvin := wet + zeroCelsius

	// The balance is G(t, t_w, p) = W(t, U, p); its derivatives, with those of the two mixing ratios.
	saturation := math.Exp(s.phase.lnPressure(wetKelvin))
	saturated := mixingRatio(saturation, pascal)
	saturatedPerVapour, saturatedPerPascal := mixingRatioSlopes(saturation, pascal)
	perVapour, ratioPerPascal := mixingRatioSlopes(a.pressure(), pascal)
	latent := s.latent - s.latentPer*wet
	divisor := s.latent + heatOfVapour*celsius - s.condensed*wet
	value := (latent*saturated - heatOfAir*(celsius-wet)) / divisor

	balancePerWet := (latent*saturatedPerVapour*saturation*s.phase.slope(wetKelvin) - s.latentPer*saturated + heatOfAir + value*s.condensed) / divisor
	balancePerKelvin := -(heatOfAir + value*heatOfVapour) / divisor
	balancePerPascal := latent * saturatedPerPascal / divisor

	perKelvin := perVapour*a.pressure()*water.slope(a.kelvin) - balancePerKelvin
	perPercent := perVapour * a.saturation / 100
	perPascal := ratioPerPascal - balancePerPascal
	return combine(perKelvin*uKelvin, perPercent*uPercentRH, perPascal*uPascal) / balancePerWet
}

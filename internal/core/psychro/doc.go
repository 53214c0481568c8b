// Package psychro computes what follows from the temperature and the relative humidity of air: dew point, vapour-pressure
// deficit and absolute humidity, each with its uncertainty. It also has the oxygen that water can hold, the humidity over
// saturated salts for calibration, and the mean kinetic temperature.
//
//	dewPoint, deficit, humidity := psychro.Derive(24.0, 80.0) // 20.337 °C, 597 Pa, 0.01742 kg/m³
//	u := psychro.DewPointUncertainty(24.0, 80.0, 0.4, 3.0)    // 0.72 K (k = 2)
//
// # Units
//
// Temperatures are in degrees Celsius,
// temperature differences and their uncertainties in kelvin, relative humidity in percent (0 to 100) over liquid water
// at every temperature, also below 0 °C (WMO-No. 8), pressures in pascal, absolute humidity and dissolved oxygen in
// kg/m³. These are the canonical units of package quantity.
//
// # Where there is no answer
//
// A function returns NaN where its formula has no answer: for NaN inputs, for a temperature outside the range of the
// formula, for a negative relative humidity, and as each function says. Air of 0 % has no dew point, but a deficit. A
// relative humidity above 100 %, which sensors do report, is taken as 100 %; [ClampHumidity] reports when that happens,
// so that the caller can flag the result as suspect.
//
// # Formulation
//
// The saturation vapour pressure is the reference equation of D. Sonntag, "Important new values of the physical
// constants of 1986, vapour pressure formulations based on the ITS-90, and psychrometer formulae", Z. Meteorol. 70
// (1990) 340–344, over water, stated for −100…100 °C. The dew point is its inverse, by Newton steps of second order on the
// logarithm of the pressure from a Magnus start value; the inversion itself is good to 1e-7 K. Largest errors, measured
// against IAPWS-95 and, for supercooled water, Murphy & Koop 2005:
//
//	saturation pressure over water, 0…60 °C      0.0066 %
//	  supercooled, down to −20 °C                0.066 %
//	  supercooled, down to −40 °C                0.64 %
//	dew point, where it is 0 °C or above         0.0016 K
//	  −20…0 °C                                   0.008 K
//	  −40…−20 °C                                 0.06 K
//
// Water vapour is treated as an ideal gas (R = 461.523 J/(kg K)): saturated vapour is really denser than that, by
// 0.06 % at 0 °C, 0.17 % at 25 °C and 0.53 % at 60 °C.
//
// The enhancement factor of moist air is left out: saturated air of normal pressure holds 0.41 % (5 °C) to 0.54 %
// (50 °C) more vapour than the pure phase does. Only the ratio of two such factors enters a dew point, at most 0.009 K
// over 15…40 °C and 40…100 %; in absolute humidity and deficit it is about 0.4 %. A humidity sensor of ±2 % relative
// humidity is an order of magnitude coarser than either, and without the factor none of the three needs the air pressure.
//
// # Uncertainty
//
// The functions ending in Uncertainty propagate by the first order of JCGM 100:2008 (GUM), section 5.1: expanded
// uncertainties (k = 2) of the inputs go in, the expanded uncertainty (k = 2) of the result comes out. The inputs are
// taken as independent of each other, which is not quite so for temperature and humidity from one chip. What is
// propagated is the inputs only; the error of the formulation, listed above, is smaller than that of any sensor and is
// not added. Against a Monte Carlo computation (JCGM 101:2008) the first order is within 2 % down to 20 % relative
// humidity; it fails where the uncertainty of the humidity comes near the humidity itself, and at saturation, where
// the true distribution is cut off on one side.
package psychro

// Package growth says when animals will reach the next stage of their life, from the temperatures of their water.
//
// Two published models give the rate of development: degree-days above a threshold (Charnov & Gillooly 2003, Evol. Ecol. Res.
// 5:43–51), and the exponential of Arrhenius with an activation energy of 0.65 eV. Neither is right, so that the answer is a window:
// from the earlier to the later of the two, each with a spread for the batch. Each Gosner stage that was seen narrows it.
//
//	span := growth.Span{Reference: growth.Reference{For: 60 * 24 * time.Hour, At: 24, Cap: 26}, First: 21, End: 42}
//	w := growth.Forecast(span, begun, dailyMeans, seen, now)
//	w.Early, w.Late
//
// Nothing of it is stored: it follows from intervals, daily means and the reference. It is pure.
package growth

import (
	"math"
	"time"
)

// Reference says how long a span of life lasts at one constant temperature of the water.
type Reference struct {
	For time.Duration // D₀
	At  float64       // T₀ in °C
	// Cap is the temperature in °C above which nothing gets faster; 0 means none. Published rates level off, or fall, near the top
	// (Goldstein et al. 2017 on Rana onca; Nemyko et al. 2019 on Lissotriton lantzi): the high limit of the band is a good choice.
	Cap float64
}

const (
	// threshold is how far below the reference development stands still, in K: the 10 °C rule of Charnov & Gillooly (2003).
	threshold = 10
	// activation is E in eV, the middle of the 0.6 to 0.7 of the metabolic theory (Gillooly et al. 2002, Nature 417:70–73; the
	// single value from memory).
	activation = 0.65
	boltzmann  = 8.617333262e-5 // eV/K, CODATA 2018
	zero       = 273.15         // K
	day        = 24 * time.Hour
)

// A Rate is the share of a span that passes in a day at a temperature in °C.
type Rate func(celsius float64) float64

// Linear returns the rate by degree-days.
func (r *Reference) Linear() Rate {
	perKelvin := 1 / (threshold * r.days())
	return func(celsius float64) float64 { return max(0, r.capped(celsius)-(r.At-threshold)) * perKelvin }
}

// Arrhenius returns the rate by the exponential of Arrhenius.
func (r *Reference) Arrhenius() Rate {
	return func(celsius float64) float64 {
		return math.Exp(activation/boltzmann*(1/(r.At+zero)-1/(r.capped(celsius)+zero))) / r.days()
	}
}

func (r *Reference) days() float64 { return r.For.Hours() / 24 }

func (r *Reference) capped(celsius float64) float64 {
	if r.Cap != 0 {
		return min(celsius, r.Cap)
	}
	return celsius
}

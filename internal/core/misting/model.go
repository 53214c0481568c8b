package misting

import "math"

// Indices of the parameters of the model, in the space in which they are fitted.
const (
	lnExchange   = iota // ln of air changes per hour, mean of day and night
	byLight             // ln of the ratio of air changes by day to those by night
	lnKappa             // ln of the evaporation of soil and plants, per hour
	kappaByLight        // ln of the ratio of kappa by day to that by night
	lnFilmRate          // ln of the evaporation of wet leaves, per hour
	lnDose              // ln of the water that a usual misting leaves on leaves, g per m³ of air
	logitJump           // share of the deficit that the mist fills at once, as a logit
	lnLag               // ln of the lag of the sensor in minutes
	lnStore             // ln of what moss and wood hold, g/m³ per unit of relative humidity
	lnStoreLag          // ln of the hours in which they follow the air
	lnFilmEnd           // ln of the part of a usual film below which the wet area shrinks
	parameters
)

// theta is one set of parameters.
type theta [parameters]float64

// prior is what is believed before anything is measured: wide for what an enclosure may be. It keeps
// the fit from running away along directions of which the recording says nothing. Engineering judgement throughout.
var prior = [parameters]struct{ mean, sd float64 }{
	lnExchange:   {math.Log(1), 1},
	byLight:      {0, 0.3},
	lnKappa:      {math.Log(0.9), 1},
	kappaByLight: {0.1, 0.2},
	lnFilmRate:   {math.Log(7), 0.5},
	lnDose:       {math.Log(8), 0.8},
	logitJump:    {1.5, 1.2},
	lnLag:        {math.Log(1), 0.7},
	lnStore:      {math.Log(2), 0.5},
	lnStoreLag:   {math.Log(2.5), 0.4},
	lnFilmEnd:    {math.Log(0.4), 0.5},
}

func startTheta() theta {
	var t theta
	for i := range t {
		t[i] = prior[i].mean
	}
	return t
}

// condition is the state of the model at a minute.
type condition struct {
	vapour, film, store, shown float64
}

// run lets the model live through the series with the doses of each minute, and writes the humidity that the sensor would show, in
// %RH; NaN where temperatures or the room are unknown. It begins each known stretch at the measured humidity.
func (s *series) run(t *theta, doses []float64, out []float64) { s.live(t, doses, out, nil, nil) }

// life is what else a run of the model can say, minute by minute.
type life struct {
	vapour []float64
	film   []float64 // of a usual misting's
}

// live is run; with lost it does not begin again after a door at what is measured, but loses the same share of what it has over the
// room, so that another schedule meets the same doors.
func (s *series) live(t *theta, doses []float64, out []float64, lost []float64, also *life) {
	const hours = 1.0 / 60
	mean, ratio := math.Exp(t[lnExchange]), math.Exp(t[byLight]/2)
	exchange := [2]float64{mean / ratio, mean * ratio} // by night, by day
	leaves := math.Exp(t[kappaByLight] / 2)
	kappas := [2]float64{math.Exp(t[lnKappa]) / leaves, math.Exp(t[lnKappa]) * leaves}
	filmRate, dose := math.Exp(t[lnFilmRate]), math.Exp(t[lnDose])
	jump := 1 / (1 + math.Exp(-t[logitJump]))
	follow := 1 - math.Exp(-math.Exp(-t[lnLag]))
	storeLag := math.Exp(t[lnStoreLag])
	conduct := math.Exp(t[lnStore]) / storeLag
	filmEnd := dose * math.Exp(t[lnFilmEnd])
	alive := false
	var c condition
	for i := range out {
		sat, room := s.sat[i], s.room[i]
		if math.IsNaN(sat) || math.IsNaN(room) {
			out[i], alive = math.NaN(), false
			continue
		}
		if !alive {
			h := s.humidity[i]
			if math.IsNaN(h) {
				out[i] = math.NaN()
				continue
			}
			alive = true
			h = min(1, h/100)
			c = condition{vapour: h * sat, store: h, shown: h}
		}
		switch {
		case lost != nil && lost[i] != 0:
			c.vapour = min(sat, room+(1-lost[i])*(c.vapour-room))
			c.shown = c.vapour / sat
		case lost == nil && s.reset != nil && !math.IsNaN(s.reset[i]):
			c.vapour = min(sat, s.reset[i])
			c.shown = c.vapour / sat
		}
		if d := doses[i]; d > 0 {
			c.film += dose * d
			filled := jump
			if d < 1 {
				filled *= d // a shorter burst carries less
			}
			c.vapour += filled * max(0, sat-c.vapour)
		}
		n, kappa := exchange[0], kappas[0]
		if s.day[i] {
			n, kappa = exchange[1], kappas[1]
		}
		wet := 0.0
		if c.film > 0 {
			wet = filmRate
			if share := c.film / filmEnd; share < 1 {
				wet *= math.Cbrt(share * share) // drops: area goes with the volume to the power 2/3
			}
		}
		store := conduct / sat
		rate := n + kappa + wet + store
		level := (n*room + kappa*s.soil[i] + wet*sat + store*c.store*sat) / rate
		x := rate * hours
		left := (12 - 6*x + x*x) / (12 + 6*x + x*x) // e^−x by Padé
		before := c.vapour
		c.vapour = min(sat, level+(before-level)*left)
		middle := (before + c.vapour) / 2
		if wet > 0 {
			c.film = max(0, c.film-wet*(sat-middle)*hours)
		}
		relative := middle / sat
		c.store += (relative - c.store) * hours / storeLag
		c.shown += (c.vapour/sat - c.shown) * follow
		out[i] = min(100, 100*c.shown)
		if also != nil {
			also.vapour[i], also.film[i] = c.vapour, c.film/dose
		}
	}
}

package main

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"dewline/internal/core/growth"
	"dewline/internal/core/instant"
)

// schoolfield is the true rate of development relative to that at 24 °C: it rises like Arrhenius and is shut off by heat, after
// Sharpe & DeMichele 1977 and Schoolfield et al. 1981 (from memory), with E = 0.65 eV, Eh = 3 eV and Th = 30 °C.
func schoolfield(celsius float64) float64 {
	const e, eh, th, boltzmann, zero = 0.65, 3.0, 30 + 273.15, 8.617333262e-5, 273.15
	rate := func(kelvin float64) float64 {
		return math.Exp(-e/boltzmann/kelvin) / (1 + math.Exp(eh/boltzmann*(1/th-1/kelvin)))
	}
	return rate(celsius+zero) / rate(24+zero)
}

const (
	siblings  = 25
	siblingCV = 0.12 // of their times
	batchCV   = 0.10 // of batches about the reference; invented
	maxDays   = 300
)

// cohort is an invented batch: its water, and when its animals reach each Gosner stage.
type cohort struct {
	days  []growth.Day // as the sensor has them
	seen  []growth.Sight
	end   float64   // days after which half of the siblings have reached Gosner 42
	ends  []float64 // of each
	means float64   // °C, true, to the end
}

// begun is when every cohort becomes larvae.
var begun = instant.Of(time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC))

func after(days float64) instant.Instant {
	return begun.Add(time.Duration(days * 24 * float64(time.Hour)))
}

// newCohort invents a cohort: water that drifts with the season, from week to week and within the day, at times a heat wave; a batch
// that is faster or slower than the reference; shares of the stages that are not those of the model; a keeper who looks once a week,
// from Gosner 38 on every second day, at the stage that most have reached, and is at times one stage off.
func newCohort(seed uint64) cohort {
	rng := rand.New(rand.NewPCG(seed, 26))
	c := cohort{}
	mean, season, phase := 21+6*rng.Float64(), 1.5*rng.Float64(), 2*math.Pi*rng.Float64()
	swing, bias := 0.3+2*rng.Float64(), 0.2*rng.NormFloat64()
	wave, waveFrom, waveDays := 0.0, 20+40*rng.Float64(), 4+5*rng.Float64()
	if rng.Float64() < 0.3 {
		wave = 2 + 2*rng.Float64()
	}
	batch := math.Exp(batchCV * rng.NormFloat64())
	bend := math.Exp(0.06 * rng.NormFloat64()) // of the shares of the stages
	var speeds []float64
	for range siblings {
		speeds = append(speeds, batch*math.Exp(siblingCV*rng.NormFloat64()))
	}
	slices.Sort(speeds)
	half := speeds[siblings/2]

	progress, weekly := 0.0, 0.0 // in days at 24 °C of a batch like the reference
	c.ends = make([]float64, siblings)
	look, warmth, hours := 7.0, 0.0, 0
	for d := range maxDays {
		weekly = 0.85*weekly + 0.35*rng.NormFloat64()
		sum := 0.0
		for hour := range 24 {
			at := float64(d) + float64(hour)/24
			celsius := mean + season*math.Sin(2*math.Pi*at/180+phase) + weekly + swing*math.Sin(2*math.Pi*float64(hour-9)/24)
			if at > waveFrom && at < waveFrom+waveDays {
				celsius += wave
			}
			sum += celsius
			progress += schoolfield(celsius) / 24
			for i := range speeds {
				if c.ends[i] == 0 && progress >= 60*speeds[i] {
					c.ends[i] = at + 1./24
				}
			}
			if c.end == 0 {
				warmth, hours = warmth+celsius, hours+1
			}
			if c.end == 0 && progress >= 60*half {
				c.end, c.means = at+1./24, warmth/float64(hours)
			}
		}
		c.days = append(c.days, growth.Day{At: after(float64(d)), Celsius: sum/24 + bias})
		if now := float64(d) + 1; now >= look && c.end == 0 {
			gosner := trueStage(progress/60/half, bend) + misread(rng)
			gosner = min(max(gosner, 21), 41)
			c.seen = append(c.seen, growth.Sight{At: after(now), Gosner: gosner})
			look = now + 7
			if gosner >= 38 {
				look = now + 2
			}
		}
	}
	return c
}

// trueStage is the Gosner stage at a part of the larva's time: the landmarks of package growth bent by the batch, and moved where a
// published staging of another kind has them (invented).
func trueStage(part, bend float64) int {
	marks := []struct {
		gosner int
		part   float64
	}{{21, 0}, {25, 0.03}, {31, 0.36}, {36, 0.66}, {38, 0.76}, {40, 0.88}, {41, 0.94}, {42, 1}}
	part = math.Pow(min(part, 1), bend)
	for i := 1; i < len(marks); i++ {
		if a, b := marks[i-1], marks[i]; part < b.part {
			return a.gosner + int(float64(b.gosner-a.gosner)*(part-a.part)/(b.part-a.part))
		}
	}
	return 41
}

// misread is by how much a keeper is off.
func misread(rng *rand.Rand) int {
	switch x := rng.Float64(); {
	case x < 0.12:
		return -1
	case x > 0.88:
		return 1
	}
	return 0
}

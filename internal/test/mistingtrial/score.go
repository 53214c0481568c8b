package main

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/misting"
	"dewline/internal/test/planted"
)

// start is a local midnight (the simulated clock is UTC).
var start = instant.Of(time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC))

// row is the score of one enclosure.
type row struct {
	seed              uint64
	mistings          int // a day
	due, found, right int

	n, trueN, kappa, trueKappa float64 // NaN where refused
	nIn, kappaIn               bool
	doors                      int
	refused                    string

	limit                       float64
	now, truth                  float64 // hours below a day
	forecast                    misting.Interval
	blind                       misting.Interval // the same with nothing on record
	rivalSame, rivalExponential float64
	nextTruth                   float64 // of a week that the fit has not seen
}

const header = "seed a-day  due found right |  n     true   err |  κ     true   err | doors | limit   now  truth  forecast  low–high       | unrecorded | rivals: same, exponential | next week"

func relative(got, want float64) string {
	if math.IsNaN(got) {
		return "   –"
	}
	return fmt.Sprintf("%+3.0f%%", 100*(got/want-1))
}

func number(v float64) string {
	if math.IsNaN(v) {
		return "   –"
	}
	return fmt.Sprintf("%4.2f", v)
}

func (r *row) line() string {
	mark := func(v float64) string {
		if r.within(v, r.truth) {
			return "  "
		}
		return " !"
	}
	in := " "
	if !inside(r.forecast, r.truth) {
		in = "*"
	}
	return fmt.Sprintf("%4d  %d     %3d  %3d   %3d  | %s  %4.2f  %s | %s  %4.2f  %s |  %3d  |  %2.0f   %5.2f  %5.2f  %5.2f%s  %5.2f–%5.2f%s  | %5.2f%s    | %5.2f%s  %5.2f%s          | %5.2f",
		r.seed, r.mistings, r.due, r.found, r.right, number(r.n), r.trueN, relative(r.n, r.trueN), number(r.kappa), r.trueKappa, relative(r.kappa, r.trueKappa), r.doors,
		r.limit, r.now, r.truth, r.forecast.Mid, mark(r.forecast.Mid), r.forecast.Low, r.forecast.High, in, r.blind.Mid, mark(r.blind.Mid), r.rivalSame, mark(r.rivalSame), r.rivalExponential, mark(r.rivalExponential), r.nextTruth)
}

// within says whether a forecast of hours below is good: within 15 % or half an hour a day, whichever is larger.
func (r *row) within(got, truth float64) bool { return math.Abs(got-truth) <= max(0.5, 0.15*truth) }

func inside(i misting.Interval, v float64) bool { return v >= i.Low-1.0/60 && v <= i.High+1.0/60 }

func samples(readings []planted.Sample) []misting.Sample {
	out := make([]misting.Sample, len(readings))
	for i, r := range readings {
		out[i] = misting.Sample{At: r.At, Value: r.Value}
	}
	return out
}

// recording makes what the program would know of an enclosure.
func recording(past *planted.Past, days int, recorded []planted.Misting, limit float64) *misting.Recording {
	r := &misting.Recording{
		From: start, To: start.Add(time.Duration(days) * 24 * time.Hour), Location: time.UTC,
		Air: samples(past.Air), Humidity: samples(past.Humidity), RoomAir: samples(past.RoomAir), RoomHumidity: samples(past.RoomHumidity),
		Day:    func(at instant.Instant) bool { h := at.Time().Hour(); return h >= 7 && h < 19 },
		Limits: func(instant.Instant) (low, high float64) { return limit, math.NaN() },
	}
	for _, m := range recorded {
		r.Mistings = append(r.Mistings, misting.Misting{At: m.At, Dose: m.Dose})
	}
	return r
}

func schedule(plan []planted.Day) misting.Schedule {
	var s misting.Schedule
	for _, d := range plan {
		s = append(s, misting.Slot{Minute: int(math.Round(d.Hour * 60)), Dose: d.Dose})
	}
	return s
}

// score lets an enclosure live under one plan, analyses what its sensors have shown, asks what another plan would bring, and lets it live
// under that one over the same weather.
func score(seed uint64, days int) row {
	e := planted.Draw(seed, start)
	plan := planted.Plan(seed, 1+int(seed%4))
	other := planted.Plan(seed+500_000, 1+int(seed/4%4))
	mistings := e.Mistings(plan, days)
	past := e.Live(mistings, days)
	there := e.Live(e.Mistings(other, days), days)
	later := append(slices.Clone(mistings), e.Mistings(other, days+7)[days*len(other):]...)
	next := e.Live(later, days+7)

	r := row{seed: seed, mistings: len(plan), trueN: past.AirChanges, trueKappa: past.Kappa}
	r.limit = limitFor(past.Shown, 2+float64(seed%5)*2)
	r.now, r.truth = hoursBelow(past.Shown, r.limit, 1), hoursBelow(there.Shown, r.limit, 1)
	r.nextTruth = hoursBelow(next.Shown, r.limit, days+1)

	blind := misting.Analyse(recording(past, days, nil, r.limit))
	r.match(mistings, blind.Events)
	if out, err := blind.WhatIf(schedule(other)); err == nil {
		r.blind = out.Below
	} else {
		r.blind = misting.Interval{Low: math.NaN(), Mid: math.NaN(), High: math.NaN()}
	}
	a := misting.Analyse(recording(past, days, mistings, r.limit))
	r.n, r.kappa, r.doors, r.refused = a.Fit.AirChanges.Mid, a.Fit.Kappa.Mid, a.Fit.Doors, a.Fit.Refused+a.Fit.RefusedParts
	r.nIn, r.kappaIn = inside(a.Fit.AirChanges, r.trueN), inside(a.Fit.Kappa, r.trueKappa)
	r.forecast = misting.Interval{Low: math.NaN(), Mid: math.NaN(), High: math.NaN()}
	if out, err := a.WhatIf(schedule(other)); err == nil {
		r.forecast = out.Below
	}
	r.rivalSame = r.now
	r.rivalExponential = exponentialRival(past.Shown, mistings, plan, other, r.limit)
	return r
}

// match counts the mistings that were recognised within ten minutes.
func (r *row) match(mistings []planted.Misting, events []misting.Event) {
	used := make([]bool, len(events))
	r.due, r.found = len(mistings), len(events)
	for _, m := range mistings {
		for k := range events {
			if d := events[k].At.Sub(m.At); !used[k] && d > -10*time.Minute && d < 10*time.Minute {
				used[k] = true
				r.right++
				break
			}
		}
	}
}

// limitFor returns the low limit, in steps of 5 %RH, for which the hours below are nearest to a target.
func limitFor(shown []float64, target float64) float64 {
	best, nearest := 70.0, math.Inf(1)
	for limit := 50.0; limit <= 95; limit += 5 {
		if d := math.Abs(hoursBelow(shown, limit, 1) - target); d < nearest {
			best, nearest = limit, d
		}
	}
	return best
}

// hoursBelow returns hours a day, from a day on.
func hoursBelow(shown []float64, limit float64, fromDay int) float64 {
	count := 0
	tail := shown[fromDay*24*60:]
	for _, h := range tail {
		if h < limit {
			count++
		}
	}
	return float64(count) / float64(len(tail)) * 24
}

// exponentialRival is a plain exponential in relative humidity: every misting goes to the usual peak, and the humidity falls from there with
// the usual time constant to the usual floor. Like the model it only has to say what the other plan changes.
func exponentialRival(shown []float64, mistings []planted.Misting, plan, other []planted.Day, limit float64) float64 {
	var floors []float64
	for _, m := range mistings {
		if i := int(m.At.Sub(start) / time.Minute); i > 30 {
			floors = append(floors, median(shown[i-30:i]))
		}
	}
	floor := median(floors)
	var peaks, falls []float64
	for k, m := range mistings {
		i := int(m.At.Sub(start) / time.Minute)
		end := len(shown)
		if k+1 < len(mistings) {
			end = int(mistings[k+1].At.Sub(start) / time.Minute)
		}
		peak := slices.Max(shown[i:min(i+30, end)])
		peaks = append(peaks, peak)
		for j := i + 15; j < end; j++ {
			if shown[j] <= floor+(peak-floor)*math.Exp(-1) {
				falls = append(falls, float64(j-i))
				break
			}
		}
	}
	if len(falls) == 0 {
		return hoursBelow(shown, limit, 1)
	}
	peak, tau := median(peaks), median(falls)
	hours := func(plan []planted.Day) float64 {
		at := make([]bool, 24*60)
		for _, d := range plan {
			at[int(math.Round(d.Hour*60))%len(at)] = true
		}
		h, count := floor, 0
		for i := range 2 * len(at) {
			if at[i%len(at)] {
				h = peak
			}
			h = floor + (h-floor)*math.Exp(-1/tau)
			if i >= len(at) && h < limit {
				count++
			}
		}
		return float64(count) / 60
	}
	return min(max(hoursBelow(shown, limit, 1)+hours(other)-hours(plan), 0), 24)
}

func median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	sorted := slices.Sorted(slices.Values(values))
	return sorted[len(sorted)/2]
}

// summary is what the rows come to.
type summary struct {
	rows                                           int
	precision, recall, worstPrecision, worstRecall float64
	statedN, goodN, coveredN                       int
	statedK, goodK, coveredK                       int
	medianN, worstN, medianK, worstK               float64
	forecasts, good, covered                       int
	medianMiss, worstMiss                          float64
	blindGood, sameGood, exponentialGood           int
	blindMiss, sameMiss, exponentialMiss           float64
	nextGood, nextCovered, nextSameGood            int
	medianWidth                                    float64
}

func summarise(rows []row) summary {
	s := summary{rows: len(rows), worstPrecision: 1, worstRecall: 1}
	var due, found, right float64
	var n, k, misses, blind, same, exponential, widths []float64
	for i := range rows {
		r := &rows[i]
		due, found, right = due+float64(r.due), found+float64(r.found), right+float64(r.right)
		s.worstPrecision = min(s.worstPrecision, float64(r.right)/max(1, float64(r.found)))
		s.worstRecall = min(s.worstRecall, float64(r.right)/float64(r.due))
		if !math.IsNaN(r.n) {
			e := math.Abs(r.n/r.trueN - 1)
			n = append(n, e)
			s.statedN++
			s.goodN += count(e <= 0.10)
			s.coveredN += count(r.nIn)
		}
		if !math.IsNaN(r.kappa) {
			e := math.Abs(r.kappa/r.trueKappa - 1)
			k = append(k, e)
			s.statedK++
			s.goodK += count(e <= 0.15)
			s.coveredK += count(r.kappaIn)
		}
		if !math.IsNaN(r.forecast.Mid) {
			s.forecasts++
			s.good += count(r.within(r.forecast.Mid, r.truth))
			s.covered += count(inside(r.forecast, r.truth))
			misses = append(misses, math.Abs(r.forecast.Mid-r.truth))
			widths = append(widths, r.forecast.High-r.forecast.Low)
			s.nextGood += count(r.within(r.forecast.Mid, r.nextTruth))
			s.nextCovered += count(inside(r.forecast, r.nextTruth))
		}
		s.blindGood += count(r.within(r.blind.Mid, r.truth))
		s.sameGood += count(r.within(r.rivalSame, r.truth))
		s.nextSameGood += count(r.within(r.rivalSame, r.nextTruth))
		s.exponentialGood += count(r.within(r.rivalExponential, r.truth))
		if !math.IsNaN(r.blind.Mid) {
			blind = append(blind, math.Abs(r.blind.Mid-r.truth))
		}
		same, exponential = append(same, math.Abs(r.rivalSame-r.truth)), append(exponential, math.Abs(r.rivalExponential-r.truth))
	}
	s.precision, s.recall = right/max(1, found), right/max(1, due)
	s.medianN, s.worstN, s.medianK, s.worstK = median(n), largest(n), median(k), largest(k)
	s.medianMiss, s.worstMiss, s.medianWidth = median(misses), largest(misses), median(widths)
	s.blindMiss, s.sameMiss, s.exponentialMiss = median(blind), median(same), median(exponential)
	return s
}

func count(yes bool) int {
	if yes {
		return 1
	}
	return 0
}

func largest(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	return slices.Max(values)
}

func (s summary) text() string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("\n! = off by more than 15 %% and 30 min a day; * = outside the 80 %% interval; – = refused")
	line("events      precision %.3f, worst enclosure %.2f; recall %.3f, worst %.2f (goal 0.95; gaps of the sensor count against it)", s.precision, s.worstPrecision, s.recall, s.worstRecall)
	line("n           stated for %d of %d; within 10 %%: %d; median error %.1f %%, worst %.1f %%; inside its interval: %d", s.statedN, s.rows, s.goodN, 100*s.medianN, 100*s.worstN, s.coveredN)
	line("κ           stated for %d of %d; within 15 %%: %d; median error %.1f %%, worst %.1f %%; inside its interval: %d", s.statedK, s.rows, s.goodK, 100*s.medianK, 100*s.worstK, s.coveredK)
	line("what-if     good %d of %d (goal 80 %%); median error %.2f h a day, worst %.2f; interval holds the truth in %d (goal 75–90 %%), median width %.2f h", s.good, s.forecasts, s.medianMiss, s.worstMiss, s.covered, s.medianWidth)
	line("            with nothing on record: good %d of %d, median error %.2f", s.blindGood, s.rows, s.blindMiss)
	line("rivals      nothing changes: good %d of %d, median error %.2f; exponential in %%RH: good %d, median error %.2f", s.sameGood, s.rows, s.sameMiss, s.exponentialGood, s.exponentialMiss)
	line("next week   of other weather: good %d of %d, inside the interval %d (it is not made for that); nothing changes: good %d", s.nextGood, s.forecasts, s.nextCovered, s.nextSameGood)
	return b.String()
}

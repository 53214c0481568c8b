package misting

import "math"

// Suggestion is the least water that keeps the band and leaves a drying-out window, or why there is none.
type Suggestion struct {
	Found   bool
	Outlook Outlook // where one was found
	Reason  string
}

const (
	// A schedule keeps the band when it is below for no longer than this, in h a day, and leaves a window when leaves dry for so long.
	// Husbandry: leaves should dry within 2 to 4 h at least once a day; common practice.
	keepsBand = 0.5
	driesOut  = 2.0
	firstHour = 6
	lastHour  = 21
	stepHours = 2.5
	maxADay   = 4
	smallDose = 0.5
)

// Suggest searches one to four mistings a day, of the usual or half the usual length, between six in the morning and nine in the evening.
func (a *Analysis) Suggest() (Suggestion, error) {
	if !a.Fit.usable {
		return Suggestion{}, errNoFit
	}
	if a.recording.Limits == nil {
		return Suggestion{Reason: "no band of humidity is in force here, so there is nothing to keep"}, nil
	}
	c := a.compare()
	s, location := a.series, a.recording.Location
	wantsDry := true
	for i, low := range a.limits().low {
		if c.use[i] && low >= dryMark {
			wantsDry = false // the band itself is wetter than leaves dry in
			break
		}
	}
	o := &a.Fit.result
	at := func(schedule Schedule) (hours, dry float64) {
		f := c.figuresOf(&o.theta, doses(schedule.Over(a.From, a.To, location), s.from, s.len()), 0)
		clamp := func(k int) float64 { return min(max(c.measured[k]+f[k]-c.present[k], 0), 24) }
		return clamp(below), clamp(dryEnough)
	}
	var best Schedule
	bestWater, bestBelow := math.Inf(1), math.Inf(1)
	wettest := math.Inf(1)
	for _, schedule := range candidates() {
		water := schedule.Water()
		hours, dry := at(schedule)
		wettest = min(wettest, hours)
		if hours > keepsBand {
			continue
		}
		if wantsDry && dry < driesOut {
			continue
		}
		if water < bestWater || water == bestWater && hours < bestBelow {
			best, bestWater, bestBelow = schedule, water, hours
		}
	}
	switch {
	case best != nil:
		outlook, err := a.WhatIf(best)
		reason := "the least water that keeps the band"
		if wantsDry {
			reason += " and lets the leaves dry for two hours a day"
		}
		return Suggestion{true, outlook, reason}, err
	case wettest > keepsBand:
		return Suggestion{Reason: "no schedule does: even four mistings a day leave the air below the band; the enclosure needs less ventilation or a wetter room"}, nil
	}
	return Suggestion{Reason: "no schedule keeps the band and lets the leaves dry for two hours a day: the enclosure needs more ventilation, or a band with a lower low"}, nil
}

// candidates are the schedules that are tried.
func candidates() (all []Schedule) {
	var hours []float64
	for h := float64(firstHour); h <= lastHour; h += stepHours {
		hours = append(hours, h)
	}
	for set := 1; set < 1<<len(hours); set++ {
		for _, dose := range [...]float64{1, smallDose} {
			var schedule Schedule
			for i, h := range hours {
				if set&(1<<i) != 0 {
					schedule = append(schedule, Slot{Minute: int(h * 60), Dose: dose})
				}
			}
			if len(schedule) <= maxADay {
				all = append(all, schedule)
			}
		}
	}
	return all
}

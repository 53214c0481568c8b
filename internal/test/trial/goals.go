package trial

import (
	"math"
	"slices"
)

// Goal is one of the goals, and whether it was met.
type Goal struct {
	Name   string  `json:"name"`
	Text   string  `json:"goal"`
	Figure float64 `json:"figure"`
	Met    bool    `json:"met"`
	limit  float64 // the highest figure that meets it
}

// The goals of the standard world; years are room-years.
const (
	maxAudible      = 25.0 // a year
	maxAudibleWorst = 45.0 // in the worst year
	maxFalse        = 1.0
	maxFalseWorst   = 8.0
	maxFaultWeek    = 2.0  // audible messages on one sensor in one week
	maxBandMedian   = 25.0 // minutes from the crossing
	maxCriticalP95  = 10.0 // minutes beyond the allowed time
)

// Goals holds the result against the goals. In the harsh world more goes wrong than the absolute goals are made for: there only what
// is relative holds.
func (r *Result) Goals() []Goal {
	d, other := r.Players[playerDewline], r.Players[playerGrouped]
	band, _ := d.spread(false, false)
	critical, _ := d.spread(true, true)
	audible, falsely := r.perYear(d.Audible()), r.perYear(d.Phone.False())
	goals := []Goal{
		{Name: "critical-missed", Text: "no clear stay beyond a critical limit is missed while a sensor lives", Figure: float64(d.Sum(Clear, true).Missed), limit: 0},
		{Name: "critical-delay", Text: "95 % of critical stays are known at most 10 min after their allowed time", Figure: float64(critical.P95), limit: maxCriticalP95},
		{Name: "band-delay", Text: "half of the stays beyond the band are known within 25 min", Figure: float64(band.Median), limit: maxBandMedian},
		{Name: "audible-below-grouped", Text: "at most as many audible messages as the grouped hold time", Figure: audible, limit: r.perYear(other.Audible())},
		{Name: "false-below-grouped", Text: "at most as many false alarms as the grouped hold time", Figure: falsely, limit: r.perYear(other.Phone.False())},
		{Name: "fault-week", Text: "at most 2 audible messages on one sensor in any week", Figure: float64(d.FaultWeek), limit: maxFaultWeek},
	}
	if r.World != Harsh {
		goals = append(goals,
			Goal{Name: "audible", Text: "at most 25 audible messages a room-year", Figure: audible, limit: maxAudible},
			Goal{Name: "audible-worst-year", Text: "at most 45 in the worst room-year", Figure: float64(r.worst(playerDewline, func(y Year) int { return y.Audible })), limit: maxAudibleWorst},
			Goal{Name: "false", Text: "at most 1 false alarm a room-year", Figure: falsely, limit: maxFalse},
			Goal{Name: "false-worst-year", Text: "at most 8 in the worst room-year", Figure: float64(r.worst(playerDewline, func(y Year) int { return y.False })), limit: maxFalseWorst},
		)
	}
	for i := range goals {
		g := &goals[i]
		g.Met = g.Figure <= g.limit
	}
	return goals
}

// GoalsMet reports whether all goals were met.
func (r *Result) GoalsMet() bool {
	return !slices.ContainsFunc(r.Goals(), func(g Goal) bool { return !g.Met })
}

// Failures returns the names of the goals that were missed, of those that are asked for; all where none is named. Within a bound a
// rate of a room-year is missed only where chance alone explains it in fewer than one of twenty draws: where the mean less 1.645
// standard errors of the room-years played is still above the goal. Figures of the worst year may then be half as high again, and as many
// critical stays missed as lost messages explain.
func (r *Result) Failures(required []string, bound bool) (names []string) {
	slack := map[string]float64{}
	if bound {
		slack = map[string]float64{
			"audible": 1.645 * r.standardError(func(y *[playerCount]Year) float64 { return float64(y[playerDewline].Audible) }),
			"false":   1.645 * r.standardError(func(y *[playerCount]Year) float64 { return float64(y[playerDewline].False) }),
			"audible-below-grouped": 1.645 * r.standardError(func(y *[playerCount]Year) float64 {
				return float64(y[playerDewline].Audible - y[playerGrouped].Audible)
			}),
			"false-below-grouped": 1.645 * r.standardError(func(y *[playerCount]Year) float64 { return float64(y[playerDewline].False - y[playerGrouped].False) }),
			"critical-missed":     r.lostByChance(),
			"audible-worst-year":  maxAudibleWorst / 2,
			"false-worst-year":    maxFalseWorst / 2,
		}
	}
	for _, g := range r.Goals() {
		asked := len(required) == 0 || slices.Contains(required, g.Name)
		if asked && g.Figure > g.limit+slack[g.Name] {
			names = append(names, g.Name)
		}
	}
	return names
}

// lostByChance returns the 95 % bound of the number of critical stays whose first message was lost on its way. Not all of those are
// missed: a stay that lasts is in the next message, ten minutes later. So a run that finds the rest keeps far below it.
func (r *Result) lostByChance() (n float64) {
	if !slices.Contains(r.Faults, Loss) {
		return 0
	}
	stays := r.Players[playerDewline].Sum(Clear, true)
	mean := worlds[r.World].loss * float64(stays.Found+stays.Missed)
	p := math.Exp(-mean) // of a Poisson distribution
	for sum := p; sum < 0.95; sum += p {
		n++
		p *= mean / n
	}
	return n
}

// standardError returns that of the mean of a figure of the room-years; 0 for fewer than two.
func (r *Result) standardError(of func(*[playerCount]Year) float64) float64 {
	n := float64(len(r.Years))
	if n < 2 {
		return 0
	}
	sum, squares := 0.0, 0.0
	for i := range r.Years {
		v := of(&r.Years[i])
		sum, squares = sum+v, squares+v*v
	}
	return math.Sqrt(max(squares-sum*sum/n, 0) / (n - 1) / n)
}

// GoalNames lists the names of all goals.
func GoalNames() (names []string) {
	empty := &Result{}
	for i := range empty.Players {
		empty.Players[i] = newTally()
	}
	for _, g := range empty.Goals() {
		names = append(names, g.Name)
	}
	return names
}

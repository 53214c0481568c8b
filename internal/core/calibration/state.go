package calibration

import (
	"cmp"
	"math"
	"slices"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quality"
	"dewline/internal/core/quantity"
)

// Origin is where the calibration in force comes from.
type Origin string

// The origins.
const (
	None          Origin = ""
	Configuration Origin = "configuration"
	Journal       Origin = "journal"
)

// State is what is known of the calibration of a channel.
type State struct {
	Sensor, Channel string
	Point           quantity.Point
	Origin          Origin
	Entry           string               // of the journal, if it comes from there
	At              instant.Instant      // of the calibration in force; None where there is none, or it has no date
	Method          string               // such as "ice bath"; of the configuration "offset", "one point" or "two points"
	Calibration     *quality.Calibration // nil corrects nothing
	Uncertainty     float64              // expanded (k = 2), of a value of the channel; 0 where it is not known
	Residual        float64              // 0 where it is not known
	Every           time.Duration        // how long it is trusted
	Due             instant.Instant      // None where there is no date from which to count
	Drift           *Drift               // since the calibration before; nil where there is none to compare with
	Replaced        instant.Instant      // when the part was last replaced; None where nothing is known of it
	Lapsed          bool                 // the configuration has a calibration, which is that of the part before
}

// Overdue reports whether the next calibration is due.
func (s *State) Overdue(now instant.Instant) bool { return !s.Due.IsNone() && now >= s.Due }

// Correction is what is added to what the sensor reads where it was compared: at the first of its points, or anywhere where only an
// offset is known.
func (s *State) Correction() float64 {
	at := 0.0
	if s.Calibration != nil && len(s.Calibration.Points) > 0 {
		at = s.Calibration.Points[0].Measured
	}
	return s.Calibration.Apply(at) - at
}

// Drift is how far a channel has moved from one calibration to the next.
type Drift struct {
	Since instant.Instant // the date of the calibration before; None where it has none
	// Of is how much more the sensor reads than it did then, at the value at which it was compared last, in the unit of a difference.
	Of float64
	At float64 // that value
	// Uncertainty is expanded (k = 2): that of both calibrations together; 0 where one is not known.
	Uncertainty float64
}

// Significant reports whether a drift is more than what two calibrations can differ by without any.
func (d *Drift) Significant() bool { return d.Uncertainty > 0 && math.Abs(d.Of) > d.Uncertainty }

// held is a calibration that was in force.
type held struct {
	from        instant.Instant
	origin      Origin
	id          string
	method      string
	calibration *quality.Calibration
	uncertainty float64
	residual    float64
}

// States returns what is in force at a time for each channel of the configuration, in its order.
func (r *Record) States(at instant.Instant) []State {
	entries := r.inForce()
	states := make([]State, 0, len(r.Seeds))
	for i := range r.Seeds {
		states = append(states, r.Seeds[i].state(entries, at))
	}
	return states
}

// state folds the entries, which are in the order in which they count.
func (s *Seed) state(entries []Entry, at instant.Instant) State {
	state := State{
		Sensor: s.Sensor, Channel: s.Channel, Point: s.Point, At: instant.None, Due: instant.None, Replaced: instant.None,
		Uncertainty: s.Accuracy, Every: quality.CalibrateEvery,
	}
	if s.Every > 0 {
		state.Every = s.Every
	}
	for i := range entries {
		if e := &entries[i]; e.Kind == journal.SensorReplaced && e.Sensor == s.Sensor && e.Since <= at {
			state.Replaced = e.Since
		}
	}
	list := s.held(entries, at, &state)
	if len(list) == 0 {
		return state
	}
	now := &list[len(list)-1]
	state.Origin, state.Entry, state.Method, state.Calibration, state.Residual = now.origin, now.id, now.method, now.calibration, now.residual
	if now.uncertainty > 0 {
		state.Uncertainty = now.uncertainty
	}
	if now.from != 0 {
		state.At, state.Due = now.from, now.from.Add(state.Every)
	}
	if len(list) > 1 {
		state.Drift = drift(&list[len(list)-2], now)
	}
	return state
}

// dayOfDate is how much later on its day a calibration may have been made whose date is the beginning of a day.
const dayOfDate = 25 * time.Hour

// held lists the calibrations of the present part up to a time, in the order in which they count.
func (s *Seed) held(entries []Entry, at instant.Instant, state *State) (list []held) {
	seed := held{origin: Configuration, calibration: s.Calibration, uncertainty: s.Uncertainty}
	if s.Calibration != nil {
		seed.from, seed.method = s.Calibration.At, [...]string{"offset", "one point", "two points"}[len(s.Calibration.Points)]
		state.Lapsed = seed.from != 0 && !state.Replaced.IsNone() && seed.from.Add(dayOfDate) < state.Replaced
		if !state.Lapsed {
			list = append(list, seed)
		}
	}
	for i := range entries {
		e := &entries[i]
		otherPart := e.Part != "" && s.Part != "" && e.Part != s.Part
		if e.Kind != journal.SensorCalibrated || e.Sensor != s.Sensor || e.Channel != s.Channel || e.Since > at || otherPart || s.replacedByHand(entries, e, at) {
			continue
		}
		made, err := s.Correction(&e.Found, e.Since)
		if err != nil {
			continue // the configuration has changed since: the channel feeds another quantity
		}
		list = append(list, held{e.Since, Journal, e.ID, e.Found.Method, made, e.Found.Uncertainty, e.Found.Residual})
	}
	if len(list) > 1 && list[0].origin == Configuration { // it takes its place by its date
		for i := 1; i < len(list) && list[i].from < list[i-1].from; i++ {
			list[i-1], list[i] = list[i], list[i-1]
		}
	}
	return list
}

// replacedByHand reports whether a person says that the part was replaced after the calibration. A replacement that the configuration
// shows names the new part, and needs no date to be compared.
func (s *Seed) replacedByHand(entries []Entry, c *Entry, at instant.Instant) bool {
	for i := range entries {
		e := &entries[i]
		if e.Kind == journal.SensorReplaced && e.Sensor == s.Sensor && e.Part == "" && e.Since <= at && e.Since > c.Since {
			return true
		}
	}
	return false
}

// drift compares two calibrations at the value at which the later one was made.
func drift(before, now *held) *Drift {
	d := &Drift{Since: before.from}
	d.Since = cmp.Or(d.Since, instant.None)
	if points := now.calibration.Points; len(points) > 0 {
		d.At = points[0].Measured
	}
	// A corrected value is measured + correction; a sensor that reads more than before is corrected by less.
	d.Of = before.calibration.Apply(d.At) - now.calibration.Apply(d.At)
	if before.uncertainty > 0 && now.uncertainty > 0 {
		d.Uncertainty = math.Hypot(before.uncertainty, now.uncertainty)
	}
	return d
}

func equal(a, b *journal.Calibration) bool {
	return a.Method == b.Method && a.Gain == b.Gain && a.Offset == b.Offset && a.Uncertainty == b.Uncertainty && a.Residual == b.Residual &&
		slices.Equal(a.Points, b.Points)
}

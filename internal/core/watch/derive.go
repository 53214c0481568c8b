package watch

import (
	"math"
	"slices"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/psychro"
	"dewline/internal/core/quantity"
)

// pairing joins the readings of two points into readings of the points derived from both. There is a derived reading at
// every time at which either input has one; the other input is interpolated between its readings around that time, so
// that the order in which the two arrive makes no difference.
type pairing struct {
	inputs  [2]int32
	outputs []int32
	derive  derivation
}

// derivation computes the values of a pairing's outputs. It reports whether an input had to be clamped.
type derivation func(a, b float64) (values [3]float64, clamped bool)

// pairingState is what a pairing remembers of its inputs. One of them may be ahead of the other: its readings wait.
type pairingState struct {
	Last    [2]sample
	Waiting []sample // readings of the input that is ahead, oldest first, later than the other's last
	Port    int      // the input that is ahead
	Base    sample   // its reading before those
}

type sample struct {
	At    instant.Instant
	Value float64
	Flag  quantity.Flag
	Known bool
}

// maxWait bounds how many readings one input may be ahead. Beyond it the oldest is dropped.
const maxWait = 64

// between returns the value at time t on the line between two readings no further apart than gap.
func between(before, after *sample, t instant.Instant, gap time.Duration) (float64, quantity.Flag, bool) {
	if after.At == t {
		return after.Value, after.Flag, true
	}
	if !before.Known || t < before.At || t > after.At || after.At.Sub(before.At) > gap {
		return 0, 0, false
	}
	n := segment{before.At, after.At, before.Value, after.Value}
	return n.valueAt(t), worse(before.Flag, after.Flag), true
}

// worse combines the flags of two usable readings in QARTOD's order: not evaluated, pass, suspect.
func worse(a, b quantity.Flag) quantity.Flag {
	switch {
	case a == quantity.Suspect || b == quantity.Suspect:
		return quantity.Suspect
	case a == quantity.Pass || b == quantity.Pass:
		return quantity.Pass
	}
	return quantity.NotEvaluated
}

// feed passes a reading of one input to a pairing and folds in the derived readings that it completes.
func (c *Core) feed(index int32, port int, at instant.Instant, v float64, flag quantity.Flag, out []Effect) []Effect {
	pair, state := &c.pairings[index], &c.pairState[index]
	other := 1 - port
	before, now := state.Last[port], sample{at, v, flag, true}
	if before.Known && at < before.At || now == before { // of before a part of a state that is newer than the rest: it was paired already
		return out
	}
	state.Last[port] = now

	if state.Port == other { // readings of the other input waited for this one
		served, done := 0, instant.None
		for i := range state.Waiting {
			w := state.Waiting[i]
			if w.At > at {
				break
			}
			served++
			state.Base = w
			if mine, mineFlag, ok := between(&before, &now, w.At, c.points[pair.inputs[port]].gap); ok {
				out = c.emit(pair, port, w.At, mine, w.Value, worse(mineFlag, w.Flag), out)
				done = w.At
			}
		}
		state.Waiting = state.Waiting[:copy(state.Waiting, state.Waiting[served:])]
		if done == at {
			return out
		}
		if len(state.Waiting) > 0 { // the other is still ahead: interpolate it at this reading
			gap := c.points[pair.inputs[other]].gap
			if theirs, theirFlag, ok := between(&state.Base, &state.Waiting[0], at, gap); ok {
				out = c.emit(pair, port, at, v, theirs, worse(flag, theirFlag), out)
			}
			return out
		}
	}
	if last := &state.Last[other]; last.Known && last.At == at {
		return c.emit(pair, port, at, v, last.Value, worse(flag, last.Flag), out)
	}
	if len(state.Waiting) == 0 {
		state.Port, state.Base = port, before
	}
	if len(state.Waiting) == maxWait {
		state.Base = state.Waiting[0]
		state.Waiting = state.Waiting[:copy(state.Waiting, state.Waiting[1:])]
	}
	state.Waiting = append(state.Waiting, now)
	return out
}

// emit computes the derived values for one time and folds them in.
func (c *Core) emit(pair *pairing, port int, at instant.Instant, mine, theirs float64, flag quantity.Flag, out []Effect) []Effect {
	if port == 1 {
		mine, theirs = theirs, mine
	}
	values, clamped := pair.derive(mine, theirs)
	if clamped {
		flag = quantity.Suspect
	}
	for k, point := range pair.outputs {
		if point < 0 || math.IsNaN(values[k]) {
			continue
		}
		if c.reportDerived {
			out = append(out, Effect{Kind: Derived, Point: point, At: at, Value: values[k], Flag: flag})
		}
		out = c.reading(point, at, values[k], flag, out)
	}
	return out
}

// deriveHumidity computes dew point, vapour-pressure deficit and absolute humidity from air temperature and RH.
func deriveHumidity(celsius, percentRH float64) (values [3]float64, clamped bool) {
	values[0], values[1], values[2] = psychro.Derive(celsius, percentRH)
	return values, percentRH > 100
}

// deriveMargin computes the condensation margin from dew point and surface temperature.
func deriveMargin(dewPointCelsius, surfaceCelsius float64) (values [3]float64, clamped bool) {
	values[0] = surfaceCelsius - dewPointCelsius
	return values, false
}

// deriveOxygen computes the oxygen saturation of water from its temperature and the air pressure.
func deriveOxygen(celsius, pascal float64) (values [3]float64, clamped bool) {
	values[0] = psychro.OxygenSaturation(celsius, pascal)
	return values, false
}

// ReportDerived makes the core return an effect for each derived reading, for callers that store them.
func (c *Core) ReportDerived() { c.reportDerived = true }

// addDerived appends the points that can be derived from those of the site, and the pairings that feed them.
func (c *Core) addDerived() {
	for _, place := range c.placeOrder {
		find := func(q quantity.Quantity) (int32, bool) { return c.Index(quantity.Point{Place: place, Quantity: q}) }
		air, hasAir := find(quantity.AirTemperature)
		humidity, hasHumidity := find(quantity.RelativeHumidity)
		if hasAir && hasHumidity {
			outputs := c.addOutputs(place, air, humidity,
				quantity.DewPoint, quantity.VapourPressureDeficit, quantity.AbsoluteHumidity)
			c.addPairing(air, humidity, deriveHumidity, outputs)
		}
		dew, hasDew := find(quantity.DewPoint)
		if surface, ok := find(quantity.SurfaceTemperature); ok && hasDew {
			c.addPairing(dew, surface, deriveMargin, c.addOutputs(place, dew, surface, quantity.CondensationMargin))
		}
		if water, ok := find(quantity.WaterTemperature); ok {
			pressure, ok := find(quantity.Pressure)
			if room := c.roomOf(place); !ok && room != "" {
				pressure, ok = c.Index(quantity.Point{Place: room, Quantity: quantity.Pressure})
			}
			if ok {
				c.addPairing(water, pressure, deriveOxygen, c.addOutputs(place, water, pressure, quantity.OxygenSaturation))
			}
		}
	}
}

// addOutputs adds derived points with the longer gap of their two inputs. A point that a sensor feeds is not derived: its index
// in the result is −1.
func (c *Core) addOutputs(place string, a, b int32, quantities ...quantity.Quantity) []int32 {
	var added []int32
	for _, q := range quantities {
		gap := max(c.points[a].gap, c.points[b].gap)
		if _, fed := c.index[quantity.Point{Place: place, Quantity: q}]; fed {
			added = append(added, -1)
			continue
		}
		added = append(added, c.addPoint(Point{Point: quantity.Point{Place: place, Quantity: q}, Gap: gap}, []int32{a, b}))
	}
	return added
}

func (c *Core) addPairing(a, b int32, derive derivation, outputs []int32) {
	if !slices.ContainsFunc(outputs, func(output int32) bool { return output >= 0 }) {
		return
	}
	index := int32(len(c.pairings))
	c.pairings = append(c.pairings, pairing{[2]int32{a, b}, outputs, derive})
	c.pairState = append(c.pairState, pairingState{Waiting: make([]sample, 0, maxWait)})
	for _, output := range outputs {
		if output >= 0 {
			c.points[output].pairing = index
		}
	}
	for port, input := range [2]int32{a, b} {
		c.points[input].feeds = append(c.points[input].feeds, inputOf{index, port})
	}
}

// inputOf names a pairing and the input of it that a point is.
type inputOf struct {
	pairing int32
	port    int
}

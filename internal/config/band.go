package config

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
)

var bandKeys = []string{
	"low", "high", "critical-low", "critical-high", "on-delay", "critical-on-delay", "off-delay",
	"deadband", "priority", "foresee", "source",
}

// numberKeys are the keys of a band whose values are numbers, which may carry a source.
var numberKeys = slices.DeleteFunc(slices.Clone(bandKeys), func(key string) bool { return key == "priority" || key == "source" })

// band reads the band of a quantity: the base, and what day and night change of it. A source beside the keys is that of
// every number of the band which has none of its own.
func (d *decoder) band(n *node, path string, q quantity.Quantity, sources map[string]string, more ...string) care.DayNight {
	f := d.fields(n, path, slices.Concat([]string{"day", "night"}, bandKeys, more)...)
	common := d.text(f["source"], join(path, "source"))
	base := d.overlay(f, path, q, care.NoBand(), common, sources)
	both := care.DayNight{Day: base, Night: base, Override: d.boolean(f["override"], join(path, "override"))}
	for half, band := range map[string]*care.Band{"day": &both.Day, "night": &both.Night} {
		if n := f[half]; n != nil {
			inner := join(path, half)
			f := d.fields(n, inner, bandKeys...)
			*band = d.overlay(f, inner, q, base, cmp.Or(d.text(f["source"], join(inner, "source")), common), sources)
		}
	}
	return both
}

// overlay returns band with the keys of f set in it. Numbers without a source of their own get the common one.
func (d *decoder) overlay(f fields, path string, q quantity.Quantity, band care.Band, common string, sources map[string]string) care.Band {
	for _, key := range numberKeys {
		if f[key] != nil && common != "" {
			sources[join(path, key)] = common // before a source of its own is read, which replaces it
		}
	}
	for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
		inner := join(path, l.String())
		n := d.sourced(f[l.String()], inner, sources)
		if value, ok := d.number(n, inner, q, quantity.ParseValue); ok {
			band.Limits[l] = value
		}
	}
	for key, target := range map[string]*time.Duration{
		"on-delay": &band.OnDelay, "critical-on-delay": &band.CriticalOnDelay, "off-delay": &band.OffDelay, "foresee": &band.Foresee,
	} {
		inner := join(path, key)
		if length, ok := d.duration(d.sourced(f[key], inner, sources), inner); ok {
			*target = length
		}
	}
	inner := join(path, "deadband")
	if value, ok := d.number(d.sourced(f["deadband"], inner, sources), inner, q, quantity.ParseDifference); ok {
		band.Deadband = value
	}
	inner = join(path, "priority")
	if word := d.word(f["priority"], inner, "priority", priorityNames...); word != "" {
		band.Priority, _ = care.ParsePriority(word)
	}
	return band
}

var priorityNames = []string{"low", "medium", "high", "critical"}

// sourced returns the value of a number that may be written as {value, source}, and keeps the source.
func (d *decoder) sourced(n *node, path string, sources map[string]string) *node {
	if n == nil || n.kind != mapping {
		return n
	}
	f := d.fields(n, path, "value", "source")
	if f["value"] == nil {
		d.errorf(path, "this number has no value: write {value: 72 degF, source: \"…\"}")
	}
	if source := d.text(f["source"], join(path, "source")); source != "" {
		sources[path] = source
	}
	d.origins[path] = n.at
	if value := f["value"]; value != nil {
		d.origins[path] = value.at
		return value
	}
	return nil
}

// span is where the limits of a quantity can sensibly lie, in its canonical unit. It catches a slipped digit or a wrong
// unit and is far wider than anything alive; the values are common practice, no published source.
func span(q quantity.Quantity) (low, high float64) {
	switch q {
	case quantity.AirTemperature, quantity.WaterTemperature, quantity.SurfaceTemperature, quantity.DewPoint:
		return -40, 60
	case quantity.RelativeHumidity:
		return 0, 100
	case quantity.Pressure:
		return 30_000, 120_000
	case quantity.VapourPressureDeficit:
		return 0, 20_000
	case quantity.AbsoluteHumidity:
		return 0, 0.13
	case quantity.CondensationMargin:
		return -50, 60
	case quantity.OxygenSaturation:
		return 0, 0.02
	}
	return math.Inf(-1), math.Inf(1)
}

// checkBand reports the mistakes within one band: limits that are impossible or out of order, a deadband too wide, a delay
// too long.
func (r *reporter) checkBand(path string, q quantity.Quantity, both care.DayNight) {
	r.checkHalf(path, "day", q, both.Day, both.Night)
	if !sameBand(both.Day, both.Night) {
		r.checkHalf(path, "night", q, both.Night, both.Day)
	}
	if both.Day.Empty() && both.Night.Empty() && !r.anyLimitWritten(path) {
		r.errorf(path, "this band has no limit: give low, high, critical-low or critical-high")
	}
}

// anyLimitWritten reports whether the file has a limit of the band, which may have been too faulty to be read.
func (r *reporter) anyLimitWritten(path string) bool {
	for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
		if _, ok := r.origins[join(path, l.String())]; ok || r.written(path, "day", l) || r.written(path, "night", l) {
			return true
		}
	}
	return false
}

func (r *reporter) checkHalf(path, half string, q quantity.Quantity, band, other care.Band) {
	// The value that counts is written under day or night, or else in the base.
	at := func(key string) string { return r.origins.first(join(join(path, half), key), join(path, key)) }
	when := " by " + half
	if sameBand(band, other) {
		when = ""
	}
	unit := q.Unit()
	low, high := span(q)
	previous := care.Limit(care.LimitCount)
	for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
		if !band.Has(l) {
			continue
		}
		value := band.Limits[l]
		if value < low || value > high || math.IsInf(value, 0) {
			r.errorf(at(l.String()), "%s of %s is %s: it must lie between %s and %s", l, q, show(unit, value), show(unit, low), show(unit, high))
			continue
		}
		if previous < care.LimitCount && band.Limits[previous] >= value {
			// Reported at the limit of this half, since the base may be right for the other one.
			key := l
			if r.written(path, half, previous) && !r.written(path, half, l) {
				key = previous
			}
			whenever := when
			if other.Limits[l] == value && other.Limits[previous] == band.Limits[previous] {
				whenever = "" // wrong in both halves: report it once
			}
			r.errorf(at(key.String()), "%s (%s) must lie above %s (%s)%s", l, show(unit, value), previous, show(unit, band.Limits[previous]), whenever)
		}
		previous = l
	}
	r.checkDeadband(path, at, when, q, band)
	r.checkDelays(path, at, band)
}

// written reports whether a limit is written under day or night.
func (r *reporter) written(path, half string, l care.Limit) bool {
	_, ok := r.origins[join(join(path, half), l.String())]
	return ok
}

// checkDeadband holds the deadband below half of the band: a value would otherwise have to cross the middle, and come
// near the other limit, before an alarm returns to normal.
func (r *reporter) checkDeadband(path string, at func(string) string, when string, q quantity.Quantity, band care.Band) {
	given := !math.IsNaN(band.Deadband)
	deadband := band.WithDefaults(q).Deadband
	place := at("deadband")
	if given && (deadband < 0 || math.IsInf(deadband, 0)) {
		r.errorf(place, "a deadband must not be negative")
		return
	}
	if !band.Has(care.Low) || !band.Has(care.High) {
		return
	}
	half := (band.Limits[care.High] - band.Limits[care.Low]) / 2
	if half <= 0 || deadband <= half*(1+1e-9) {
		return
	}
	unit := q.DifferenceUnit()
	if given {
		r.errorf(place, "the deadband of %s is wider than half of the band%s (%s)", show(unit, deadband), when, show(unit, half))
		return
	}
	r.errorf(path, "the usual deadband of %s, %s, is wider than half of this band%s (%s): give a smaller deadband", q, show(unit, deadband), when, show(unit, half))
}

const maxForesight = 12 * time.Hour

func (r *reporter) checkDelays(path string, at func(string) string, band care.Band) {
	for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
		key, delay := "on-delay", band.OnDelay
		if l.Critical() && band.CriticalOnDelay >= 0 {
			key, delay = "critical-on-delay", band.CriticalOnDelay
		}
		allowable := band.PriorityOf(l).Allowable() // a longer delay would use up the time to act before the alarm is raised
		if !band.Has(l) || delay <= allowable {
			continue
		}
		message := fmt.Sprintf("%s of %s is longer than the %s within which a person must act on %s", key, formatDuration(delay), formatDuration(allowable), l)
		if l.Critical() && key == "on-delay" {
			message += ": give critical-on-delay as well, or a shorter on-delay"
		}
		r.errorf(at(key), "%s", message)
	}
	if band.OffDelay > care.MediumPriority.Allowable() {
		r.errorf(at("off-delay"), "off-delay of %s is longer than %s", formatDuration(band.OffDelay), formatDuration(care.MediumPriority.Allowable()))
	}
	if band.Foresee > maxForesight {
		r.errorf(at("foresee"), "foresee of %s is longer than the %s that an outlook can bear", formatDuration(band.Foresee), formatDuration(maxForesight))
	}
}

// sameBand reports whether two bands are equal, taking absent numbers as equal.
func sameBand(a, b care.Band) bool {
	deadband := a.Deadband == b.Deadband || math.IsNaN(a.Deadband) && math.IsNaN(b.Deadband)
	return a.SameLimits(&b) && deadband && a.OnDelay == b.OnDelay && a.CriticalOnDelay == b.CriticalOnDelay &&
		a.OffDelay == b.OffDelay && a.Priority == b.Priority && a.Foresee == b.Foresee
}

// show writes a canonical value for a message; temperatures also in Fahrenheit, since the file may use either.
func show(unit quantity.Unit, value float64) string {
	text := compact(value) + " " + unit.Shown()
	switch unit {
	case quantity.Celsius:
		text += " = " + compact(quantity.Fahrenheit.FromCanonical(value)) + " °F"
	case quantity.Kelvin:
		text += " = " + compact(quantity.FahrenheitDegree.FromCanonical(value)) + " °F"
	}
	return text
}

// compact writes a number with at most four significant decimals and no trailing zeros.
func compact(value float64) string {
	if math.Abs(value) < 1 {
		return fmt.Sprintf("%.3g", value)
	}
	return fmt.Sprintf("%.5g", math.Round(value*100)/100)
}

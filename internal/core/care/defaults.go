package care

import (
	"math"
	"time"

	"dewline/internal/core/quantity"
)

// defaults are the starting delays and deadbands of a quantity where a band does not give its own. They are proposals
// built on the starting table of ISA-18.2 clause 10 (from memory, not confirmed) and stretched for slow enclosures:
// common practice, no published source for amphibian rooms.
type defaults struct {
	deadband      float64 // canonical unit of a difference
	on, off       time.Duration
	criticalOn    time.Duration
	criticalLowOn time.Duration // 0 = criticalOn
}

var defaultsOf = map[quantity.Quantity]defaults{
	quantity.WaterTemperature:      {deadband: 0.3, on: 10 * time.Minute, off: 10 * time.Minute, criticalOn: 2 * time.Minute},
	quantity.AirTemperature:        {deadband: 0.5, on: 15 * time.Minute, off: 10 * time.Minute, criticalOn: 2 * time.Minute},
	quantity.SurfaceTemperature:    {deadband: 0.5, on: 15 * time.Minute, off: 10 * time.Minute, criticalOn: 2 * time.Minute},
	quantity.DewPoint:              {deadband: 0.5, on: 10 * time.Minute, off: 10 * time.Minute, criticalOn: 2 * time.Minute},
	quantity.RelativeHumidity:      {deadband: 3, on: 15 * time.Minute, off: 15 * time.Minute, criticalOn: 2 * time.Minute, criticalLowOn: 20 * time.Minute},
	quantity.VapourPressureDeficit: {deadband: 50, on: 15 * time.Minute, off: 15 * time.Minute, criticalOn: 15 * time.Minute},
	quantity.AbsoluteHumidity:      {deadband: 0.5e-3, on: 15 * time.Minute, off: 15 * time.Minute, criticalOn: 15 * time.Minute},
	quantity.CondensationMargin:    {deadband: 0.3, on: 15 * time.Minute, off: 15 * time.Minute, criticalOn: 15 * time.Minute},
	quantity.OxygenSaturation:      {deadband: 0.1e-3, on: 10 * time.Minute, off: 10 * time.Minute, criticalOn: 10 * time.Minute},
	quantity.Pressure:              {deadband: 100, on: 10 * time.Minute, off: 10 * time.Minute, criticalOn: 10 * time.Minute},
}

// perLimit as CriticalOnDelay marks a band whose delays were filled in: each critical limit has its own default.
const perLimit = time.Duration(-2)

// WithDefaults returns the band with its delays and the deadband filled in; doing so twice changes nothing more. An
// on-delay that was given holds for all limits. Where none was given CriticalOnDelay stays negative, because the default
// differs between limits: ask [Band.OnDelayOf].
func (b Band) WithDefaults(q quantity.Quantity) Band {
	d := defaultsOf[q]
	if b.CriticalOnDelay < 0 && b.CriticalOnDelay != perLimit {
		b.CriticalOnDelay = perLimit
		if b.OnDelay >= 0 {
			b.CriticalOnDelay = b.OnDelay // an on-delay that was given speaks for all four limits
		}
	}
	if b.OnDelay < 0 {
		b.OnDelay = d.on
	}
	if b.OffDelay < 0 {
		b.OffDelay = d.off
	}
	if math.IsNaN(b.Deadband) {
		b.Deadband = d.deadband
	}
	return b
}

// OnDelayOf returns how long a value must stay beyond the limit before an alarm is raised.
func (b *Band) OnDelayOf(l Limit, q quantity.Quantity) time.Duration {
	if !l.Critical() {
		return b.OnDelay
	}
	if b.CriticalOnDelay >= 0 {
		return b.CriticalOnDelay
	}
	d := defaultsOf[q]
	if l == CriticalLow && d.criticalLowOn > 0 {
		return d.criticalLowOn
	}
	return d.criticalOn
}

// The times after a switch of bands, by the light or by a stage: an enclosure needs time to follow. Engineering judgement, no published
// source.
const (
	SwitchWindow = time.Hour // a stay that begins so soon after a limit has become tighter is taken to come from that
	switchDelay  = time.Hour
)

// SwitchDelayOf returns how long a value must stay beyond a limit that has become tighter shortly before; 0 where that makes no
// difference. Critical limits wait for nothing.
func SwitchDelayOf(l Limit, q quantity.Quantity) time.Duration {
	if !l.Critical() && (q == quantity.AirTemperature || q == quantity.SurfaceTemperature) {
		return switchDelay
	}
	return 0
}

// PriorityOf returns the priority of the alarm on a limit: critical limits are critical, the others high unless the
// band says otherwise.
func (b *Band) PriorityOf(l Limit) Priority {
	switch {
	case l.Critical():
		return CriticalPriority
	case b.Priority != Unset:
		return b.Priority
	}
	return HighPriority
}

package watch

import (
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// A saturated humidity sensor may be right, or have water on its element, as after each misting: its values do not show which. Such
// a value raises no alarm on a high limit until it has lasted for saturationHold. By then a film of water has dried, and a value
// that is still saturated needs a person: the element is lost, or a mister does not stop. The on-delay of the high limits begins
// with the first value below saturation.
//
// Both numbers are engineering judgement, no published source; the first is that of package quality, whose flag goes with it.
const (
	saturatedPercent = 99.5
	saturationHold   = 12 * time.Hour
)

// followSaturation tracks how long a humidity sensor has been saturated. A value counts as saturated only if it was flagged
// suspect: a recorded one that has passed is believed.
func (p *point) followSaturation(at instant.Instant, v float64, flag quantity.Flag, joined bool) {
	if p.name.Quantity != quantity.RelativeHumidity {
		return
	}
	saturated := flag == quantity.Suspect && v >= saturatedPercent
	switch {
	case saturated && (!p.Saturated || !joined):
		p.Saturated, p.SaturatedSince = true, at
	case !saturated && p.Saturated:
		p.Saturated = false
		for _, limit := range [...]care.Limit{care.High, care.CriticalHigh} {
			if k := &p.Conditions[limit]; !k.Active {
				k.interrupt()
				k.enter(&p.rules[limit], at, v)
			}
		}
	}
}

// doubtful reports whether a value beyond a limit may be water on the element.
func (p *point) doubtful(limit care.Limit, at instant.Instant) bool {
	return p.Saturated && (limit == care.High || limit == care.CriticalHigh) && at.Sub(p.SaturatedSince) < saturationHold
}

package watch

import (
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// A humidity sensor at its end may be right, or have water on its element, as after each misting: it cannot tell. Such a value
// raises no alarm on a high limit until it has lasted for saturationHold. By then a film has dried, and what still stands there
// asks for a person: the element is lost, or a mister does not stop. The delay after it begins with the first value below.
//
// Both numbers are engineering judgement, no published source; the first is that of package quality, whose flag goes with it.
const (
	saturatedPercent = 99.5
	saturationHold   = 12 * time.Hour
)

// followSaturation follows how long a humidity sensor has been at its end. Only a value that was judged so is one: a recorded
// one that has passed is believed.
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

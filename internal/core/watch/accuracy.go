package watch

import (
	"math"

	"dewline/internal/core/psychro"
	"dewline/internal/core/quantity"
)

// accuracy returns the expanded uncertainty (k = 2) of a point's value, for derived points by first-order propagation
// (JCGM 100:2008) from those of its inputs; 0 where an input's is not known.
func (c *Core) accuracy(p *point) float64 {
	if len(p.inputs) != 2 || !p.Known {
		return p.ownAccuracy
	}
	a, b := &c.points[p.inputs[0]], &c.points[p.inputs[1]]
	ua, ub := c.accuracy(a), c.accuracy(b)
	if ua <= 0 || ub <= 0 {
		return 0
	}
	var u float64
	switch p.name.Quantity {
	case quantity.DewPoint:
		u = psychro.DewPointUncertainty(a.Value, b.Value, ua, ub)
	case quantity.VapourPressureDeficit:
		u = psychro.VapourPressureDeficitUncertainty(a.Value, b.Value, ua, ub)
	case quantity.AbsoluteHumidity:
		u = psychro.AbsoluteHumidityUncertainty(a.Value, b.Value, ua, ub)
	case quantity.OxygenSaturation:
		u = psychro.OxygenSaturationUncertainty(a.Value, b.Value, ua, ub)
	case quantity.CondensationMargin:
		u = math.Hypot(ua, ub)
	}
	if math.IsNaN(u) {
		return 0
	}
	return u
}

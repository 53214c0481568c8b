package config

import (
	"maps"
	"slices"
	"strings"

	"dewline/internal/core/quantity"
)

// fed reports bands of quantities that no sensor measures. A site without any sensor is not checked: replay feeds it from a
// file.
func (v *validator) fed() {
	if len(v.Sensors) == 0 || v.unsure.sensors {
		return
	}
	fed := v.fedPoints()
	for i := range v.Places {
		place := &v.Places[i]
		for _, q := range slices.Sorted(maps.Keys(place.Bands)) {
			if lacking := missing(fed, place, q); len(lacking) > 0 {
				if v.fedByFile {
					v.warnf(join(index("places", i), "bands."+q.String()), "no sensor feeds %s: this band holds for what the readings file brings", pointList(place.ID, lacking))
					continue
				}
				v.errorf(join(index("places", i), "bands."+q.String()), "nothing will measure %s, so this band watches nothing: no sensor feeds %s",
					quantity.Point{Place: place.ID, Quantity: q}, pointList(place.ID, lacking))
			}
		}
	}
}

// fedPoints are the points that a sensor feeds.
func (s *Site) fedPoints() map[quantity.Point]bool {
	fed := map[quantity.Point]bool{}
	for i := range s.Sensors {
		for _, point := range s.Sensors[i].Feeds {
			fed[point] = true
		}
	}
	return fed
}

// missing returns the quantities that a point needs and no sensor feeds: its own, or the inputs it is derived from.
func missing(fed map[quantity.Point]bool, place *Place, q quantity.Quantity) []quantity.Quantity {
	var lacking []quantity.Quantity
	for _, input := range inputs(q) {
		at := quantity.Point{Place: place.ID, Quantity: input}
		if fed[at] {
			continue
		}
		// Air pressure is the same in an enclosure and in its room.
		if input == quantity.Pressure && q != quantity.Pressure && place.In != "" && fed[quantity.Point{Place: place.In, Quantity: input}] {
			continue
		}
		lacking = append(lacking, input)
	}
	return lacking
}

// inputs returns the measured quantities that a quantity is derived from; a measured one is its own input.
func inputs(q quantity.Quantity) []quantity.Quantity {
	switch q {
	case quantity.DewPoint, quantity.VapourPressureDeficit, quantity.AbsoluteHumidity:
		return []quantity.Quantity{quantity.AirTemperature, quantity.RelativeHumidity}
	case quantity.CondensationMargin:
		return []quantity.Quantity{quantity.AirTemperature, quantity.SurfaceTemperature, quantity.RelativeHumidity}
	case quantity.OxygenSaturation:
		return []quantity.Quantity{quantity.WaterTemperature, quantity.Pressure}
	}
	return []quantity.Quantity{q}
}

func pointList(place string, quantities []quantity.Quantity) string {
	return strings.Join(each(quantities, func(q quantity.Quantity) string { return quantity.Point{Place: place, Quantity: q}.String() }), ", ")
}

func quantityList(quantities []quantity.Quantity) string {
	return strings.Join(each(quantities, quantity.Quantity.String), ", ")
}

package mail

import (
	"strings"

	"dewline/internal/quantity"
)

// advice says what to do about an alarm, in a few lines. All of it is common practice; where a published source stands
// behind a point it is named. Nothing in it says that animals are well.
func advice(name alarmName) string {
	limit := name.limit
	if limit == "fault" && strings.HasPrefix(name.quantity, outletFault) {
		limit = "outlet"
	}
	lines, ok := map[string][]string{
		"fault": {
			"Look whether the sensor is plugged in, and its cable and plug are dry and whole; dewline probe lists what answers.",
			"Until it works again nothing is known of what it alone measures: put a thermometer there.",
		},
		"outlet": {
			"Look whether the network is up, and whether the service or the server at the other end is; the log has its answer.",
			"dewline alarm test tells when it works again. What waits is sent then; until then rely on the other ways out.",
		},
		"stale": {
			"Nothing is known of this place now: look at it, with a thermometer of your own.",
			"Then look at the sensor, its cable, its battery or its radio link.",
		},
	}[limit]
	switch {
	case ok:
	case limit == "rising":
		lines = append([]string{"The limit is not reached yet: look what drives it, such as sun, a heater or a mister that is stuck on, or a door."},
			beyond(name.of, true, false)...)
	case limit == "falling":
		lines = append([]string{"The limit is not reached yet: look what drives it, such as a heater or a mister that has failed, or an open window."},
			beyond(name.of, false, false)...)
	default:
		lines = beyond(name.of, strings.HasSuffix(limit, "high"), strings.HasPrefix(limit, "critical"))
	}
	return "  " + strings.Join(lines, "\n  ")
}

// beyond says what to do about a value on the wrong side of a limit.
func beyond(q quantity.Quantity, above, critical bool) (lines []string) {
	if critical {
		lines = []string{"Act now: minutes count."}
	}
	switch q {
	case quantity.AirTemperature, quantity.SurfaceTemperature, quantity.WaterTemperature:
		if above {
			return append(lines, heat(q)...)
		}
		return append(lines, cold(q)...)
	case quantity.RelativeHumidity, quantity.DewPoint, quantity.AbsoluteHumidity:
		if above {
			return append(lines, damp...)
		}
		return append(lines, drying...)
	case quantity.VapourPressureDeficit: // what it is high in is dryness
		if above {
			return append(lines, drying...)
		}
		return append(lines, damp...)
	case quantity.CondensationMargin:
		if above {
			return append(lines, drying...)
		}
		return append(lines,
			"Glass and leaves are about to be wet: more air or less mist, and less cooling at night.",
			"Wet glass is a way out for small animals: look at the lid.")
	case quantity.OxygenSaturation:
		if above {
			return append(lines, cold(quantity.WaterTemperature)...)
		}
		// Benson and Krause: 9.1 mg/L at 20 °C, 7.6 at 30 °C, at sea level.
		return append(lines, "Warm water holds less oxygen: aerate at once, take out leftovers, and cool slowly.")
	case quantity.Pressure:
		return append(lines, "Air pressure asks for nothing to be done: look at the sensor, and at whether this limit is of use.")
	}
	return append(lines, "Go and look.")
}

func heat(q quantity.Quantity) []string {
	if q == quantity.WaterTemperature {
		return []string{
			"Cool slowly, by no more than 2 K (3.6 °F) an hour: lights and heater off, shade, a fan across the open water,",
			"a frozen bottle beside the tub or in a closed bag, never loose ice; or move the tub to a cooler room.",
			"Aerate at once: warm water holds less oxygen.",
		}
	}
	return []string{
		"Cool slowly, by no more than 2 K (3.6 °F) an hour: lights and heaters off, shade, a fan across a screen top,",
		"a frozen bottle beside the enclosure; or move the enclosures to a cooler room.",
		"Keep an eye on the humidity: moving air dries.",
	}
}

func cold(q quantity.Quantity) []string {
	look := "Look whether the heater runs and stands in the water, and for an open window."
	if q != quantity.WaterTemperature {
		look = "Look whether the heating and the lamps run, and for an open window or door."
	}
	return []string{look, "Warm slowly, by no more than 2 K (3.6 °F) an hour; no direct move into water much warmer."}
}

// drying: a fifth of a gram of frog can lose a tenth of its mass in less than an hour (computed after Young et al. 2006).
var drying = []string{
	"Mist by hand, cover part of the mesh, and look at the mister and its tank.",
	"Look at metamorphs and juveniles first: the smallest can dry out within the hour.",
}

var damp = []string{
	"Give more air or less mist, and look whether a mister is stuck on: leaves should dry at least once a day.",
}

package web

import (
	"strings"

	"dewline/internal/quantity"
)

// outletFault stands before the name of an outlet in the alarm that says that it does not deliver.
const outletFault = "outlet-"

// advice says what an alarm may come to and what to do first, in one short line each: an alarm that asks for nothing is no
// alarm. The lines are common practice where they name no source; they never say that an animal is safe, and the people named
// at the foot of each page decide.
func advice(quantityName, limit string) (consequence, action string) {
	if limit == "fault" && strings.HasPrefix(quantityName, outletFault) {
		return "Alarms do not get out by this way, so nobody may hear of them.",
			"Check the network and the service at the other end, then run dewline alarm test; until it delivers rely on the other ways out."
	}
	if limit == "fault" {
		return "Whatever this sensor alone feeds is not being watched.",
			"Look at plug, cable and battery; put a thermometer you trust beside it until it reads again."
	}
	if limit == "stale" {
		return "Nobody knows what this place is like now: the last value says nothing about the next hour.",
			"Go and look. Then check the sensor, its cable and, for a wireless one, its battery and reach."
	}
	q, err := quantity.Parse(quantityName)
	if err != nil {
		return "", ""
	}
	rising, critical := limit == "high" || limit == "critical-high" || limit == "rising", limit == "critical-high" || limit == "critical-low"
	switch q {
	case quantity.WaterTemperature:
		if rising {
			consequence = "Warm water holds less oxygen, and larvae near their limit die within hours."
			action = "Aerate at once. Shade it, lights off, a fan over the surface, or a bottle of ice beside the tub; no faster than 2 K an hour, never loose ice."
		} else {
			consequence = "Growth and digestion stop; cold-bound animals stop feeding and fall ill later."
			action = "Check that the heater runs and is under water. Warm slowly, no faster than 2 K an hour."
		}
	case quantity.AirTemperature, quantity.SurfaceTemperature:
		if rising {
			consequence = "Hot air dries small animals within the hour, and tubs follow the room."
			action = "Lights off, shade, open the screen top, run a fan; move the animals to a cooler room if it goes on. Check the air conditioner."
		} else {
			consequence = "Animals become sluggish and stop feeding; condensation forms on cold glass."
			action = "Close windows, check heating and light. Warm slowly."
		}
	case quantity.RelativeHumidity, quantity.AbsoluteHumidity, quantity.DewPoint:
		if rising {
			consequence = "Leaves and glass that never dry favour infection; metamorphs drown in films of water."
			action = "More air, shorter mistings; see that the mister has not stuck on and the drain is free."
		} else {
			// Reckoned from the loss per area of bare skin in moving air (Young et al. 2006, Copeia) and an estimate of the surface.
			consequence = "Young animals lose water fastest: a 0.2 g froglet about a tenth of its mass in an hour of dry moving air."
			action = "Mist by hand, cover part of the screen, keep fans off the animals. See that the mister has water and runs."
		}
	case quantity.VapourPressureDeficit:
		if rising {
			consequence = "The air draws water from the skin faster than the animals can take it up."
			action = "Mist, cover part of the screen or cool the air: warmth alone raises the deficit."
		} else {
			consequence = "Nothing dries: leaves and glass stay wet."
			action = "More air, shorter mistings."
		}
	case quantity.CondensationMargin:
		consequence = "The pane fogs and drips: small frogs stick to it, newts climb out along the film."
		action = "More air along the glass, or warm the room a little; look for stranded animals."
	case quantity.OxygenSaturation:
		consequence = "The water can hold less oxygen than its animals are used to."
		action = "Aerate, cool slowly, remove leftovers."
	default:
		consequence = "The value has left what was set for it."
		action = "Look at the place."
	}
	if critical {
		action = "Now: " + action
	}
	return consequence, action
}

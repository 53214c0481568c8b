package text

import (
	"strings"

	"dewline/internal/core/quantity"
)

// Advice says what an alarm can lead to and what to do about it. All of it is common practice; where a published source backs a
// line, a comment names it. Nothing in it says that animals are well: the people named in the caution decide.
type Advice struct {
	Consequence string   // one sentence
	Actions     []string // what to do, the first thing first, a sentence or two each
}

// HistorySensor is the sensor name under which a record that cannot be written raises its alarm.
const HistorySensor = "history-file"

// NotifierPrefix begins the sensor name under which a notifier that does not deliver raises its alarm.
const NotifierPrefix = "outlet-"

// AdviceOn returns the advice on an alarm, given by the last two levels of its name. For a fault the first of them is the sensor.
func AdviceOn(quantityName, limit string) Advice {
	switch {
	case limit == "fault" && strings.HasPrefix(quantityName, NotifierPrefix):
		return Advice{"Alarms do not reach you this way until it works again.", []string{
			"Check the network, and the service or server at the other end; dewline's log has its answer.",
			"Until it delivers again, rely on your other notifiers. Messages that wait are sent then; dewline alarm test shows whether it works.",
		}}
	case limit == "fault" && quantityName == HistorySensor:
		return Advice{"Readings and alarms are kept in memory only: a power cut loses them. Alarms still reach you.", []string{
			"Check whether the card or disk is full, read-only or worn out; dewline's log has its answer.",
		}}
	case limit == "fault":
		return Advice{"What this sensor alone measures is not being watched.", []string{
			"Put a thermometer you trust there and look at the animals.",
			"Check plug, cable and battery: dry, whole, firmly in place. dewline probe lists the sensors that answer.",
		}}
	case limit == "stale":
		return Advice{"What it is like there now is not known: an old value says nothing about the next hour.", []string{
			"Go and look, with a thermometer of your own.",
			"Then check the sensor, its cable and, for a wireless one, its battery and reach.",
		}}
	}
	above := limit == "high" || limit == "critical-high" || limit == "rising"
	q, err := quantity.Parse(quantityName)
	if err != nil {
		return Advice{"The value has left what was set for it.", []string{"Go and look."}}
	}
	a := beyond(q, above)
	switch {
	case limit == "rising":
		a.Actions = append([]string{"The limit is not reached yet. Look for what drives it: sun, a heater or a mister that is stuck on, a door."}, a.Actions...)
	case limit == "falling":
		a.Actions = append([]string{"The limit is not reached yet. Look for what drives it: a heater or a mister that has failed, an open window."}, a.Actions...)
	case strings.HasPrefix(limit, "critical"):
		a.Actions = append([]string{"Act now: minutes count."}, a.Actions...)
	}
	return a
}

// beyond is the advice on a value above or below its limit.
func beyond(q quantity.Quantity, above bool) Advice {
	switch q {
	case quantity.WaterTemperature:
		if above {
			return Advice{"Warm water holds less oxygen, and larvae near their limit die within hours.", []string{
				"Aerate at once.",
				"Cool slowly, no faster than 2 K (3.6 °F) an hour: lights and heater off, shade, a fan across the open water, a frozen bottle beside the tub. Never loose ice.",
				"If that is not enough, move the tub to a cooler room.",
			}}
		}
		return Advice{"Growth and digestion stop; animals that stay cold stop feeding and fall ill later.", []string{
			"Check that the heater runs and is under water, and look for an open window.",
			"Warm slowly, no faster than 2 K (3.6 °F) an hour. Do not move animals straight into much warmer water.",
		}}
	case quantity.AirTemperature, quantity.SurfaceTemperature:
		if above {
			return Advice{"Hot air dries small animals within the hour, and tubs follow the room.", []string{
				"Cool slowly, no faster than 2 K (3.6 °F) an hour: lights and heaters off, shade, open the screen top, a fan across it. Check the air conditioner.",
				"If that is not enough, move the enclosures to a cooler room. Watch the humidity: moving air dries.",
			}}
		}
		return Advice{"Animals become sluggish and stop feeding; water condenses on cold glass.", []string{
			"Close windows and doors, check heating and lamps.",
			"Warm slowly, no faster than 2 K (3.6 °F) an hour.",
		}}
	case quantity.RelativeHumidity, quantity.DewPoint, quantity.AbsoluteHumidity:
		if above {
			return damp
		}
		return dry
	case quantity.VapourPressureDeficit: // it is high where the air is dry
		if above {
			return dry
		}
		return damp
	case quantity.CondensationMargin:
		if above {
			return dry
		}
		return Advice{"The pane fogs and drips: small frogs stick to it, newts climb out along the film.", []string{
			"More air along the glass, less mist, less cooling at night.",
			"Look at the lid, and for stranded animals.",
		}}
	case quantity.OxygenSaturation:
		if above {
			return beyond(quantity.WaterTemperature, false) // cold water can hold more
		}
		// Benson and Krause: 9.1 mg/L at 20 °C, 7.6 at 30 °C, at sea level.
		return Advice{"This water can hold less oxygen than its animals are used to.", []string{
			"Aerate at once, remove leftovers, and cool slowly.",
		}}
	case quantity.Pressure:
		return Advice{"Air pressure harms no animal.", []string{"Nothing has to be done in the room. Check the sensor, and whether this limit is of use."}}
	}
	return Advice{"The value has left what was set for it.", []string{"Go and look."}}
}

// The loss is computed per area of bare skin in moving air (Young et al. 2006, Copeia) with an estimate of the surface.
var dry = Advice{"Young animals lose water fastest: a 0.2 g froglet about a tenth of its mass in an hour of dry moving air.", []string{
	"Mist by hand, cover part of the mesh, keep fans off the animals. Look at metamorphs and juveniles first.",
	"Check that the mister has water and runs. Warmth alone dries the air, too.",
}}

var damp = Advice{"Leaves and glass that never dry favour infection; metamorphs drown in films of water.", []string{
	"More air, shorter mistings. Check that no mister is stuck on and the drain is free.",
}}

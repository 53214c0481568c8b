package text

import (
	"slices"
	"strings"

	"dewline/internal/core/care"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

// Advice says what an alarm can lead to and what to do about it. All of it is common practice; where a published source backs a
// line, a comment names it. Nothing in it says that animals are well: the people named in the caution decide.
type Advice struct {
	Consequence string   // one sentence
	Actions     []string // what to do, the first thing first, a sentence or two each
}

// AdviceOn returns the advice on an alarm, given by the last two levels of its name. For a fault the first of them is the sensor or the component.
// stages are those of the animals in the place; with none, as for a room, it is the advice for every stage.
func AdviceOn(quantityName, limit string, stages ...care.Stage) Advice {
	switch {
	case limit == "fault" && strings.HasPrefix(quantityName, journal.NotifierComponents):
		return Advice{"Alarms do not reach you this way until it works again.", []string{
			"Check the network, and the service or server at the other end; dewline's log has its answer.",
			"Until it delivers again, rely on your other notifiers. Messages that wait are sent then; dewline alarm test shows whether it works.",
		}}
	case limit == "fault" && quantityName == journal.HistoryComponent:
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
	switch limit {
	case missedMisting:
		return missed(livingOf(stages))
	case stuckMister:
		return stuck(livingOf(stages))
	}
	above := limit == "high" || limit == "critical-high" || limit == "rising"
	q, err := quantity.Parse(quantityName)
	if err != nil {
		return Advice{"The value has left what was set for it.", []string{"Go and look."}}
	}
	a := beyond(q, above, livingOf(stages))
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

// living is which animals the advice is for.
type living struct {
	eggs, larvae bool
	young        bool // metamorphs and juveniles, which dry out first
	adults       bool
}

// livingOf joins stages. Without one, every stage may be there.
func livingOf(stages []care.Stage) living {
	of := living{
		eggs: slices.Contains(stages, care.Egg), larvae: slices.Contains(stages, care.Larva),
		young: slices.ContainsFunc(stages, care.Stage.Delicate), adults: slices.Contains(stages, care.Adult),
	}
	if of == (living{}) {
		return living{true, true, true, true}
	}
	return of
}

// onlyLarvae reports whether all of them breathe water: no air dries them.
func (l living) onlyLarvae() bool { return l == living{larvae: true} }

// The first thing to do where hands may go near a heater. Fifteen minutes: from memory of what makers of submersible heaters ask for.
const (
	unplugFirst = "Before hands go in: unplug heater and lamps, and let the heater cool for 15 minutes under water. A hot one burns, and its glass breaks."
	slowly      = "no faster than 2 K (3.6 °F) an hour"
)

// standingWater follows the control of Legionella in humidifiers and misters of the Occupational Safety and Health Administration
// of the USA (Legionnaires' disease eTool, section II:B): no standing water, cleaning, a clean source.
const standingWater = "A mister or fogger that has stood: unplug, empty, clean and dry it, then fresh water. Do not breathe its mist: Legionella grows in standing water."

// beyond is the advice on a value above or below its limit.
func beyond(q quantity.Quantity, above bool, of living) Advice {
	switch q {
	case quantity.WaterTemperature:
		if above {
			return warmWater(of)
		}
		return Advice{"Growth and digestion stop; animals that stay cold stop feeding and fall ill later.", []string{
			"Look without touching: has the heater power, is it under water? Is a window open?",
			"Unplug the heater and let it cool for 15 minutes before hands go in. One that ran dry or has a crack is not plugged in again.",
			"Warm slowly, " + slowly + ". Do not move animals straight into much warmer water.",
		}}
	case quantity.AirTemperature, quantity.SurfaceTemperature:
		if above {
			return hotAir(of)
		}
		return Advice{"Animals become sluggish and stop feeding; water condenses on cold glass.", []string{
			"Close windows and doors, check the heating. Unplug a lamp or heater and let it cool before you touch it.",
			"Warm slowly, " + slowly + ".",
		}}
	case quantity.RelativeHumidity, quantity.DewPoint, quantity.AbsoluteHumidity:
		if above {
			return damp()
		}
		return dry(of)
	case quantity.VapourPressureDeficit: // it is high where the air is dry
		if above {
			return dry(of)
		}
		return damp()
	case quantity.CondensationMargin:
		if above {
			return dry(of)
		}
		return Advice{"The pane fogs and drips: small frogs stick to it, newts climb out along the film.", []string{
			"More air along the glass, less mist, less cooling at night.",
			"Look at the lid, and for stranded animals.",
		}}
	case quantity.OxygenSaturation:
		if above {
			return beyond(quantity.WaterTemperature, false, of) // cold water can hold more
		}
		// Benson and Krause: 9.1 mg/L at 20 °C, 7.6 at 30 °C, at sea level.
		return Advice{"This water can hold less oxygen than its animals are used to.", []string{
			"Aerate at once and cool slowly, " + slowly + ".",
			unplugFirst,
			"Then remove leftovers.",
		}}
	case quantity.Pressure:
		return Advice{"Air pressure harms no animal.", []string{"Nothing has to be done in the room. Check the sensor, and whether this limit is of use."}}
	}
	return Advice{"The value has left what was set for it.", []string{"Go and look."}}
}

// warmWater: metamorphs bear less heat than larvae (Cupp 1980), and half of the embryos of Rana pretiosa luteiventris were
// abnormal at 28 °C (Johnson 1964).
func warmWater(of living) Advice {
	a := Advice{Consequence: "Warm water holds less oxygen, and animals that cannot leave it overheat."}
	switch {
	case of.larvae:
		a.Consequence = "Warm water holds less oxygen, and larvae near their limit die within hours."
	case of.young:
		a.Consequence = "Warm water holds less oxygen, and metamorphs bear less heat than larvae."
	case of.eggs:
		a.Consequence = "Warm water holds less oxygen, and embryos that are too warm grow up malformed."
	}
	cool := "Cool slowly, " + slowly + ": shade, a cooler room, a frozen bottle beside the tub. Never loose ice."
	if !of.young {
		cool = "Cool slowly, " + slowly + ": shade, a fan across the open water, a frozen bottle beside the tub. Never loose ice."
	}
	a.Actions = []string{"Aerate at once.", unplugFirst, cool, "If that is not enough, move the tub to a cooler room."}
	if of.young {
		a.Actions = append(a.Actions, "No fan where metamorphs or froglets sit on land: moving air dries them.")
	}
	return a
}

// hotAir: what a fan does to a froglet is computed from the loss per area of bare skin in moving air (Young et al. 2006, Copeia)
// with an estimate of the surface: a tenth of its mass in 50 minutes, 30 % in two and a half hours. Near 30 % is almost always
// fatal (Pough 1983, cited in Rev. Mex. Biodivers. 2021).
func hotAir(of living) Advice {
	cool := "Cool the room slowly, " + slowly + ": unplug lamps and heaters, shade the windows, check the air conditioner."
	if of.onlyLarvae() {
		return Advice{"Tubs follow the room, and warm water holds less oxygen.", []string{
			cool, "A fan across the open water cools the tub. If that is not enough, move it to a cooler room.",
		}}
	}
	a := Advice{Consequence: "Animals that find no cool, wet place overheat and dry out, and tubs follow the room."}
	still := "No fan across an enclosure: moving air dries. Mist by hand, and give a wet hide in the shade."
	switch {
	case of.young:
		a.Consequence = "Hot air dries small animals within the hour, and tubs follow the room."
		still = "No fan on the animals: moving air dries, and a froglet of 0.2 g dies of it within three hours. Keep the lid on, mist by hand, give wet moss."
	case of.eggs:
		a.Consequence = "A clutch out of the water dries and dies, and tubs follow the room."
		still = "No fan across an enclosure: moving air dries the clutch. Keep it wet by hand, not under water."
	}
	a.Actions = []string{cool, still, "If that is not enough, move the enclosures to a cooler room. Watch the humidity there."}
	return a
}

// dry: the losses are computed as for hotAir; a frog of 4 g loses about 3 % in an hour.
func dry(of living) Advice {
	if of.onlyLarvae() {
		return Advice{"Dry air takes water out of the tub, and what is dissolved in the rest gets denser.", []string{
			"Top up what has evaporated with pure water: distilled, reverse osmosis or clean rain.",
			"Check that the mister has water and runs. Warmth alone dries the air, too.",
			standingWater,
		}}
	}
	a := Advice{Consequence: "A frog of 4 g loses about 3 % of its mass in an hour of dry moving air, and more where no hide is wet."}
	first := "Mist by hand with fresh water, cover part of the mesh, keep fans off the animals."
	switch {
	case of.young:
		a.Consequence = "Young animals lose water fastest: a 0.2 g froglet about a tenth of its mass in an hour of dry moving air."
		first += " Look at metamorphs and juveniles first."
	case of.eggs:
		a.Consequence = "A clutch that is not under water dries from the outside and dies."
		first = "Wet the clutch by hand with fresh water, not under water; cover part of the mesh, keep fans away."
	}
	a.Actions = []string{first, "Check that the mister has water and runs. Warmth alone dries the air, too.", standingWater}
	return a
}

// pullThePlug: a mister is mains equipment beside water.
const pullThePlug = "Pull the plug of the mister before hands go near it or into the water."

// missed is the advice on a misting that did not come.
func missed(of living) Advice {
	a := dry(of)
	a.Actions = []string{
		pullThePlug + " Does it have water, is its nozzle clear?",
		a.Actions[0],
		"If mist did come, check the humidity sensor.",
	}
	return a
}

// stuck is the advice on a mister that may not have stopped.
func stuck(of living) Advice {
	a := damp()
	if of.onlyLarvae() {
		a.Consequence = "A mister that does not stop empties its tank, runs dry, and can flood what is below."
	}
	a.Actions = []string{
		pullThePlug + " Look whether it had stopped.",
		"If it had: more air, and dry the humidity sensor. A drop on it reads as 100 %.",
		standingWater,
	}
	return a
}

func damp() Advice {
	return Advice{"Leaves and glass that never dry favour infection; metamorphs drown in films of water.", []string{
		"More air, shorter mistings. Check that no mister is stuck on and the drain is free; unplug it before you reach in.",
		standingWater,
	}}
}

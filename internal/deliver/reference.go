package deliver

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"dewline/internal/core/watch"
)

// members describes the members of the commands.
var members = map[string]string{
	"alarm":       `the alarm's name, such as "tub-1/water-temperature/high"; without an occurrence the one of the moment is meant`,
	"occurrence":  `the occurrence, as the alarm's own message names it, so that a late repeat cannot silence a later alarm`,
	"for":         `how long, such as "30m" or "1 h"`,
	"at":          `when it was: "2026-07-14" or "2026-07-14 20:00" at the site, RFC 3339, or so long ago, as "2d"; absent: now`,
	"cohort":      `the cohort's id`,
	"stage":       `egg, larva (or tadpole), metamorph, juvenile (or froglet) or adult`,
	"place":       `the place's id`,
	"text":        `what is noted`,
	"profile":     `the id of its care profile`,
	"gosner":      `the stage after Gosner (1960), 1 to 46`,
	"count":       `how many live on`,
	"why":         `died, sold, split or found`,
	"task":        `feed, mist, change-water, top-up, drain, look, clean-mister, check-sensor or an own word`,
	"sensor":      `the sensor's id`,
	"channel":     `temperature, humidity or pressure`,
	"offset":      `what is added to what the sensor reads, with its unit, such as "-0.31 K" or "1.5 %RH"`,
	"uncertainty": `of the corrected value (k = 2), such as "0.1 K"; absent: that of the sensor stays in force`,
	"method":      `what it was compared with, such as "ice bath"`,
	"corrects":    `the id of the entry whose place this one takes, as the events topic names it`,
	"reason":      `a word for the record`,
	"by":          `who does it; MQTT cannot prove it, so the record says "via mqtt"`,
}

// does describes each command.
var does = map[watch.Verb]string{
	watch.Acknowledge:   "says that a person has seen an alarm (occurrence or alarm is needed)",
	watch.Shelve:        "silences an alarm for a time, 30 minutes where none is given",
	watch.Unshelve:      "ends that",
	watch.Reset:         "lets an alarm go that stays until a person resets it",
	watch.BeginCohort:   "begins a cohort",
	watch.SetStage:      "says at which stage a cohort is",
	watch.MoveCohort:    "says where a cohort lives now",
	watch.CountCohort:   "says how many live on",
	watch.EndCohort:     "says that a cohort is no more",
	watch.DoTask:        "records that a task of care is done (place or cohort is needed)",
	watch.RecordMist:    "records a misting",
	watch.Calibrate:     "records a calibration of a channel, which corrects it from then on",
	watch.ReplaceSensor: "says that a sensor was replaced by another part: its calibrations count no more, the history of its points goes on",
	watch.WriteNote:     "writes a note into the journal, or withdraws the entry that it corrects",
}

// Reference returns the description of the commands over MQTT, as plain text. It is made from the table with which they are
// decoded.
func Reference() string {
	var b strings.Builder
	b.WriteString("A command is a JSON object, all members text, published without retain to ROOT/command/VERB, where ROOT is mqtt: root\n" +
		"of the configuration (dewline/SITE where it is not given). Commands are taken with mqtt: {commands: true} only. The outcome of a\n" +
		"command is published on ROOT/events. Members marked * are required.\n")
	for _, verb := range slices.Sorted(maps.Keys(forms)) {
		form := forms[verb]
		fmt.Fprintf(&b, "\ncommand/%s   %s\n", verb, does[verb])
		for _, name := range form.required {
			fmt.Fprintf(&b, "    %-12s %s\n", name+" *", members[name])
		}
		for _, name := range form.optional {
			fmt.Fprintf(&b, "    %-12s %s\n", name, members[name])
		}
	}
	b.WriteString("\nExample:  mosquitto_pub -t dewline/north-loft/command/acknowledge -m '{\"alarm\": \"tub-1/water-temperature/high\"}'\n")
	return b.String()
}

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
	"alarm":      `the alarm's name, such as "tub-1/water-temperature/high"; without an occurrence the one of the moment is meant`,
	"occurrence": `the occurrence, as the alarm's own message names it, so that a late repeat cannot silence a later alarm`,
	"for":        `how long, such as "30m" or "1 h"`,
	"at":         `when it was, in RFC 3339, such as "2026-07-14T20:00:00+01:00"; absent: now`,
	"cohort":     `the cohort's id`,
	"stage":      `egg, larva (or tadpole), metamorph, juvenile (or froglet) or adult`,
	"place":      `the place's id`,
	"text":       `what is noted`,
	"reason":     `a word for the record`,
	"by":         `who does it; MQTT cannot prove it, so the record says "via mqtt"`,
}

// does describes each command.
var does = map[watch.Verb]string{
	watch.Acknowledge: "says that a person has seen an alarm (occurrence or alarm is needed)",
	watch.Shelve:      "silences an alarm for a time, 30 minutes where none is given",
	watch.Unshelve:    "ends that",
	watch.Reset:       "lets an alarm go that stays until a person resets it",
	watch.SetStage:    "says at which stage a cohort is",
	watch.RecordMist:  "records a misting",
	watch.WriteNote:   "writes a note into the journal",
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

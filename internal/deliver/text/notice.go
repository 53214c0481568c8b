package text

import (
	"fmt"
	"strings"

	"dewline/internal/core/care"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

// IsNotice reports whether an entry is sent to people although it is about no single alarm: a summary, a test, a nuisance, the day.
func IsNotice(entry *journal.Entry) bool {
	switch entry.Kind {
	case journal.Summary, journal.NotifierTest, journal.Chattering, journal.Fleeting, journal.Frequent, journal.DailyDigest:
		return true
	}
	return false
}

// notice writes the message of such an entry.
func (f *Formatter) notice(m *Message, entry *journal.Entry) {
	if entry.Kind == journal.DailyDigest {
		f.digest(m, entry)
		return
	}
	of := &m.Fields
	of.Link = f.Link("")
	n, active := parse(entry.Alarm), *entry
	active.State = "B"
	if entry.Alarm != "" {
		of.Alarm, of.Place, of.PlaceID, of.Link = OneLine(entry.Alarm), f.place(n.place), OneLine(n.place), f.Link(entry.Alarm)
	}
	mark, title, lead := "", "", ""
	switch entry.Kind {
	case journal.Summary:
		mark, lead = "Summary", "One message for all of these"
		title = f.sentence(strings.SplitN(entry.Text, "; ", 2)[0])
		if entry.Reason == "flood" {
			mark, lead = "MANY ALARMS", "More alarms than anyone can follow: one message for all of them"
		}
		of.Actions = []string{
			"Look first for what they have in common: the power, the room, a bus of sensors.",
			"dewline alarm list shows every alarm that is active.",
		}
		m.Urgent = entry.Priority == care.HighPriority.String() || entry.Priority == care.CriticalPriority.String()
	case journal.NotifierTest:
		mark, title, lead = "TEST", "alarms reach you this way, no alarm", "This is a test and no alarm. That you read it shows that alarms reach you this way"
		of.Actions = []string{"Nothing."}
	case journal.Chattering, journal.Fleeting:
		mark, title = "NOTE", f.Headline(&active)+": this alarm comes and goes too fast"
		lead = "This alarm has come and gone several times within a minute"
		of.Actions = []string{
			"When you have time, give its band a wider deadband or longer delays, or look at the sensor and its cable.",
			"Alarms that ask for nothing are soon not heard any more.",
		}
		if entry.Kind == journal.Fleeting {
			title = f.Headline(&active) + ": over within seconds"
			lead = "This alarm was over within seconds, before anyone could act"
			of.Actions[0] = "When you have time, give its band a longer on-delay, or look at the sensor and its cable."
		}
	case journal.Frequent:
		mark, title = "COMPARE", f.Headline(&active)+": it comes too often"
		lead = "This alarm has come three times in seven days, or keeps coming back since then. Until it has stayed away for a week it makes no message; it is on the pages, and its critical limit still calls"
		of.Actions = comparison(n.of)
	}
	m.Title = mark + ": " + title
	var b strings.Builder
	fmt.Fprintf(&b, "%s.\n", lead)
	if entry.Kind == journal.Summary {
		for part := range strings.SplitSeq(entry.Text, "; ") {
			if written := f.group(part); written != "" {
				fmt.Fprintf(&b, "\n%s", capital(written))
			}
		}
		b.WriteString("\n")
	}
	if entry.Kind == journal.Chattering || entry.Kind == journal.Fleeting {
		fmt.Fprintf(&b, "\nWhere: %s\n", f.placeAndID(n.place))
		fmt.Fprintf(&b, "Alarm: %s", OneLine(entry.Alarm))
	}
	fmt.Fprintf(&b, "\nTime: %s\n", of.Time)
	if by := OneLine(entry.By); entry.Kind == journal.NotifierTest && by != "" {
		if entry.Reason == "weekly" {
			by = "dewline, as every week"
		}
		fmt.Fprintf(&b, "Asked by: %s\n", by)
	}
	b.WriteString("\nWhat to do:\n")
	for _, action := range of.Actions {
		fmt.Fprintf(&b, "- %s\n", action)
	}
	if of.Link != "" {
		fmt.Fprintf(&b, "\nThe alarms: %s\n", of.Link)
	}
	f.foot(&b, entry)
	m.Text = b.String()
}

// groups are the lists of alarms in a summary, as the rules and as people call them.
var groups = map[string]string{"not acknowledged": "Please confirm", "acknowledged or silenced": "Confirmed or silenced", "over": "Over"}

// group writes a part of a summary, which lists alarms as "not acknowledged: tub-1/water-temperature/high (high), …", one a line.
func (f *Formatter) group(part string) string {
	label, list, _ := strings.Cut(part, ": ")
	words, ok := groups[label]
	if !ok {
		if part = f.sentence(part); part != "" {
			part += "."
		}
		return part
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s:", words)
	for alarm := range strings.SplitSeq(list, ", ") {
		fmt.Fprintf(&b, "\n- %s", f.sentence(alarm))
	}
	return b.String()
}

// sentence writes an item of a summary: where it begins with the name of an alarm, that is put as people call it.
func (f *Formatter) sentence(item string) string {
	alarm, rest, _ := strings.Cut(item, " ")
	if strings.Count(alarm, "/") < 2 {
		return OneLine(item)
	}
	headline := f.Headline(&journal.Entry{Alarm: alarm, State: "B"})
	switch {
	case rest == "(critical)":
		return headline + " (critical)"
	case rest == "" || strings.HasPrefix(rest, "("):
		return headline
	}
	return headline + ": " + OneLine(rest)
}

// comparison says how to find out whether a probe or its place is wrong. Common practice; the saturated salt is that of Greenspan 1977.
func comparison(q quantity.Quantity) []string {
	actions := []string{"Compare this probe with a thermometer that you trust: both together, side by side, for a quarter of an hour; in water, stir."}
	switch q {
	case quantity.RelativeHumidity, quantity.DewPoint, quantity.AbsoluteHumidity, quantity.VapourPressureDeficit, quantity.CondensationMargin:
		actions[0] = "Compare this sensor with a hygrometer that you trust, or close it up with a wet paste of table salt for a day: it must show 75 %."
	}
	return append(actions,
		"If they differ, dewline calibrate corrects the probe. If they agree, the enclosure does leave its band that often: change its heating, shade or mist.",
		"If its animals do well in that, another limit may be right: a veterinarian or an experienced keeper can say.",
	)
}

package mail

import (
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"dewline/internal/instant"
	"dewline/internal/journal"
	"dewline/internal/quantity"
	"dewline/internal/watch"
)

// Words is what it takes to tell a keeper of an entry.
type Words struct {
	Site        string
	Location    *time.Location    // nil means UTC
	Temperature quantity.Unit     // the keeper's unit of temperature; none means Celsius
	Titles      map[string]string // id of a place → what people call it; the id where it has none
}

// caution stands below each message. "Starting point …" is the wording of the care profiles.
const caution = `The limits are a starting point. Species, population, local code, permit office and your veterinarian decide.
Unplug heaters, pumps and lights before hands go into the water.`

// Letter is a message before it has an envelope.
type Letter struct {
	Subject string `json:"subject"`
	Text    string `json:"text"`
	// Thread is the same for all letters of one occurrence.
	Thread string `json:"thread"`
	Urgent bool   `json:"urgent,omitempty"`
}

// outletFault stands before the name of an outlet in the alarm that says that it does not deliver.
const outletFault = "outlet-"

// alarmName is the name of an alarm in its parts.
type alarmName struct {
	place, quantity, limit string
	of                     quantity.Quantity // None for the fault of a sensor
}

func parse(name string) alarmName {
	parts := strings.SplitN(name, "/", 3)
	for len(parts) < 3 {
		parts = append(parts, "")
	}
	n := alarmName{place: parts[0], quantity: parts[1], limit: parts[2]}
	if q, err := quantity.Parse(n.quantity); err == nil {
		n.of = q
	}
	return n
}

// Letter writes the message of a journal entry on an alarm, of a summary or of a test.
func (w *Words) Letter(entry *journal.Entry) Letter {
	if letter := w.notice(entry); letter != nil {
		return *letter
	}
	name := parse(entry.Alarm)
	over := entry.State != string(rune(watch.Unacknowledged)) && entry.State != string(rune(watch.Acknowledged))
	what := w.headline(name, over)
	var b strings.Builder
	fmt.Fprintf(&b, "%s.\n\n", what)
	w.facts(&b, entry, name, over)
	if over {
		b.WriteString("\nLook at the animals all the same: this tells of readings, not of how the animals are.\n")
	} else {
		fmt.Fprintf(&b, "\nWhat to do\n%s\n", advice(name))
	}
	if waits(entry.State) && entry.Occurrence != "" {
		fmt.Fprintf(&b, "\nWhen you have seen it, on the machine that runs dewline:\n  dewline alarm acknowledge %s\n", oneLine(entry.Occurrence))
	}
	fmt.Fprintf(&b, "\n%s\ndewline watches and warns; it switches nothing.\n\n", caution)
	fmt.Fprintf(&b, "Site %s, journal entry %s\n", oneLine(w.Site), oneLine(entry.ID()))
	return Letter{
		Subject: w.subject(entry, name, what, over), Text: b.String(), Thread: threadOf(entry),
		Urgent: !over && (entry.Priority == "critical" || entry.Priority == "high"),
	}
}

// waits reports whether an alarm waits for an acknowledgement.
func waits(state string) bool { return state == "B" || state == "D" || state == "E" }

func threadOf(entry *journal.Entry) string {
	if entry.Occurrence != "" {
		return entry.Occurrence
	}
	return entry.ID()
}

// subject is short enough for a telephone: where, how urgent, what, and the value.
func (w *Words) subject(entry *journal.Entry, name alarmName, what string, over bool) string {
	mark := strings.ToUpper(oneLine(entry.Priority))
	if mark == "" {
		mark = "ALARM"
	}
	switch {
	case over:
		mark = "over"
	case len(entry.Outlets) > 0: // told to somebody for the first time, only late
		mark += " (" + oneLine(entry.Reason) + ")"
	case entry.Kind == journal.AlarmRepeated:
		mark += " (again)"
	}
	subject := fmt.Sprintf("[%s] %s: %s", oneLine(w.Site), mark, what)
	if value := w.value(name, latest(entry)); value != "" && !over {
		subject += ", " + value
	}
	return subject
}

// latest returns the value of an entry, or the extreme of an entry that has no value, such as that of a repetition.
func latest(entry *journal.Entry) *float64 {
	if entry.Value != nil {
		return entry.Value
	}
	return entry.Extreme
}

// headline says what happened and where.
func (w *Words) headline(name alarmName, over bool) string {
	is := map[bool]string{false: "is", true: "was"}[over]
	where := w.place(name.place)
	what := oneLine(strings.ReplaceAll(name.quantity, "-", " "))
	if outlet, is := strings.CutPrefix(name.quantity, outletFault); is && name.limit == "fault" {
		if over {
			return fmt.Sprintf("The outlet %s delivers again", oneLine(outlet))
		}
		return fmt.Sprintf("The outlet %s does not deliver: alarms do not get out by it", oneLine(outlet))
	}
	if name.limit == "fault" {
		if over {
			return fmt.Sprintf("Sensor %s works again", oneLine(name.quantity))
		}
		return fmt.Sprintf("Sensor %s does not work", oneLine(name.quantity))
	}
	switch name.limit {
	case "high", "low":
		return capital(fmt.Sprintf("%s in %s %s too %s", what, where, is, name.limit))
	case "critical-high":
		return capital(fmt.Sprintf("%s in %s %s critically high", what, where, is))
	case "critical-low":
		return capital(fmt.Sprintf("%s in %s %s critically low", what, where, is))
	case "rising", "falling":
		return capital(fmt.Sprintf("%s in %s %s %s towards the limit", what, where, is, name.limit))
	case "stale":
		if over {
			return fmt.Sprintf("The %s of %s is being read again", what, where)
		}
		return fmt.Sprintf("The %s of %s is not being read", what, where)
	}
	return capital(strings.TrimSpace(fmt.Sprintf("%s in %s: %s", what, where, oneLine(name.limit))))
}

// facts is the table of the message.
func (w *Words) facts(b *strings.Builder, entry *journal.Entry, name alarmName, over bool) {
	line := func(label, text string) {
		if text != "" {
			fmt.Fprintf(b, "%-12s %s\n", label, text)
		}
	}
	line("Where", w.placeWithID(name))
	line("Value", w.value(name, entry.Value))
	line("Limit", w.value(name, entry.Setpoint))
	farthest := "Highest"
	if strings.HasSuffix(name.limit, "low") {
		farthest = "Lowest"
	}
	line(farthest, w.value(name, entry.Extreme))
	if entry.Since != nil {
		line("Since", w.at(*entry.Since))
	}
	switch {
	case over && entry.Since != nil:
		line("Ended", fmt.Sprintf("%s, after %s", w.at(entry.At), span(entry.At.Sub(*entry.Since))))
	case over:
		line("Ended", w.at(entry.At))
	case entry.Since != nil:
		line("Told", fmt.Sprintf("%s, after %s", w.at(entry.At), span(entry.At.Sub(*entry.Since))))
	default:
		line("Told", w.at(entry.At))
	}
	if entry.Repeats > 0 && !over {
		line("Repetition", fmt.Sprint(entry.Repeats))
	}
	line("Priority", oneLine(entry.Priority))
	if entry.State != "" && !over || waits(entry.State) {
		line("State", watch.InWords(entry.State[0]))
	}
	if len(entry.Names) > 0 {
		places := make([]string, len(entry.Names))
		for i, id := range entry.Names {
			places[i] = w.place(id)
		}
		line("Also for", strings.Join(places, ", "))
	}
	line("Note", oneLine(entry.Reason))
}

// place returns what people call a place.
func (w *Words) place(id string) string {
	if title := oneLine(w.Titles[id]); title != "" {
		return title
	}
	return oneLine(id)
}

func (w *Words) placeWithID(name alarmName) string {
	if name.place == watch.FaultPlace {
		return ""
	}
	if title := w.place(name.place); title != oneLine(name.place) {
		return fmt.Sprintf("%s (%s)", title, oneLine(name.place))
	}
	return oneLine(name.place)
}

// value writes a value in the keeper's unit; "" where there is none.
func (w *Words) value(name alarmName, v *float64) string {
	if v == nil || name.of == quantity.None {
		return ""
	}
	temperature := w.Temperature
	if temperature == quantity.NoUnit {
		temperature = quantity.Celsius
	}
	return name.of.Keeper(temperature).Print(*v, name.of.Decimals())
}

// at writes a time as the clock on the wall shows it, with the zone.
func (w *Words) at(i instant.Instant) string {
	location := w.Location
	if location == nil {
		location = time.UTC
	}
	return i.Time().In(location).Format("Mon 2 Jan 2006, 15:04:05 MST (-07:00)")
}

// span writes a length of time in the two units that matter.
func span(d time.Duration) string {
	d = max(d, 0).Round(time.Second)
	days, hours, minutes, seconds := d/(24*time.Hour), d/time.Hour%24, d/time.Minute%60, d/time.Second%60
	switch {
	case days > 0:
		return fmt.Sprintf("%d d %d h", days, hours)
	case hours > 0:
		return fmt.Sprintf("%d h %d min", hours, minutes)
	case minutes > 0:
		return fmt.Sprintf("%d min %d s", minutes, seconds)
	}
	return fmt.Sprintf("%d s", seconds)
}

// longestLine bounds what a name or a reason may take.
const longestLine = 300

// oneLine makes text that came from elsewhere fit for a header and for one line of a message.
func oneLine(text string) string {
	text = strings.Join(strings.FieldsFunc(strings.ToValidUTF8(text, "\uFFFD"), func(r rune) bool {
		return unicode.IsSpace(r) || unicode.IsControl(r) || unicode.Is(unicode.Cf, r)
	}), " ")
	if utf8.RuneCountInString(text) > longestLine {
		text = string([]rune(text)[:longestLine]) + "…"
	}
	return text
}

// capital makes the first letter of a sentence a capital.
func capital(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(first)) + text[size:]
}

// Package text writes what people read of an alarm: in a push message, a mail, on the pages and at a terminal. There is one text
// for all of them.
//
//	f := &text.Formatter{Site: "north-loft", Location: lisbon, Temperature: quantity.Fahrenheit, Titles: titles, PublicURL: url}
//	m := f.Message(entry)
//	m.Title   // "CRITICAL: Tub 1: water far too warm, 84.2 °F"
//	m.Text    // where, who lives there, value and limit, since when, what to do, a link
//	m.Fields  // the same in parts, for a template or a program
//
// The package is pure: what a message needs beyond the journal entry comes in by [Formatter.Now].
//
// The words: priorities are CRITICAL, ALARM (high), WARNING (medium) and NOTE (low), so that "high" is always a limit. Values are
// in the unit that the site displays, times in its zone, and a place is named by its title.
package text

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

// Formatter writes the messages of a site.
type Formatter struct {
	Site        string
	Location    *time.Location    // nil means UTC
	Temperature quantity.Unit     // the keeper's unit of temperature; none means Celsius
	Titles      map[string]string // id of a place → what people call it; the id where it has none
	PublicURL   string            // where the keeper's phone reaches the pages; "" means that no link is written
	Now         Now               // nil: nothing is known beyond the entry
}

// Now is what the site knows beyond a journal entry at the time of its message.
type Now interface {
	// Residents lists the cohorts that live in a place.
	Residents(place string) []Resident
	// Point returns the latest value of a point; false where there is no such point.
	Point(p quantity.Point) (Latest, bool)
	// Trend returns an earlier value of a point, from which its direction follows; false if none is known.
	Trend(p quantity.Point) (Earlier, bool)
	// Feeds lists the points that a sensor feeds.
	Feeds(sensor string) []quantity.Point
}

// Latest is the last value of a point.
type Latest struct {
	Value float64
	At    instant.Instant // None or 0 where it was never read
	Fresh bool            // it counts as the present value
}

// Resident is a cohort and its stage.
type Resident struct {
	Cohort string `json:"cohort"`
	Stage  string `json:"stage"`

	// Profile is the care profile of the cohort; nil where it is not known.
	Profile *care.Profile `json:"-"`
}

// Earlier is a value of some minutes ago.
type Earlier struct {
	At    instant.Instant
	Value float64
}

// Message is what a keeper reads, with its parts.
type Message struct {
	ID     string `json:"id"`    // of the journal entry: the same on every repeat of the delivery
	Title  string `json:"title"` // one line
	Text   string `json:"text"`
	Urgent bool   `json:"urgent"` // a critical or high alarm that waits for a person
	Fields Fields `json:"fields"`
	// Incident is the same for all messages of one incident; a push service that can update a message takes it as the message's identity.
	Incident string `json:"incident"`
	Silent   bool   `json:"silent"` // it updates the incident, and needs no sound

	// Thread is the same for all messages of one incident, or of one occurrence of an alarm where no incident is known.
	Thread string `json:"-"`
}

// Fields are the parts of a message. What does not apply is empty. A template reads them under their Go names.
type Fields struct {
	Site        string     `json:"site"`
	Kind        string     `json:"kind"`       // of the journal entry: alarm.raised, alarm.repeated, alarm.cleared, alarm.summary, outlet.test, …
	Priority    string     `json:"priority"`   // low, medium, high, critical
	Alarm       string     `json:"alarm"`      // tub-1/water-temperature/high
	Occurrence  string     `json:"occurrence"` // what an acknowledgement names
	State       string     `json:"state"`      // in words
	Over        bool       `json:"over"`       // the condition has ended
	Repeat      int        `json:"repeat"`     // 0 for the first message
	Place       string     `json:"place"`      // title
	PlaceID     string     `json:"place_id"`
	Quantity    string     `json:"quantity"`
	LivesThere  string     `json:"lives_there"` // a-2026 (larva)
	Residents   []Resident `json:"residents"`
	Value       string     `json:"value"`              // in the displayed unit: 78.1 °F
	Direction   string     `json:"direction"`          // rising, falling or steady
	Limit       string     `json:"limit"`              // 75.2 °F
	Expected    string     `json:"expected,omitempty"` // of a limit that is foreseen: between 15:10 and 15:40, in 25 to 55 min
	Worst       string     `json:"worst"`              // the furthest value beyond the limit
	LastValue   string     `json:"last_value"`         // of a sensor that has failed: the last good value
	Time        string     `json:"time"`               // local: Fri 17 Jul 2026, 14:40 WEST
	Since       string     `json:"since"`              // likewise
	Lasted      string     `json:"lasted"`             // 30 min
	LimitSource string     `json:"limit_source"`       // where the profile has the limit from
	HowSoon     string     `json:"how_soon"`           // what the profile says about it: within 2 h outside the band …
	Consequence string     `json:"consequence"`
	Actions     []string   `json:"actions"`
	Also        []string   `json:"also"` // what else of its incident is critical: Tub 2: water far too warm, 82.4 °F
	Note        string     `json:"note"`
	InDoubt     bool       `json:"in_doubt"` // a critical alarm although its sensor is in doubt
	Link        string     `json:"link"`     // to the alarm on the pages
}

// caution ends each alarm. "Starting point …" is the wording of the care profiles.
const caution = `The limits are a starting point: species, your veterinarian, permit office and local code decide.
Unplug heaters, pumps and lights, and let heaters cool, before hands go into the water. No drug, salt or heat treatment without a
veterinarian. dewline watches and warns; it switches nothing.`

// Message writes the message of a journal entry on an alarm, of a summary or of a test.
func (f *Formatter) Message(entry *journal.Entry) Message {
	m := Message{ID: OneLine(entry.ID()), Thread: entry.ID(), Fields: Fields{
		Site: OneLine(f.Site), Kind: string(entry.Kind), Priority: OneLine(entry.Priority), Time: f.date(entry.At),
		Residents: []Resident{}, Actions: []string{}, Also: []string{},
	}}
	if IsNotice(entry) {
		f.notice(&m, entry)
		return m
	}
	m.Incident, m.Silent = OneLine(entry.Incident), entry.Silent
	switch {
	case entry.Incident != "":
		m.Thread = entry.Incident
	case entry.Occurrence != "":
		m.Thread = entry.Occurrence
	}
	n := parse(entry.Alarm)
	f.fill(&m.Fields, entry, n)
	m.Fields.InDoubt = entry.Doubt != ""
	over := m.Fields.Over
	reminder := entry.Kind == journal.AlarmReminded
	m.Urgent = (!over || reminder) && !entry.Silent && (entry.Priority == care.CriticalPriority.String() || entry.Priority == care.HighPriority.String())
	headline := f.Headline(entry)
	m.Title = mark(entry, over) + ": " + headline
	if reminder {
		m.Title += wasLike(&m.Fields)
	} else if v := m.Fields.Value; v != "" && !(over && n.limit == "stale") {
		m.Title += ", " + v
	}
	if more := len(m.Fields.Also); more > 0 {
		m.Title += fmt.Sprintf("; %d more%s", more, map[bool]string{false: " critical"}[reminder])
	}
	m.Text = f.body(entry, n, headline, &m.Fields)
	return m
}

// Ended reports whether an entry says that the condition of its alarm has ended, so far as a person has to know.
func Ended(entry *journal.Entry) bool {
	return !entry.State.InAlarm()
}

// ended is when the alarm of an entry ended, or else the time of the entry.
func ended(entry *journal.Entry) instant.Instant {
	if entry.Kind == journal.AlarmReminded && entry.Until != nil {
		return *entry.Until
	}
	return entry.At
}

// wasLike says of something that is over how long it lasted and how bad it was.
func wasLike(of *Fields) string {
	text := ""
	if of.Lasted != "" {
		text = " for " + of.Lasted
	}
	if of.Worst != "" {
		text += ", " + of.Worst + " at worst"
	}
	return text
}

// mark begins a title.
func mark(entry *journal.Entry, over bool) string {
	mark := map[string]string{"critical": "CRITICAL", "high": "ALARM", "medium": "WARNING", "low": "NOTE"}[entry.Priority]
	switch {
	case entry.Kind == journal.AlarmReminded:
		return "Over, not confirmed"
	case over:
		return "Over"
	case mark == "":
		mark = "ALARM"
	}
	switch {
	case len(entry.Notifiers) > 0: // the first message to this notifier, which comes late
		return mark + " (" + OneLine(entry.Reason) + ")"
	case entry.Kind == journal.AlarmRepeated:
		return mark + ", still"
	case entry.Silent:
		return mark + " (same incident)"
	}
	return mark
}

// The last levels of the names of the two alarms on a mister.
const (
	missedMisting = "missed-misting"
	stuckMister   = "stuck-mister"
)

// Headline says in one line what is wrong, or is not any more, and where.
func (f *Formatter) Headline(entry *journal.Entry) string {
	n, over := parse(entry.Alarm), Ended(entry)
	was := ""
	if entry.Kind == journal.AlarmReminded { // what it was like, rather than that it is over
		was, over = "was ", false
	}
	either := func(before, after string) string {
		if over {
			return after
		}
		return before
	}
	if notifier := n.notifier(); notifier != "" {
		return either(fmt.Sprintf("The notifier %s does not deliver: alarms do not reach you this way", notifier), fmt.Sprintf("The notifier %s delivers again", notifier))
	}
	if n.limit == "fault" && n.place == journal.FaultPlace {
		return f.faultHeadline(OneLine(n.quantity), over)
	}
	where := f.place(n.place)
	what, above, below := n.quantity, "high", "low"
	if n.of != quantity.None {
		what, above, below = phrase(n.of)
	}
	what = OneLine(strings.ReplaceAll(what, "-", " "))
	wrong := map[bool]string{true: above, false: below}[n.upper()]
	condition := ""
	switch n.limit {
	case "high", "low":
		condition = either(was+"too "+wrong, "back in range")
	case "critical-high", "critical-low":
		condition = either(was+"far too "+wrong, "no longer critical")
	case "rising":
		condition = either("rising towards "+foreseen(entry), "no longer rising towards the limit")
	case "falling":
		condition = either("falling towards "+foreseen(entry), "no longer falling towards the limit")
	case "stale":
		return fmt.Sprintf("%s: %s %s", where, what, either("is not being measured", "is being measured again"))
	case missedMisting:
		return fmt.Sprintf("%s: %s", where, either("a misting was due, and the air did not get wetter", "a misting was seen again"))
	case stuckMister:
		return fmt.Sprintf("%s: %s", where, either("the air has stayed wet since a misting, its mister may be stuck on", "the air is drying again"))
	default:
		condition = OneLine(n.limit)
	}
	return strings.TrimSpace(fmt.Sprintf("%s: %s %s", where, what, condition))
}

// faultHeadline says what is wrong with a sensor, or with one of its channels ("loft-air/humidity").
func (f *Formatter) faultHeadline(sensor string, over bool) string {
	if sensor == journal.HistoryComponent {
		return map[bool]string{false: "The record is not being written", true: "The record is being written again"}[over]
	}
	sensor, channel, of := strings.Cut(sensor, "/")
	if of {
		channel = strings.ReplaceAll(channel, "-", " ")
		what := map[bool]string{false: "the %s of sensor %s cannot be trusted", true: "the %s of sensor %s can be trusted again"}[over]
		return f.at(sensor, fmt.Sprintf(what, channel, sensor))
	}
	what := map[bool]string{false: "sensor %s does not work", true: "sensor %s works again"}[over]
	return f.at(sensor, fmt.Sprintf(what, sensor))
}

// at puts the places that a sensor measures in front of what is said of it.
func (f *Formatter) at(sensor, what string) string {
	if places := f.places(f.feeds(sensor)); places != "" {
		return places + ": " + what
	}
	return capital(what)
}

// fill puts together what is known of an alarm.
func (f *Formatter) fill(to *Fields, entry *journal.Entry, n name) {
	to.Alarm, to.Occurrence = OneLine(entry.Alarm), OneLine(entry.Occurrence)
	to.Over, to.Repeat = Ended(entry), entry.Repeats
	if entry.State != "" {
		to.State = State(entry.State, entry.By)
	}
	to.Quantity = OneLine(n.quantity)
	to.Limit = f.pointer(n.of, entry.Setpoint)
	to.Expected = f.expected(entry)
	value := entry.Value
	places := append([]string{n.place}, entry.Names...)
	if n.place == journal.FaultPlace {
		places = nil
		for _, p := range f.feeds(n.quantity) {
			if len(places) == 0 || places[len(places)-1] != p.Place {
				places = append(places, p.Place)
			}
		}
		to.Place = f.places(f.feeds(n.quantity))
		to.LastValue = f.lastValues(f.feeds(n.quantity), entry.At)
	} else {
		to.Place, to.PlaceID = f.place(n.place), OneLine(n.place)
		point := quantity.Point{Place: n.place, Quantity: n.of}
		if state, ok := f.state(point); ok && value == nil && n.limit != "stale" && state.Fresh {
			value = &state.Value
		}
		if value != nil && !to.Over {
			to.Direction = f.direction(point, *value)
		}
		if n.limit == "stale" && !to.Over {
			to.LastValue = f.lastValues([]quantity.Point{point}, entry.At)
		}
	}
	to.Value, to.Worst = f.pointer(n.of, value), f.pointer(n.of, worst(n, entry.Extreme, value))
	if f.Now != nil {
		var there []string
		for _, id := range places {
			residents := f.Now.Residents(id)
			to.Residents = append(to.Residents, residents...)
			for _, r := range residents {
				line := fmt.Sprintf("%s (%s)", OneLine(r.Cohort), OneLine(r.Stage))
				if len(places) > 1 {
					line += " in " + f.place(id)
				}
				there = append(there, line)
			}
		}
		to.LivesThere = strings.Join(there, ", ")
	}
	if entry.Since != nil {
		to.Since, to.Lasted = f.date(*entry.Since), instant.Span(ended(entry).Sub(*entry.Since))
	}
	if len(entry.Notifiers) == 0 { // the title has it otherwise
		to.Note = note(entry, n)
	}
	if !to.Over {
		advice := AdviceOn(n.quantity, n.limit, f.stages(n.place)...)
		to.Consequence, to.Actions = advice.Consequence, advice.Actions
		to.HowSoon, to.LimitSource = f.profileSays(entry, n)
	}
	for _, alarm := range entry.Also {
		to.Also = append(to.Also, f.brief(alarm, entry.Kind))
	}
	to.Link = f.Link(entry.Alarm)
}

// severalPlaces reports whether an entry names more than one place as critical.
func severalPlaces(entry *journal.Entry) bool {
	place := parse(entry.Alarm).place
	return slices.ContainsFunc(entry.Also, func(other string) bool { return parse(other).place != place })
}

// brief says in one line what is wrong by an active alarm, with the present value, or, in a reminder, what was.
func (f *Formatter) brief(alarm string, kind journal.Kind) string {
	n, line := parse(alarm), f.Headline(&journal.Entry{Alarm: alarm, State: isa.Unacknowledged, Kind: kind})
	if kind == journal.AlarmReminded {
		return line
	}
	if state, ok := f.state(quantity.Point{Place: n.place, Quantity: n.of}); ok && state.Fresh {
		line += ", " + f.pointer(n.of, &state.Value)
	}
	return line
}

// stages are those of the animals in a place.
func (f *Formatter) stages(place string) (stages []care.Stage) {
	if f.Now == nil {
		return nil
	}
	for _, r := range f.Now.Residents(place) {
		if stage, err := care.Parse(r.Stage); err == nil {
			stages = append(stages, stage)
		}
	}
	return stages
}

// profileSays returns what the profiles of the animals in a place say about an alarm on one of its limits: how soon to act, for each
// of them where they differ, and where the limit comes from.
func (f *Formatter) profileSays(entry *journal.Entry, n name) (howSoon, source string) {
	if f.Now == nil || n.of == quantity.None {
		return "", ""
	}
	var soon []string
	for _, r := range f.Now.Residents(n.place) {
		stage, err := care.Parse(r.Stage)
		if err != nil || r.Profile == nil {
			continue
		}
		needs := r.Profile.Care[stage]
		if words := OneLine(needs.HowSoon()); words != "" && !slices.Contains(soon, words) {
			soon = append(soon, words)
		}
		for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
			if source == "" && entry.Setpoint != nil && l.Above() == n.upper() {
				source = OneLine(r.Profile.SourceOf(stage, n.of, l, *entry.Setpoint))
			}
		}
	}
	return strings.Join(soon, "; "), source
}

// worst is the value furthest beyond the limit: an entry may be older than the present value.
func worst(n name, extreme, value *float64) *float64 {
	if extreme != nil && value != nil && (*value > *extreme) == n.upper() {
		return value
	}
	return extreme
}

// Link returns the address of an alarm on the pages, "" where the site gives none.
func (f *Formatter) Link(alarm string) string {
	if f.PublicURL == "" {
		return ""
	}
	link := strings.TrimSuffix(f.PublicURL, "/") + "/alarms"
	if alarm != "" {
		link += "#" + OneLine(alarm)
	}
	return link
}

// body writes the text of a message on an alarm.
func (f *Formatter) body(entry *journal.Entry, n name, headline string, of *Fields) string {
	var b strings.Builder
	line := func(label, text string) {
		if text != "" {
			fmt.Fprintf(&b, "%s: %s\n", label, text)
		}
	}
	if entry.Kind == journal.AlarmReminded {
		fmt.Fprintf(&b, "%s%s. It is over.\nThe message on it was not confirmed: it may have got lost on its way. There will be no other.\n", headline, wasLike(of))
	} else {
		fmt.Fprintf(&b, "%s.\n", headline)
	}
	if of.InDoubt {
		fmt.Fprintf(&b, "Its sensor is in doubt: %s. The value may be wrong. Look all the same, with a thermometer of your own.\n", OneLine(entry.Doubt))
	}
	b.WriteString("\n")
	if n.place != journal.FaultPlace {
		line("Where", f.placeAndID(n.place))
	} else if of.Place != "" {
		line("Where", of.Place)
		line("Sensor", OneLine(n.quantity))
	}
	if len(entry.Names) > 0 {
		titles := make([]string, len(entry.Names))
		for i, id := range entry.Names {
			titles[i] = f.place(id)
		}
		line("Also for", strings.Join(titles, ", "))
	}
	for _, other := range of.Also {
		line(map[bool]string{false: "Also critical", true: "Also over"}[of.Over], other)
	}
	if !of.Over && severalPlaces(entry) { // the rules of package notify: a room, or two enclosures, speak for the rest
		b.WriteString("Other enclosures of this room that follow make no sound of their own. Look at all of them.\n")
	}
	line("Who lives there", of.LivesThere)
	value := of.Value
	if of.Direction != "" {
		value += ", " + of.Direction
		if earlier, ok := f.earlier(n); ok {
			value += fmt.Sprintf(" (%s at %s)", f.Value(n.of, earlier.Value), f.clock(earlier.At, entry.At))
		}
	}
	line("Value now", value)
	if of.Limit != "" {
		line("Limit", map[bool]string{true: "at most ", false: "at least "}[n.upper()]+of.Limit)
	}
	line("Expected there", of.Expected)
	line("Limit from", of.LimitSource)
	line(map[bool]string{true: "Highest", false: "Lowest"}[n.upper()], of.Worst)
	line("Last good value", of.LastValue)
	if entry.Since != nil {
		since := f.clock(*entry.Since, entry.At)
		if of.Over {
			line("Lasted", fmt.Sprintf("%s, from %s to %s", of.Lasted, since, f.clock(ended(entry), entry.At)))
		} else {
			line("Since", fmt.Sprintf("%s, for %s", since, of.Lasted))
		}
	}
	line("Time", of.Time)
	line("Note", of.Note)
	if of.Over {
		b.WriteString("\nLook at the animals all the same: readings do not say how they are.\n")
	} else {
		fmt.Fprintf(&b, "\n%s\n", of.Consequence)
		line("How soon", of.HowSoon)
		b.WriteString("What to do:\n")
		for _, action := range of.Actions {
			fmt.Fprintf(&b, "- %s\n", action)
		}
	}
	if entry.State.Waits() && entry.Occurrence != "" {
		if of.Link != "" {
			fmt.Fprintf(&b, "\nPlease confirm when you have seen it: %s\nor, on the machine that runs dewline:\n", of.Link)
		} else {
			b.WriteString("\nPlease confirm when you have seen it, on the machine that runs dewline:\n")
		}
		fmt.Fprintf(&b, "  dewline alarm acknowledge %s\n", of.Occurrence)
	} else if of.Link != "" {
		fmt.Fprintf(&b, "\nThe alarm: %s\n", of.Link)
	}
	f.foot(&b, entry)
	return b.String()
}

func (f *Formatter) foot(b *strings.Builder, entry *journal.Entry) {
	fmt.Fprintf(b, "\n%s\n\nSite %s, journal entry %s\n", caution, OneLine(f.Site), OneLine(entry.ID()))
}

// note is the reason of an entry where a keeper can use it. An error of a system call helps only who reads the log.
func note(entry *journal.Entry, n name) string {
	reason := OneLine(entry.Reason)
	if n.limit != "fault" || Ended(entry) {
		if n.limit == "rising" || n.limit == "falling" || n.limit == "stale" {
			return "" // the headline says it
		}
		return reason
	}
	lower := strings.ToLower(reason)
	for _, known := range [...]struct{ part, words string }{
		{"no such file", "it is not there: unplugged, or its cable is broken"},
		{"no such device", "it is not there: unplugged, or its cable is broken"},
		{"remote i/o", "it does not answer: unplugged, or its cable is broken"},
		{"input/output", "it cannot be read: look at plug and cable"},
		{"checksum", "what it sends arrives damaged: look at plug and cable"},
		{"crc", "what it sends arrives damaged: look at plug and cable"},
		{"permission denied", "dewline is not allowed to read it: the log says which file"},
		{"timed out", "it does not answer"},
		{"deadline exceeded", "it does not answer"},
		{"has not answered", "it does not answer"},
	} {
		if strings.Contains(lower, known.part) {
			return known.words
		}
	}
	if n.notifier() == "" && strings.Contains(reason, "/") { // a path, or another alarm: not for a tired reader
		return ""
	}
	return reason
}

// feeds lists the points of a sensor, or of one of its channels.
func (f *Formatter) feeds(sensor string) []quantity.Point {
	if f.Now == nil {
		return nil
	}
	id, channel, _ := strings.Cut(sensor, "/")
	return slices.DeleteFunc(slices.Clone(f.Now.Feeds(id)), func(p quantity.Point) bool {
		return !strings.Contains(p.Quantity.String(), channel)
	})
}

// places names the places of points, each once.
func (f *Formatter) places(points []quantity.Point) string {
	var titles []string
	seen := map[string]bool{}
	for _, p := range points {
		if !seen[p.Place] {
			seen[p.Place] = true
			titles = append(titles, f.place(p.Place))
		}
	}
	return strings.Join(titles, ", ")
}

func (f *Formatter) state(p quantity.Point) (Latest, bool) {
	if f.Now == nil || p.Quantity == quantity.None {
		return Latest{}, false
	}
	return f.Now.Point(p)
}

// lastValues says what points were like when they were last read.
func (f *Formatter) lastValues(points []quantity.Point, now instant.Instant) string {
	var values []string
	for _, p := range points {
		state, ok := f.state(p)
		if !ok || state.At.IsNone() || state.At == 0 {
			continue
		}
		value := fmt.Sprintf("%s at %s", f.Value(p.Quantity, state.Value), f.clock(state.At, now))
		if len(points) > 1 {
			value = strings.ReplaceAll(p.Quantity.String(), "-", " ") + " " + value
		}
		values = append(values, value)
	}
	return strings.Join(values, ", ")
}

func (f *Formatter) earlier(n name) (Earlier, bool) {
	if f.Now == nil || n.of == quantity.None {
		return Earlier{}, false
	}
	return f.Now.Trend(quantity.Point{Place: n.place, Quantity: n.of})
}

// direction says where a value is going, "" where that is not known. What a keeper would not see on the display is no movement.
func (f *Formatter) direction(p quantity.Point, value float64) string {
	earlier, ok := f.earlier(name{place: p.Place, of: p.Quantity})
	if !ok {
		return ""
	}
	unit := p.Quantity.Keeper(f.Temperature)
	last := math.Pow10(-p.Quantity.Decimals()) // the last digit shown
	switch change := unit.FromCanonical(value) - unit.FromCanonical(earlier.Value); {
	case change >= 2*last:
		return "rising"
	case change <= -2*last:
		return "falling"
	}
	return "steady"
}

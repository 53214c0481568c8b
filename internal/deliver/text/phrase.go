package text

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

// State says in which ISA-18.2 state an alarm is, in a keeper's words. by is the alarm that suppresses it by design, "" where that
// is not known.
func State(state isa.State, by string) string {
	switch state {
	case isa.Normal:
		return "normal"
	case isa.Unacknowledged:
		return "active, please confirm"
	case isa.Acknowledged:
		return "active, confirmed"
	case isa.ReturnedUnacknowledged:
		return "back in range, please confirm"
	case isa.LatchedUnacknowledged:
		return "back in range and held, please confirm"
	case isa.LatchedAcknowledged:
		return "back in range and held until it is reset"
	case isa.Shelved:
		return "silenced"
	case isa.SuppressedByDesign:
		switch {
		case strings.HasPrefix(by, journal.FaultPlace+"/"):
			return "silent: its sensor has failed"
		case by != "":
			return "silent: the alarm of its room covers it"
		}
		return "silent: another alarm covers it"
	}
	return "out of service"
}

// phrase names a quantity, and what it is when above and below its limits.
func phrase(q quantity.Quantity) (what, above, below string) {
	switch q {
	case quantity.WaterTemperature:
		return "water", "warm", "cold"
	case quantity.AirTemperature:
		return "air", "warm", "cold"
	case quantity.SurfaceTemperature:
		return "surface", "warm", "cold"
	case quantity.RelativeHumidity:
		return "air", "humid", "dry"
	case quantity.CondensationMargin:
		return "glass", "dry", "close to fogging"
	case quantity.OxygenSaturation:
		return "oxygen this water can hold", "high", "low"
	}
	return strings.ReplaceAll(q.String(), "-", " "), "high", "low"
}

// name is the name of an alarm in its parts.
type name struct {
	place, quantity, limit string
	of                     quantity.Quantity // None for the fault of a sensor
}

// parse takes a name apart. Between its first and its last level is the quantity, or the sensor and perhaps its channel.
func parse(alarm string) name {
	place, rest, _ := strings.Cut(alarm, "/")
	n := name{place: place, quantity: rest}
	if i := strings.LastIndexByte(rest, '/'); i >= 0 {
		n.quantity, n.limit = rest[:i], rest[i+1:]
	}
	if q, err := quantity.Parse(n.quantity); err == nil && place != journal.FaultPlace {
		n.of = q
	}
	return n
}

// upper reports whether the alarm is about values that are too high.
func (n name) upper() bool {
	return n.limit == "high" || n.limit == "critical-high" || n.limit == "rising" || n.limit == stuckMister
}

// notifier returns the notifier that the alarm is about, "" where it is about none.
func (n name) notifier() string {
	if n.place != journal.FaultPlace || n.limit != "fault" {
		return ""
	}
	notifier, ok := strings.CutPrefix(n.quantity, journal.NotifierComponents)
	if !ok {
		return ""
	}
	return OneLine(notifier)
}

// Value writes a value of a quantity in the keeper's unit; "" where it is no number.
func (f *Formatter) Value(q quantity.Quantity, v float64) string {
	if q == quantity.None || math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	temperature := f.Temperature
	if temperature == quantity.NoUnit {
		temperature = quantity.Celsius
	}
	return q.Keeper(temperature).Print(v, q.Decimals())
}

func (f *Formatter) pointer(q quantity.Quantity, v *float64) string {
	if v == nil {
		return ""
	}
	return f.Value(q, *v)
}

// place returns what people call a place.
func (f *Formatter) place(id string) string {
	if title := OneLine(f.Titles[id]); title != "" {
		return title
	}
	return OneLine(id)
}

// placeAndID returns the title of a place, and its id where that is something else.
func (f *Formatter) placeAndID(id string) string {
	if title := f.place(id); title != OneLine(id) {
		return fmt.Sprintf("%s (%s)", title, OneLine(id))
	}
	return OneLine(id)
}

// local is a time by the clock on the keeper's wall.
func (f *Formatter) local(i instant.Instant) time.Time {
	location := cmp.Or(f.Location, time.UTC)
	return i.Time().In(location)
}

// date writes a time with its day and zone.
func (f *Formatter) date(i instant.Instant) string {
	return f.local(i).Format("Mon 2 Jan 2006, 15:04 MST")
}

// clock writes a time that lies close to another: the day is left out where it is the same, the zone where the clocks have not
// changed in between.
func (f *Formatter) clock(i, near instant.Instant) string {
	at, by := f.local(i), f.local(near)
	if at.Format("MST") != by.Format("MST") {
		return at.Format("Mon 2 Jan, 15:04 MST")
	}
	if at.Year() == by.Year() && at.YearDay() == by.YearDay() {
		return at.Format("15:04")
	}
	return at.Format("Mon 2 Jan, 15:04")
}

// foreseen names the limit that an outlook alarm is about.
func foreseen(entry *journal.Entry) string {
	if e := entry.Expected; e != nil && strings.HasPrefix(e.Limit, "critical") {
		return "the critical limit"
	}
	return "the limit"
}

// expected says when a limit is foreseen to be met, "" where none is.
func (f *Formatter) expected(entry *journal.Entry) string {
	e := entry.Expected
	if e == nil {
		return ""
	}
	minutes := func(at instant.Instant) int { return max(int(math.Round(at.Sub(entry.At).Minutes())), 0) }
	if e.From == nil || e.To == nil {
		return fmt.Sprintf("at about %s, in %d min, if it goes on like this", f.clock(e.At, entry.At), minutes(e.At))
	}
	return fmt.Sprintf("between %s and %s, in %d to %d min, if it goes on like this",
		f.clock(*e.From, entry.At), f.clock(*e.To, entry.At), minutes(*e.From), minutes(*e.To))
}

// maxLine bounds what a name or a reason can take.
const maxLine = 300

// OneLine makes text that came from elsewhere fit for a header and for one line of a message.
func OneLine(text string) string {
	text = strings.Join(strings.FieldsFunc(strings.ToValidUTF8(text, "\uFFFD"), func(r rune) bool {
		return unicode.IsSpace(r) || unicode.IsControl(r) || unicode.Is(unicode.Cf, r)
	}), " ")
	if utf8.RuneCountInString(text) > maxLine {
		text = string([]rune(text)[:maxLine]) + "…"
	}
	return text
}

// capital makes the first letter of a sentence a capital.
func capital(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(first)) + text[size:]
}

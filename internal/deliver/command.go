package deliver

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/strictjson"
	"dewline/internal/format/timetext"
	"dewline/sensors"
)

// maxCommand bounds the payload of a command.
const maxCommand = 4 << 10

// The longest texts of a command, in characters.
const (
	maxName   = 64
	maxID     = 256
	maxReason = 200
	maxNote   = 1000
)

// Command is a command that arrived, or what was wrong with it.
type Command struct {
	Verb    watch.Verb // from the topic
	Command watch.Command
	// Err says why it is refused without asking the core; the daemon then writes a command.refused entry. It is nil for a
	// command that goes to the core, whose journal entries report the outcome on the events topic.
	Err error
}

// DecodeCommand reads a command: the verb from the topic, the rest from a JSON object whose members must all be known.
// A member marked * is required.
//
//	command/acknowledge  {"occurrence": TEXT or "alarm": "tub-1/water-temperature/high" *, "by": TEXT, "reason": TEXT}
//	command/shelve       {"alarm": TEXT *, "for": "30m", "reason": TEXT, "by": TEXT, "occurrence": TEXT}
//	command/unshelve     {"alarm": TEXT *, "by": TEXT, "reason": TEXT}
//	command/reset        {"alarm": TEXT *, "by": TEXT, "reason": TEXT, "occurrence": TEXT}
//	command/begin        {"cohort": ID *, "profile": ID *, "place": ID *, "stage": "egg" *, "gosner": "20", "count": "80", AND}
//	command/stage        {"cohort": ID *, "stage": "metamorph" *, "gosner": "42", AND}
//	command/move         {"cohort": ID *, "place": ID *, AND}
//	command/count        {"cohort": ID *, "count": "61" *, "why": "died", AND}
//	command/end          {"cohort": ID *, "why": "sold", AND}
//	command/done         {"task": "feed" *, "place": ID or "cohort": ID, "text": TEXT, AND}
//	command/misting      {"place": ID *, "for": "45s", AND}
//	command/note         {"text": TEXT *, "place": ID, "cohort": ID, AND}
//	command/calibrate    {"sensor": ID *, "channel": "temperature" *, "offset": "-0.31 K" *, "uncertainty": "0.1 K", "method": TEXT, AND}
//	command/replace-sensor  {"sensor": ID *, "text": TEXT, AND}
//
// where AND is {"at": TIME, "by": TEXT, "reason": TEXT, "corrects": ID}. Local times are those of the location; what is said to be so long
// ago counts back from now.
//
// An acknowledgement that names the occurrence cannot silence a later one of the same alarm, however late it arrives; one that
// names only the alarm is for its present occurrence. MQTT does not identify the sender: "by" is a claim, and is recorded with
// the words "via mqtt".
func (t Topics) DecodeCommand(topic string, payload []byte, retained bool, location *time.Location, now time.Time) (watch.Command, error) {
	verb, ok := t.verb(topic)
	if !ok {
		return watch.Command{}, fmt.Errorf("topic %q is not that of a command", topic)
	}
	command := watch.Command{Verb: verb}
	form, known := forms[verb]
	switch {
	case !known:
		return command, fmt.Errorf("there is no command %q", verb)
	case retained:
		return command, errors.New("a retained command is refused: it would be carried out again at every start; publish it without retain")
	case len(payload) == 0:
		return command, errors.New("the command has no payload; a JSON object is expected")
	case len(payload) > maxCommand:
		return command, fmt.Errorf("a command of %d bytes is larger than the limit of %d", len(payload), maxCommand)
	}
	if err := form.read(&command, payload, location, now); err != nil {
		return command, fmt.Errorf("command %s: %w", verb, err)
	}
	command.By = strings.TrimSpace(command.By + " via mqtt")
	return command, nil
}

// form lists the members of a command.
type form struct{ required, optional []string }

var forms = map[watch.Verb]form{
	watch.Acknowledge:   {nil, []string{"occurrence", "alarm", "by", "reason"}},
	watch.Shelve:        {[]string{"alarm"}, []string{"for", "reason", "by", "occurrence"}},
	watch.Unshelve:      {[]string{"alarm"}, []string{"reason", "by"}},
	watch.Reset:         {[]string{"alarm"}, []string{"reason", "by", "occurrence"}},
	watch.BeginCohort:   {[]string{"cohort", "profile", "place", "stage"}, []string{"gosner", "count", "at", "by", "reason", "corrects"}},
	watch.SetStage:      {[]string{"cohort", "stage"}, []string{"gosner", "at", "by", "reason", "corrects"}},
	watch.MoveCohort:    {[]string{"cohort", "place"}, []string{"at", "by", "reason", "corrects"}},
	watch.CountCohort:   {[]string{"cohort", "count"}, []string{"why", "at", "by", "reason", "corrects"}},
	watch.EndCohort:     {[]string{"cohort"}, []string{"why", "at", "by", "reason", "corrects"}},
	watch.DoTask:        {[]string{"task"}, []string{"place", "cohort", "text", "at", "by", "reason", "corrects"}},
	watch.RecordMist:    {[]string{"place"}, []string{"for", "at", "by", "reason", "corrects"}},
	watch.Calibrate:     {[]string{"sensor", "channel", "offset"}, []string{"uncertainty", "method", "at", "by", "reason", "corrects"}},
	watch.ReplaceSensor: {[]string{"sensor"}, []string{"text", "at", "by", "reason", "corrects"}},
	watch.WriteNote:     {[]string{"text"}, []string{"place", "cohort", "at", "by", "reason", "corrects"}},
}

// read fills a command from its payload.
func (f form) read(c *watch.Command, payload []byte, location *time.Location, now time.Time) error {
	members, err := strictjson.Object(payload)
	if err != nil {
		return err
	}
	var found offsetText
	readers := map[string]func(text string) error{
		"alarm": text(&c.Alarm, maxID), "occurrence": text(&c.Occurrence, maxID), "by": text(&c.By, maxName),
		"reason": text(&c.Reason, maxReason), "text": text(&c.Text, maxNote), "stage": text(&c.Stage, maxName),
		"cohort": id(&c.Cohort), "place": id(&c.Place), "for": length(&c.For), "at": moment(&c.At, location, now),
		"profile": id(&c.Profile), "why": text(&c.Why, maxName), "task": text(&c.Task, maxName), "corrects": text(&c.Corrects, maxID),
		"gosner": whole(&c.Gosner), "count": func(value string) error { c.Count = new(int); return whole(c.Count)(value) },
		"sensor": id(&c.Sensor), "channel": text(&c.Channel, maxName), "offset": text(&found.offset, maxName),
		"uncertainty": text(&found.uncertainty, maxName), "method": text(&found.method, maxReason),
	}
	known := append(slices.Clone(f.required), f.optional...)
	missing := slices.Clone(f.required)
	for _, m := range members {
		if !slices.Contains(known, m.Name) {
			return fmt.Errorf("unknown member %q (known: %s)", m.Name, strings.Join(known, ", "))
		}
		var value *string
		if err := json.Unmarshal(m.Value, &value); err != nil || value == nil {
			return fmt.Errorf("%s must be a string", m.Name)
		}
		if err := readers[m.Name](*value); err != nil {
			return fmt.Errorf("%s: %w", m.Name, err)
		}
		missing = slices.DeleteFunc(missing, func(name string) bool { return name == m.Name })
	}
	if len(missing) > 0 {
		return fmt.Errorf("missing: %s", strings.Join(missing, ", "))
	}
	if c.Verb == watch.Calibrate {
		return found.read(c)
	}
	if c.Verb == watch.Acknowledge && c.Alarm == "" && c.Occurrence == "" {
		return errors.New("missing: occurrence, or alarm")
	}
	return nil
}

// offsetText is a calibration as its members have it: an offset of a channel in any unit of a difference.
type offsetText struct{ offset, uncertainty, method string }

// read fills in the calibration of a command whose channel is known.
func (t *offsetText) read(c *watch.Command) error {
	q, ok := map[string]quantity.Quantity{
		string(sensors.Temperature): quantity.AirTemperature, string(sensors.Humidity): quantity.RelativeHumidity, string(sensors.Pressure): quantity.Pressure,
	}[c.Channel]
	if !ok {
		return fmt.Errorf("channel: %q is none of temperature, humidity and pressure", c.Channel)
	}
	found := journal.Calibration{Method: t.method}
	var err error
	if found.Offset, err = quantity.ParseDifference(q, t.offset); err != nil {
		return fmt.Errorf("offset: %w", err)
	}
	if t.uncertainty != "" {
		if found.Uncertainty, err = quantity.ParseDifference(q, t.uncertainty); err != nil {
			return fmt.Errorf("uncertainty: %w", err)
		}
	}
	c.Calibration = &found
	return nil
}

// text reads text of people: not empty, bounded, without control characters other than line breaks.
func text(into *string, limit int) func(string) error {
	return func(value string) error {
		switch {
		case strings.TrimSpace(value) == "":
			return errors.New("it is empty")
		case utf8.RuneCountInString(value) > limit:
			return fmt.Errorf("it is longer than %d characters", limit)
		case strings.ContainsFunc(value, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }):
			return errors.New("it holds a control character")
		}
		*into = value
		return nil
	}
}

func id(into *string) func(string) error {
	return func(value string) error {
		*into = value
		return quantity.CheckID(value)
	}
}

func length(into *time.Duration) func(string) error {
	return func(value string) error {
		d, err := timetext.ParseDuration(value)
		if err != nil || d <= 0 {
			return fmt.Errorf("%q is not a length of time such as 30m or 1h30m", value)
		}
		*into = d
		return nil
	}
}

func moment(into *instant.Instant, location *time.Location, now time.Time) func(string) error {
	return func(value string) (err error) {
		*into, err = timetext.Parse(value, location, now)
		return err
	}
}

func whole(into *int) func(string) error {
	return func(value string) error {
		n, err := strconv.Atoi(value)
		if err != nil || n < 0 {
			return fmt.Errorf("%q is not a whole number", value)
		}
		*into = n
		return nil
	}
}

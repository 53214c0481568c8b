// Package control is how the command line talks to the running daemon: JSON over HTTP on a Unix socket that only its
// owner may open (mode 0600). Who can open the socket may do everything a keeper may.
package control

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
	"dewline/internal/format/strictjson"
	"dewline/internal/format/timetext"
)

// Alarm is an alarm as the socket and the commands show it. The form is stable.
type Alarm struct {
	Alarm      string          `json:"alarm"`
	State      isa.State       `json:"state"`
	Words      string          `json:"words"` // the state in words
	Priority   string          `json:"priority"`
	Active     bool            `json:"active"`
	Occurrence string          `json:"occurrence,omitempty"`
	Since      instant.Instant `json:"since"`
	Raised     instant.Instant `json:"raised"`
	Cleared    instant.Instant `json:"cleared"`
	Until      instant.Instant `json:"until"` // end of a shelf
	By         string          `json:"by,omitempty"`
	Unit       string          `json:"unit,omitempty"`
	Setpoint   *float64        `json:"setpoint,omitempty"`
	Extreme    *float64        `json:"extreme,omitempty"`
	Value      *float64        `json:"value,omitempty"` // of the point now; absent while it is not known
	Repeats    int             `json:"repeats,omitempty"`
	Names      []string        `json:"names,omitempty"`
	Reason     string          `json:"reason,omitempty"`
	Doubt      string          `json:"doubt,omitempty"` // what is wrong with the sensor behind an active alarm

	Expected *journal.Expectation `json:"expected,omitempty"` // of an active outlook alarm: when its limit will be met
}

// Request is a command as it is sent: the core's own, with the length of a shelf in seconds.
type Request struct {
	Verb        watch.Verb           `json:"verb"`
	Alarm       string               `json:"alarm,omitempty"`
	Occurrence  string               `json:"occurrence,omitempty"`
	ForSeconds  float64              `json:"for_seconds,omitempty"`
	Reason      string               `json:"reason,omitempty"`
	By          string               `json:"by,omitempty"`
	Cohort      string               `json:"cohort,omitempty"`
	Stage       string               `json:"stage,omitempty"`
	Place       string               `json:"place,omitempty"`
	Notifier    string               `json:"outlet,omitempty"` // of a test; absent: all
	Text        string               `json:"text,omitempty"`
	At          string               `json:"at,omitempty"` // as [timetext.Parse] reads it
	Profile     string               `json:"profile,omitempty"`
	Gosner      int                  `json:"gosner,omitempty"`
	Count       *int                 `json:"count,omitempty"`
	Why         string               `json:"why,omitempty"`
	Task        string               `json:"task,omitempty"`
	Corrects    string               `json:"corrects,omitempty"`
	Sensor      string               `json:"sensor,omitempty"`
	Channel     string               `json:"channel,omitempty"`
	Calibration *journal.Calibration `json:"calibration,omitempty"` // gain and offset follow from its points, if it has any
}

// Response is the outcome of a command.
type Response struct {
	Done    bool   `json:"done"`
	Changed bool   `json:"changed"` // false where it was so already
	Reason  string `json:"reason,omitempty"`

	// Of a test: its event, and the notifiers that are tested. See [Client.Notifiers].
	Event     string   `json:"event,omitempty"`
	Notifiers []string `json:"outlets,omitempty"`

	// Of a command about animals or their care: the entry that was written, what is in force now, the same in words, these words with
	// the way back on the command line, and what no longer suits all animals of a place.
	Entry    string   `json:"entry,omitempty"`
	Cohort   *Cohort  `json:"cohort,omitempty"`
	InForce  string   `json:"in_force,omitempty"`
	Words    string   `json:"words,omitempty"`
	Warnings []string `json:"warnings,omitempty"`

	// Of a command about a sensor: what is in force now for the channels it was about.
	Calibrations []Calibration `json:"calibrations,omitempty"`
}

// Site says how the site shows times and values to people.
type Site struct {
	Site        string            `json:"site"`
	Timezone    string            `json:"timezone"`
	Temperature string            `json:"temperature"` // the unit in which temperatures are shown, as SenML has it
	Places      map[string]string `json:"places"`      // titles by id
}

// TestVerb asks for a test notification.
const TestVerb watch.Verb = "test"

// NotifierStatus is a notifier as the socket and the commands show it. The form is stable.
type NotifierStatus struct {
	Notifier     string          `json:"outlet"`
	Connected    bool            `json:"connected"`
	Pending      int             `json:"pending"`
	Oldest       instant.Instant `json:"oldest"`    // of what waits
	LastSent     instant.Instant `json:"last_sent"` // when a message of this run was last accepted
	Failure      string          `json:"failure,omitempty"`
	FailingSince instant.Instant `json:"failing_since"`
	Test         *Test           `json:"test,omitempty"` // the last one of this run
}

// Test is what has become of a test notification.
type Test struct {
	Event  string `json:"event"`
	State  string `json:"state"` // waiting, delivered or failed
	Reason string `json:"reason,omitempty"`
}

// maxSeconds bounds the length of a shelf or a misting that can be asked for at all; the core has limits of its own far
// below it. Beyond some 292 years a duration would overflow.
const maxSeconds = 366 * 24 * 3600

// Command turns the request into a command of the core. Local times are those of the location.
func (r Request) Command(location *time.Location, now time.Time) (watch.Command, error) {
	if !(r.ForSeconds >= 0 && r.ForSeconds <= maxSeconds) {
		return watch.Command{}, fmt.Errorf("for_seconds is %v, and must lie between 0 and %d", r.ForSeconds, maxSeconds)
	}
	cmd := watch.Command{
		Verb: r.Verb, Alarm: r.Alarm, Occurrence: r.Occurrence, For: time.Duration(r.ForSeconds * float64(time.Second)),
		Reason: r.Reason, By: r.By, Cohort: r.Cohort, Stage: r.Stage, Place: r.Place, Text: r.Text,
		Profile: r.Profile, Gosner: r.Gosner, Count: r.Count, Why: r.Why, Task: r.Task, Corrects: r.Corrects,
		Sensor: r.Sensor, Channel: r.Channel, Calibration: r.Calibration,
	}
	if r.Notifier != "" {
		cmd.Notifiers = []string{r.Notifier}
	}
	if r.At != "" {
		at, err := timetext.Parse(r.At, location, now)
		if err != nil {
			return watch.Command{}, fmt.Errorf("at: %w", err)
		}
		cmd.At = at
	}
	return cmd, nil
}

// decodeRequest reads a request strictly: a misspelt member must not turn into a command without it.
func decodeRequest(data []byte) (Request, error) {
	members, err := strictjson.Object(data)
	if err != nil {
		return Request{}, err
	}
	var r Request
	fields := map[string]any{
		"verb": &r.Verb, "alarm": &r.Alarm, "occurrence": &r.Occurrence, "for_seconds": &r.ForSeconds, "reason": &r.Reason,
		"by": &r.By, "cohort": &r.Cohort, "stage": &r.Stage, "place": &r.Place, "text": &r.Text, "at": &r.At, "outlet": &r.Notifier,
		"profile": &r.Profile, "gosner": &r.Gosner, "count": &r.Count, "why": &r.Why, "task": &r.Task, "corrects": &r.Corrects,
		"sensor": &r.Sensor, "channel": &r.Channel, "calibration": &r.Calibration,
	}
	for _, m := range members {
		field, known := fields[m.Name]
		if !known {
			return Request{}, fmt.Errorf("unknown member %q (known: %s)", m.Name,
				strings.Join(slices.Sorted(maps.Keys(fields)), ", "))
		}
		decoder := json.NewDecoder(bytes.NewReader(m.Value))
		decoder.DisallowUnknownFields()
		if err := decoder.Decode(field); err != nil {
			return Request{}, fmt.Errorf("%s: %w", m.Name, err)
		}
	}
	return r, nil
}

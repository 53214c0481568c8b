package deliver

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/mqtt"
)

// Topics builds the topics of a site. Its layout goes from general to special, without a leading slash, with commands in
// a branch of their own so that an access rule is one line (common practice, no published source).
type Topics struct{ root string }

// NewTopics returns the topics below a root such as "dewline/north-loft".
func NewTopics(root string) (Topics, error) {
	if err := mqtt.CheckTopic(root); err != nil {
		return Topics{}, err
	}
	for level := range strings.SplitSeq(root, "/") {
		if level == "" || strings.HasPrefix(level, "$") || strings.Contains(level, " ") {
			return Topics{}, fmt.Errorf("mqtt: root %q: levels must not be empty, begin with $ or hold spaces", root)
		}
	}
	return Topics{root}, nil
}

// Status is the topic that says whether the site is online.
func (t Topics) Status() string { return t.root + "/status" }

// Events carries every journal entry.
func (t Topics) Events() string { return t.root + "/events" }

// Commands is the filter of all commands.
func (t Topics) Commands() string { return t.root + "/command/+" }

// points and alarms are the filters of the two branches of retained state.
func (t Topics) points() string { return t.root + "/points/#" }
func (t Topics) alarms() string { return t.root + "/alarms/#" }

// Reading carries the readings of a point.
func (t Topics) Reading(p quantity.Point) (string, error) { return t.point("readings", p) }

// Point carries the state of a point.
func (t Topics) Point(p quantity.Point) (string, error) { return t.point("points", p) }

func (t Topics) point(branch string, p quantity.Point) (string, error) {
	if err := quantity.CheckID(p.Place); err != nil {
		return "", fmt.Errorf("topic of point %s: %w", p, err)
	}
	if p.Quantity == quantity.None {
		return "", fmt.Errorf("topic of a point at %s: no quantity", p.Place)
	}
	return t.root + "/" + branch + "/" + p.Place + "/" + p.Quantity.String(), nil
}

// Alarm carries the state of an alarm. Faults of sensors and of their channels have the place "sensor".
func (t Topics) Alarm(a *watch.AlarmState) (string, error) {
	levels := []string{a.Place, a.Quantity, a.Channel, a.Limit}
	if a.Channel == "" {
		levels = []string{a.Place, a.Quantity, a.Limit}
	}
	for _, level := range levels {
		if err := quantity.CheckID(level); err != nil {
			return "", fmt.Errorf("topic of alarm %q: %w", a.Name, err)
		}
	}
	return t.root + "/alarms/" + strings.Join(levels, "/"), nil
}

// verb returns the verb of a command's topic.
func (t Topics) verb(topic string) (watch.Verb, bool) {
	verb, found := strings.CutPrefix(topic, t.root+"/command/")
	return watch.Verb(verb), found && !strings.Contains(verb, "/")
}

// Will returns the last will of the site, and the goodbye of a clean stop in its place, for the link. The goodbye
// carries the time and the run; the will cannot.
func (t Topics) Will(run string, now func() time.Time) *mqtt.Will {
	return &mqtt.Will{
		Topic:   t.Status(),
		Payload: []byte(`{"state":"offline"}`),
		Farewell: func() []byte {
			at := instant.Of(now())
			return mustJSON(StatusMessage{State: "offline", Time: &at, Boot: run})
		},
	}
}

func mustJSON(v any) []byte {
	data, err := json.Marshal(v)
	if err != nil {
		panic(err) // the message types of this package always marshal; their tests show it
	}
	return data
}

package cloudevent

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"

	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/plainjson"
)

// AlarmStateType is the type of the events that carry the state of an alarm.
const AlarmStateType = "dewline.alarm.state.v1"

// AlarmData is the data of such an event. The form is stable: members are added, never renamed. Times are RFC 3339 with
// milliseconds in UTC; what does not apply is null.
type AlarmData struct {
	Alarm      string    `json:"alarm"`             // "tub-1/water-temperature/high"
	Place      string    `json:"place"`             // "sensor" for the fault of a sensor
	Quantity   string    `json:"quantity"`          // the sensor's id for a fault
	Channel    string    `json:"channel,omitempty"` // of the sensor, for the fault of one channel
	Limit      string    `json:"limit"`
	State      isa.State `json:"state"`
	Standing   string    `json:"standing"` // the same in words
	Priority   string    `json:"priority"`
	Active     bool      `json:"active"`     // the condition holds
	Occurrence *string   `json:"occurrence"` // what an acknowledgement must name

	Since   instant.Instant `json:"since"` // the interpolated crossing
	Raised  instant.Instant `json:"raised"`
	Cleared instant.Instant `json:"cleared"`
	Until   instant.Instant `json:"until"` // end of the shelf

	Unit     string   `json:"unit,omitempty"`
	Setpoint *float64 `json:"setpoint"`
	Extreme  *float64 `json:"extreme"`

	Repeats      int      `json:"repeats"`
	SuppressedBy string   `json:"suppressed_by,omitempty"`
	SpeaksFor    []string `json:"speaks_for,omitempty"` // enclosures that a room's alarm names
	Reason       string   `json:"reason,omitempty"`
	Doubt        string   `json:"doubt,omitempty"` // what is wrong with the sensor behind an active alarm
}

// DataOf returns the data of an alarm's event.
func DataOf(state watch.AlarmState) AlarmData {
	data := AlarmData{
		Alarm: state.Name, Place: state.Place, Quantity: state.Quantity, Channel: state.Channel, Limit: state.Limit,
		State: state.Letter, Standing: state.Letter.Words(), Priority: state.Priority.String(), Active: state.Active,
		Since: state.Since, Raised: state.Raised, Cleared: state.Cleared, Until: state.Until,
		Setpoint: quantity.Known(state.Setpoint), Extreme: quantity.Known(state.Extreme),
		Repeats: state.Repeats, SuppressedBy: state.By, SpeaksFor: state.Names, Reason: state.Reason, Doubt: state.Doubt,
	}
	if state.Occurrence != "" {
		data.Occurrence = &state.Occurrence
	}
	if q, err := quantity.Parse(state.Quantity); err == nil {
		data.Unit = q.Unit().Symbol()
	}
	return data
}

// OfAlarm wraps the present state of an alarm. The id is made from the state itself, so the same state has the same id
// however often it is published, and another state has another one. The time is that of the last change that the state
// knows: cleared, else raised; an alarm that was never raised has none.
func OfAlarm(site string, state watch.AlarmState) (Event, error) {
	data, err := plainjson.Of(DataOf(state))
	if err != nil {
		return Event{}, fmt.Errorf("alarm %s as a cloud event: %w", state.Name, err)
	}
	digest := sha256.Sum256(data)
	changed := state.Cleared
	if changed.IsNone() {
		changed = state.Raised
	}
	return eventOf(site, "state-"+hex.EncodeToString(digest[:12]), AlarmStateType, state.Name, changed, data), nil
}

package deliver

import (
	"encoding/json"
	"fmt"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
	"dewline/internal/format/senml"
)

// StatusMessage is the payload of the status topic.
type StatusMessage struct {
	State string           `json:"state"` // online or offline
	Time  *instant.Instant `json:"time,omitempty"`
	Boot  string           `json:"boot,omitempty"` // the run of the daemon: another one after each start
	// Synchronized reports whether the board's clock is known to be right, and so all times of this run.
	Synchronized *bool `json:"synchronized,omitempty"`
}

// PointMessage is the payload of a point's topic: the present state of the point. The form is stable: members are added, never
// renamed. Values are in Unit, times RFC 3339 with milliseconds in UTC; what is not known is null.
type PointMessage struct {
	Point     string          `json:"point"`
	Value     *float64        `json:"value"` // null while the zone is unknown
	Unit      string          `json:"unit"`
	Time      instant.Instant `json:"time"` // of the last usable reading
	Zone      string          `json:"zone"`
	Since     instant.Instant `json:"since"`     // the zone has not changed since then
	Flag      quantity.Flag   `json:"flag"`      // QARTOD: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing
	Certainty *string         `json:"certainty"` // inside, outside, too close to call
	Accuracy  *float64        `json:"accuracy"`  // expanded uncertainty (k = 2)

	Limits map[string]float64 `json:"limits"` // in force now: critical-low, low, high, critical-high
	Day    bool               `json:"day"`    // the day variant is in force
	Cohort string             `json:"cohort,omitempty"`
	Stage  string             `json:"stage,omitempty"`

	Today exposure.Exposure `json:"today"` // the local day so far
}

// MessageOf returns the message of a point's state.
func MessageOf(s *watch.PointState) PointMessage {
	m := PointMessage{
		Point: s.Point.String(), Unit: s.Point.Quantity.Unit().Symbol(), Time: s.LastReading, Zone: s.Zone.String(),
		Since: s.Since, Flag: s.Flag, Limits: map[string]float64{}, Day: s.Day, Cohort: s.Cohort, Stage: s.Stage.String(),
		Today: exposure.Of(s.Point.Quantity, &s.Today),
	}
	if s.Zone != watch.UnknownZone {
		m.Value = quantity.Known(s.Value)
	}
	if s.Certainty != watch.NoCertainty {
		m.Certainty = new(string(s.Certainty))
	}
	if s.Accuracy > 0 {
		m.Accuracy = quantity.Known(s.Accuracy)
	}
	for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
		if s.Band.Has(l) && quantity.Known(s.Band.Limits[l]) != nil {
			m.Limits[l.String()] = s.Band.Limits[l]
		}
	}
	return m
}

// Reading is a usable reading of a point, in the canonical unit.
type ReadingMessage struct {
	Point quantity.Point
	Value float64
	At    instant.Instant
}

// readingMessage writes a reading as SenML. While the clock is not synchronised the time is left out, and means "now": a
// board that believes in 1970 would otherwise write a time that every reader takes as relative.
func readingMessage(r ReadingMessage, synchronized bool) ([]byte, error) {
	record := senml.Record{Name: r.Point.String(), Unit: r.Point.Quantity.Unit().Symbol(), At: instant.None, Value: &r.Value}
	if synchronized {
		record.At = r.At
	}
	return senml.Encode([]senml.Record{record})
}

// pointPayload returns the payload of a point's topic.
func pointPayload(s *watch.PointState) ([]byte, error) {
	payload, err := json.Marshal(MessageOf(s))
	if err != nil {
		return nil, fmt.Errorf("state of %s: %w", s.Point, err)
	}
	return payload, nil
}

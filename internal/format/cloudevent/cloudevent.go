// Package cloudevent wraps journal entries and alarm states as CloudEvents 1.0.2 in structured JSON, the only form that
// MQTT 3.1.1 can carry:
//
//	event, err := cloudevent.OfEntry("north-loft", &entry)
//	payload, err := event.JSON()
//
// A repeat of a delivery carries the same source and id, so a receiver may drop it as a duplicate. Entries count up in
// data.seq over restarts; a receiver sorts by it, since MQTT keeps order only within one topic and one connection.
package cloudevent

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/format/plainjson"
)

// MediaType is the media type of the structured JSON form.
const MediaType = "application/cloudevents+json"

// Event is a CloudEvent. The context attributes are those of the specification's version 1.0.2; no extension is used.
type Event struct {
	SpecVersion     string          `json:"specversion"`
	ID              string          `json:"id"`
	Source          string          `json:"source"`
	Type            string          `json:"type"`
	Subject         string          `json:"subject,omitempty"`
	Time            string          `json:"time,omitempty"` // RFC 3339; when it happened, not when it was sent
	DataContentType string          `json:"datacontenttype,omitempty"`
	Data            json.RawMessage `json:"data,omitempty"`
}

// Source returns the source of a site's events: "/dewline/north-loft".
func Source(site string) string { return "/dewline/" + site }

// TypeOf returns the type of the events of a kind of entry: "dewline.alarm.raised.v1".
func TypeOf(kind journal.Kind) string { return "dewline." + string(kind) + ".v1" }

// OfEntry wraps a journal entry. The id is that of the entry, the subject the alarm ("tub-1/water-temperature/high"),
// else the cohort ("cohort/a-2026"), else the place, and the data the entry's JSON as the history has it;
// that of a test notification, and of the entry that it was taken, is "test".
func OfEntry(site string, entry *journal.Entry) (Event, error) {
	data, err := plainjson.Of(entry)
	if err != nil {
		return Event{}, fmt.Errorf("journal entry %s as a cloud event: %w", entry.ID(), err)
	}
	return eventOf(site, entry.ID(), TypeOf(entry.Kind), subjectOf(entry), entry.At, data), nil
}

func eventOf(site, id, kind, subject string, at instant.Instant, data []byte) Event {
	e := Event{SpecVersion: "1.0", ID: id, Source: Source(site), Type: kind, Subject: subject, DataContentType: "application/json", Data: data}
	if !at.IsNone() {
		e.Time = at.String()
	}
	return e
}

func subjectOf(entry *journal.Entry) string {
	switch {
	case entry.Kind == journal.NotifierTest, entry.Kind == journal.TestTaken:
		return "test"
	case entry.Alarm != "":
		return entry.Alarm
	case entry.Cohort != "":
		return "cohort/" + entry.Cohort
	}
	return entry.Place
}

// JSON writes the event in the structured JSON form.
func (e Event) JSON() ([]byte, error) {
	if err := e.Check(); err != nil {
		return nil, err
	}
	payload, err := plainjson.Of(e)
	if err != nil {
		return nil, fmt.Errorf("cloud event %s: %w", e.ID, err)
	}
	return payload, nil
}

// Parse reads an event in the structured JSON form.
func Parse(data []byte) (Event, error) {
	var e Event
	if err := json.Unmarshal(data, &e); err != nil {
		return Event{}, fmt.Errorf("cloud event: %w", err)
	}
	if err := e.Check(); err != nil {
		return Event{}, err
	}
	return e, nil
}

// Check reports what the specification requires and the event does not have: id, source, specversion and type must be there,
// and source a URI reference; here it is that of a site.
func (e Event) Check() error {
	switch {
	case e.SpecVersion != "1.0":
		return fmt.Errorf("cloud event: specversion %q is not 1.0", e.SpecVersion)
	case e.ID == "":
		return errors.New("cloud event: no id")
	case e.Type == "":
		return errors.New("cloud event: no type")
	}
	site, found := strings.CutPrefix(e.Source, "/dewline/")
	if !found {
		return fmt.Errorf("cloud event: source %q is not /dewline/ and a site", e.Source)
	}
	if err := quantity.CheckID(site); err != nil {
		return fmt.Errorf("cloud event: source %q: %w", e.Source, err)
	}
	if e.Time != "" {
		if _, err := instant.Parse(e.Time); err != nil {
			return fmt.Errorf("cloud event: %w", err)
		}
	}
	return nil
}

package kill_test

import (
	"encoding/json"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/deliver"
	"dewline/internal/format/cloudevent"
	"dewline/internal/format/senml"
	"dewline/internal/test/mosquitto"
)

// ears are a subscriber with a session that the broker keeps. It holds all that it hears, in the order in which it came.
type ears struct {
	t *testing.T

	mu       sync.Mutex
	events   []heardEvent      // first appearances
	bodies   map[string]string // of them, by id
	repeats  int
	altered  []string // ids whose repeat was another
	strange  []string // messages that were not understood
	readings []heardReading
	points   map[string][]deliver.PointMessage
	letters  map[string]string // retained state of the alarms
}

type heardEvent struct {
	id    string
	entry journal.Entry
}

type heardReading struct {
	point string
	at    instant.Instant
	value float64
}

const root = "dewline/north-loft/"

func listen(t *testing.T, broker *mosquitto.Broker) *ears {
	e := &ears{t: t, bodies: map[string]string{}, points: map[string][]deliver.PointMessage{}, letters: map[string]string{}}
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + broker.Address()).SetClientID("ears").SetCleanSession(false).
		SetAutoReconnect(true).SetMaxReconnectInterval(100 * time.Millisecond).SetConnectRetryInterval(50 * time.Millisecond).
		SetConnectTimeout(10 * time.Second).SetDefaultPublishHandler(e.hear))
	wait := func(token mqtt.Token) {
		t.Helper()
		require.True(t, token.WaitTimeout(20*time.Second))
		require.NoError(t, token.Error())
	}
	wait(client.Connect())
	wait(client.Subscribe(root+"#", 1, nil))
	t.Cleanup(func() { client.Disconnect(100) })
	return e
}

func (e *ears) hear(_ mqtt.Client, m mqtt.Message) {
	e.mu.Lock()
	defer e.mu.Unlock()
	branch, rest, _ := strings.Cut(strings.TrimPrefix(m.Topic(), root), "/")
	var err error
	switch branch {
	case "events":
		err = e.event(m.Payload())
	case "readings":
		var records []senml.Record
		records, err = senml.Decode(m.Payload(), instant.None)
		for _, r := range records {
			e.readings = append(e.readings, heardReading{r.Name, r.At, *r.Value})
		}
	case "points":
		var p deliver.PointMessage
		if err = json.Unmarshal(m.Payload(), &p); err == nil {
			e.points[rest] = append(e.points[rest], p)
		}
	case "alarms":
		var event cloudevent.Event
		var data cloudevent.AlarmData
		if err = json.Unmarshal(m.Payload(), &event); err == nil {
			err = json.Unmarshal(event.Data, &data)
		}
		e.letters[data.Alarm] = string(data.State)
	}
	if err != nil {
		e.strange = append(e.strange, m.Topic()+": "+err.Error())
	}
}

func (e *ears) event(payload []byte) error {
	var event cloudevent.Event
	if err := json.Unmarshal(payload, &event); err != nil {
		return err
	}
	if body, known := e.bodies[event.ID]; known {
		e.repeats++
		if body != string(payload) {
			e.altered = append(e.altered, event.ID)
		}
		return nil
	}
	e.bodies[event.ID] = string(payload)
	var entry journal.Entry
	if err := json.Unmarshal(event.Data, &entry); err != nil {
		return err
	}
	e.events = append(e.events, heardEvent{event.ID, entry})
	return nil
}

// letter returns the retained state of an alarm.
func (e *ears) letter(alarm string) string {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.letters[alarm]
}

// count returns how many different events were heard.
func (e *ears) count() int {
	e.mu.Lock()
	defer e.mu.Unlock()
	return len(e.events)
}

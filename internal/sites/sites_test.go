package sites_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/watch"
	"dewline/internal/format/cloudevent"
	"dewline/internal/mqtt"
	"dewline/internal/sites"
	"dewline/internal/test/mosquitto"
)

// noon is the time of the tests. All sites are invented.
var noon = time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)

// message is what a site publishes.
type message struct{ topic, payload string }

func status(site, state string, ago time.Duration) message {
	return message{"dewline/" + site + "/status", fmt.Sprintf(`{"state":%q,"time":%q,"boot":"run-1","synchronized":true}`, state, instant.Of(noon.Add(-ago)))}
}

func point(site, name, zone string) message {
	return message{"dewline/" + site + "/points/" + name, fmt.Sprintf(`{"point":%q,"zone":%q,"value":null,"unit":"Cel"}`, name, zone)}
}

func alarm(t *testing.T, site, place, quantity, limit string, state isa.State, active bool, priority care.Priority, speaksFor ...string) message {
	t.Helper()
	event, err := cloudevent.OfAlarm(site, watch.AlarmState{
		Name: place + "/" + quantity + "/" + limit, Place: place, Quantity: quantity, Limit: limit, Letter: state, Active: active, Priority: priority,
		Since: instant.None, Raised: instant.Of(noon), Cleared: instant.None, Until: instant.None, Names: speaksFor,
	})
	require.NoError(t, err)
	payload, err := event.JSON()
	require.NoError(t, err)
	return message{"dewline/" + site + "/alarms/" + place + "/" + quantity + "/" + limit, string(payload)}
}

func house(t *testing.T) []message {
	return []message{
		status("north-loft", "online", 20*time.Second),
		point("north-loft", "tub-1/water-temperature", "high"), point("north-loft", "tub-2/water-temperature", "in-band"),
		point("north-loft", "loft/air-temperature", "critical-high"), point("north-loft", "loft/pressure", "no-band"),
		alarm(t, "north-loft", "loft", "air-temperature", "critical-high", isa.Unacknowledged, true, care.CriticalPriority, "tub-1"),
		alarm(t, "north-loft", "tub-1", "water-temperature", "high", isa.Acknowledged, true, care.HighPriority),
		alarm(t, "north-loft", "tub-2", "water-temperature", "low", isa.Shelved, true, care.HighPriority),
		alarm(t, "north-loft", "sensor", "tub-2-probe", "fault", isa.ReturnedUnacknowledged, false, care.MediumPriority),
		status("south-shed", "online", time.Minute), point("south-shed", "tub-9/water-temperature", "in-band"),
		status("grow-out", "online", time.Hour), point("grow-out", "tub-3/water-temperature", "in-band"),
		status("cellar", "online", 30*time.Second), {"dewline/cellar/status", `{"state":"offline"}`},
		point("attic", "tub-4/air-temperature", "unknown"),
	}
}

func TestLines(t *testing.T) {
	book := sites.NewBook("dewline")
	for _, m := range house(t) {
		book.Take(m.topic, []byte(m.payload))
	}
	assert.Zero(t, book.Strange())
	got, err := json.MarshalIndent(book.Sites(noon), "", "  ")
	require.NoError(t, err)
	path := filepath.Join("testdata", "sites.json")
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.JSONEq(t, string(want), string(got))
}

// A site that has died while its clock was ahead would look alive until the time it last gave.
func TestSilentByTheClock(t *testing.T) {
	for ago, state := range map[time.Duration]string{
		0: sites.Online, 5 * time.Minute: sites.Online, 5*time.Minute + time.Millisecond: sites.Silent,
		-5 * time.Minute: sites.Online, -5*time.Minute - time.Millisecond: sites.Silent,
	} {
		book := sites.NewBook("dewline")
		m := status("north-loft", "online", ago)
		book.Take(m.topic, []byte(m.payload))
		assert.Equal(t, state, book.Sites(noon)[0].State, ago)
	}
}

// A topic that is deleted is gone, and what is no message of a site is counted and changes nothing.
func TestStrangeMessages(t *testing.T) {
	book := sites.NewBook("dewline")
	m := point("north-loft", "tub-1/water-temperature", "high")
	book.Take(m.topic, []byte(m.payload))
	book.Take(m.topic, nil)
	book.Take(status("north-loft", "online", 0).topic, []byte(status("north-loft", "online", 0).payload))
	before := book.Sites(noon)
	assert.Zero(t, before[0].Points)
	for i, m := range []message{
		{"dewline/north-loft/status", "{"}, {"dewline/north-loft/status", `{"state":"asleep"}`}, {"dewline/north-loft/points/tub-1/air-temperature", `{"zone":"fine"}`},
		{"dewline/north-loft/alarms/tub-1/air-temperature/high", `{}`}, {"dewline/North Loft/status", `{"state":"online"}`}, {"elsewhere/status", `{}`},
		{"dewline/north-loft/else", `{}`}, {"dewline/\x1b[2J/status", `{"state":"online"}`},
	} {
		book.Take(m.topic, []byte(m.payload))
		assert.Equal(t, i+1, book.Strange(), m.topic)
	}
	assert.Equal(t, before, book.Sites(noon))
}

// From a real broker with TLS, by a user who may only read.
func TestFromARealBroker(t *testing.T) {
	broker := mosquitto.Start(t, mosquitto.Options{
		TLS: true, Users: map[string]string{"site": "s", "keeper": "k"}, ACL: "user site\ntopic readwrite dewline/#\nuser keeper\ntopic read dewline/+/#\n",
	})
	password := func(text string) string {
		path := filepath.Join(t.TempDir(), "password")
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	publish, err := mqtt.New(mqtt.Options{Broker: broker.URL, ClientID: "site", Username: "site", PasswordFile: password("s"), CAFile: broker.CAFile})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- publish.Run(ctx) }()
	session, err := publish.Session(t.Context())
	require.NoError(t, err)
	for _, m := range house(t) {
		require.NoError(t, session.Publish(t.Context(), mqtt.Message{Topic: m.topic, QoS: 1, Retained: true, Payload: []byte(m.payload)}))
	}
	cancel()
	require.NoError(t, <-ended)

	options := mqtt.Options{Broker: broker.URL, ClientID: "keeper", Username: "keeper", PasswordFile: password("k"), CAFile: broker.CAFile}
	book := sites.NewBook("dewline")
	require.NoError(t, sites.Collect(t.Context(), options, book, 20*time.Second))
	list := book.Sites(noon)
	require.Len(t, list, 5)
	assert.Equal(t, "north-loft", list[3].Site, "the first of those that are online")
	assert.Equal(t, 1, list[3].Incidents)
	assert.Zero(t, book.Strange())

	options.PasswordFile = password("wrong")
	require.ErrorContains(t, sites.Collect(t.Context(), options, sites.NewBook("dewline"), 20*time.Second), "broker mqtts://")
	options.PasswordFile, options.CAFile = password("k"), ""
	require.ErrorContains(t, sites.Collect(t.Context(), options, sites.NewBook("dewline"), 20*time.Second), "certificate")
	broker.Stop()
	require.ErrorContains(t, sites.Collect(t.Context(), options, sites.NewBook("dewline"), 5*time.Second), "connection refused")
}

// Sites that go on speaking do not keep a reader waiting: what the broker retains has an end.
func TestSitesThatGoOnSpeaking(t *testing.T) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	speaker, err := mqtt.New(mqtt.Options{Broker: broker.URL, ClientID: "site"})
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	ended := make(chan error, 2)
	go func() { ended <- speaker.Run(ctx) }()
	session, err := speaker.Session(ctx)
	require.NoError(t, err)
	first := status("north-loft", "online", 0)
	require.NoError(t, session.Publish(ctx, mqtt.Message{Topic: first.topic, QoS: 1, Retained: true, Payload: []byte(first.payload)}))
	go func() {
		for m := point("north-loft", "tub-1/water-temperature", "in-band"); ctx.Err() == nil; time.Sleep(50 * time.Millisecond) {
			if err := session.Publish(ctx, mqtt.Message{Topic: m.topic, QoS: 1, Retained: true, Payload: []byte(m.payload)}); err != nil {
				break
			}
		}
		ended <- nil
	}()
	book := sites.NewBook("dewline")
	require.NoError(t, sites.Collect(ctx, mqtt.Options{Broker: broker.URL, ClientID: "keeper"}, book, time.Hour))
	assert.Len(t, book.Sites(noon), 1)
	cancel()
	require.NoError(t, <-ended)
	require.NoError(t, <-ended)
}

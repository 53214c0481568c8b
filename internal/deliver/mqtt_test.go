package deliver

import (
	"context"
	"encoding/json"
	"fmt"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/cloudevent"
	"dewline/internal/mqtt"
	"dewline/internal/test/delivertest"
	"dewline/internal/test/memoryqueue"
	"dewline/internal/test/mosquitto"
)

// The tests of this file publish to a real mosquitto and look on with a client of their own.

// harness is a running MQTT notifier.
type harness struct {
	*MQTT
	link    *mqtt.Client
	queue   *memoryqueue.Memory
	current atomic.Pointer[Snapshot]
	stop    func() // stops the notifier and then its link
}

func startHarness(t *testing.T, url string, change func(*MQTTOptions)) *harness {
	t.Helper()
	r := &harness{queue: memoryqueue.New(0, 0, 0)}
	r.current.Store(exampleSnapshot())
	topics := northLoft(t)
	var err error
	r.link, err = mqtt.New(mqtt.Options{
		Broker: url, ClientID: mqtt.ClientID("north-loft", "outlet"), Will: topics.Will("7f3a", func() time.Time { return morning }),
	})
	require.NoError(t, err)
	o := MQTTOptions{
		Site: "north-loft", Run: "7f3a", Topics: topics, Link: r.link, Queue: r.queue,
		Snapshot: func() Snapshot { return *r.current.Load() }, Now: func() time.Time { return morning },
	}
	if change != nil {
		change(&o)
	}
	r.MQTT, err = NewMQTT(o)
	require.NoError(t, err)
	stopLink := background(t, r.link.Run)
	stopOutlet := background(t, r.MQTT.Run)
	r.stop = sync.OnceFunc(func() { stopOutlet(); stopLink() })
	t.Cleanup(r.stop)
	return r
}

func background(t *testing.T, run func(context.Context) error) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- run(ctx) }()
	return sync.OnceFunc(func() {
		cancel()
		assert.NoError(t, <-ended)
	})
}

func alarmState(place, q, limit string, letter isa.State) watch.AlarmState {
	return watch.AlarmState{
		Name: place + "/" + q + "/" + limit, Place: place, Quantity: q, Limit: limit, Letter: letter,
		Since: instant.None, Raised: instant.None, Cleared: instant.None, Until: instant.None,
	}
}

func exampleSnapshot() *Snapshot {
	return &Snapshot{
		Points: []watch.PointState{exampleState()},
		Alarms: []watch.AlarmState{
			alarmState("tub-1", "water-temperature", "high", "B"), alarmState("sensor", "tub-1-probe", "fault", "A"),
		},
	}
}

// phone is a subscriber.
type phone struct{ *mqtt.Subscription }

func lookOn(t *testing.T, url, id, filter string) *phone {
	t.Helper()
	l, err := mqtt.New(mqtt.Options{Broker: url, ClientID: id})
	require.NoError(t, err)
	s, err := l.Subscribe(filter, 1, 4096)
	require.NoError(t, err)
	t.Cleanup(background(t, l.Run))
	return &phone{s}
}

// until collects messages until one for which last holds has come.
func (p *phone) until(t *testing.T, last func(mqtt.Received) bool) []mqtt.Received {
	t.Helper()
	var all []mqtt.Received
	late := time.After(60 * time.Second)
	for {
		select {
		case m := <-p.C:
			all = append(all, m)
			if last(m) {
				return all
			}
		case <-late:
			t.Fatalf("did not come within a minute; came: %v", topicsOf(all))
		}
	}
}

func on(topic string) func(mqtt.Received) bool {
	return func(m mqtt.Received) bool { return m.Topic == "dewline/north-loft/"+topic }
}

func topicsOf(all []mqtt.Received) (topics []string) {
	for _, m := range all {
		topics = append(topics, strings.TrimPrefix(m.Topic, "dewline/north-loft/"))
	}
	return topics
}

// retainedNow asks the broker, with mosquitto's own client, what it retains of the site.
func retainedNow(t *testing.T, b *mosquitto.Broker) map[string]string {
	t.Helper()
	out, err := exec.Command(mosquitto.Find(t, "mosquitto_sub"), "-h", b.Host, "-p", strconv.Itoa(b.Port),
		"-t", "dewline/north-loft/#", "--retained-only", "-W", "1", "-F", "%t %p").Output()
	if err != nil {
		exit, ok := err.(*exec.ExitError)
		require.True(t, ok && exit.ExitCode() == 27, "%v", err) // 27: the time is up
	}
	state := map[string]string{}
	for line := range strings.Lines(string(out)) {
		topic, payload, _ := strings.Cut(strings.TrimSpace(line), " ")
		state[strings.TrimPrefix(topic, "dewline/north-loft/")] = payload
	}
	return state
}

func entry(n int) *journal.Entry {
	return &journal.Entry{
		Seq: uint64(n), Run: "7f3a", At: instant.Of(morning.Add(time.Duration(n) * time.Second)), Kind: journal.AlarmRaised,
		Alarm: "tub-1/water-temperature/high",
	}
}

const (
	pointTopic = "points/tub-1/water-temperature"
	alarmTopic = "alarms/tub-1/water-temperature/high"
	faultTopic = "alarms/sensor/tub-1-probe/fault"
)

func TestStatusFirstThenPointsThenAlarmsThenEvents(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	p := lookOn(t, b.URL, "phone", "dewline/north-loft/#")
	r := startHarness(t, b.URL, nil)
	delivertest.Send(t, r, entry(1))
	all := p.until(t, on("events"))
	assert.Equal(t, []string{"status", pointTopic, alarmTopic, faultTopic, "events"}, topicsOf(all))
	assert.JSONEq(t, `{"state":"online","time":"2026-07-01T06:20:00.000Z","boot":"7f3a","synchronized":true}`, string(all[0].Payload))
	want, err := pointPayload(&exampleSnapshot().Points[0])
	require.NoError(t, err)
	assert.JSONEq(t, string(want), string(all[1].Payload))
	e, err := cloudevent.Parse(all[4].Payload)
	require.NoError(t, err)
	assert.Equal(t, "7f3a-1", e.ID)
	assert.Equal(t, "dewline.alarm.raised.v1", e.Type)

	require.Eventually(t, func() bool { return r.Status().Pending == 0 }, 30*time.Second, 10*time.Millisecond)
	state := retainedNow(t, b)
	assert.ElementsMatch(t, []string{"status", pointTopic, alarmTopic, faultTopic}, slices.Collect(keysOf(state)),
		"events are never retained")
	r.stop()
	assert.JSONEq(t, `{"state":"offline","time":"2026-07-01T06:20:00.000Z","boot":"7f3a"}`, retainedNow(t, b)["status"])
}

func keysOf(m map[string]string) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

func TestChangesAndReadings(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	p := lookOn(t, b.URL, "phone", "dewline/north-loft/#")
	r := startHarness(t, b.URL, nil)
	p.until(t, on(faultTopic))
	require.Eventually(t, func() bool { return r.session() != nil }, 30*time.Second, time.Millisecond)
	require.NoError(t, r.Reading(ReadingMessage{Point: water, Value: 22.5, At: instant.Of(morning)}))
	all := p.until(t, on("readings/tub-1/water-temperature"))
	assert.JSONEq(t, `[{"n":"tub-1/water-temperature","u":"Cel","t":1782886800,"v":22.5}]`, string(all[len(all)-1].Payload))
	changed := alarmState("tub-1", "water-temperature", "high", "C")
	require.NoError(t, r.Alarm(&changed))
	all = p.until(t, on(alarmTopic))
	assert.Contains(t, string(all[len(all)-1].Payload), `"standing":"acknowledged"`)
	moved := exampleState()
	moved.Value = 25
	require.NoError(t, r.Point(&moved))
	all = p.until(t, on(pointTopic))
	assert.Contains(t, string(all[len(all)-1].Payload), `"value":25`)
	assert.NotContains(t, retainedNow(t, b), "readings/tub-1/water-temperature")
}

// TestTheBrokerIsKilled is the consequence drawn from the trials with mosquitto: what it retained is gone after a power
// cut, so everything is published again on every connect; and the rule of the outbox: no event is lost or reordered, and a
// repeat has the same identity.
func TestTheBrokerIsKilled_ConsequenceRepublish(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	p := lookOn(t, b.URL, "phone", "dewline/north-loft/#")
	r := startHarness(t, b.URL, nil)
	p.until(t, on(faultTopic))
	const events = 300
	for n := 1; n <= events; n++ {
		delivertest.Send(t, r, entry(n))
		if n == 100 || n == 200 {
			b.Kill()
			delivertest.Send(t, r, entry(n)) // a dead broker delays nothing; the same entry once more, as after a crash
			if n == 200 {
				s := exampleState()
				s.Value = 26.5
				r.current.Store(&Snapshot{Points: []watch.PointState{s}, Alarms: exampleSnapshot().Alarms})
				require.NoError(t, r.Point(&s))
			}
			b.Restart()
		}
	}
	// A killed broker forgets its subscribers' sessions too, so what a phone saw proves nothing here (the next test looks
	// at that). What counts is that the broker has acknowledged everything and has the present states.
	require.Eventually(t, func() bool { return r.Status().Pending == 0 }, 90*time.Second, 20*time.Millisecond, r.Status().Err)
	state := retainedNow(t, b)
	assert.Contains(t, state["status"], "online")
	assert.Contains(t, state[pointTopic], `"value":26.5`, "the state now, not the one before")
	assert.Contains(t, state, alarmTopic)
	assert.Contains(t, state, faultTopic)
	assert.GreaterOrEqual(t, r.Status().Sent, uint64(events))
}

// TestNoEventIsLostOrReordered kills only the notifier's connection, again and again, so that the receiver sees all events.
func TestNoEventIsLostOrReordered(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	p := lookOn(t, b.URL, "phone", "dewline/north-loft/events")
	r := startHarness(t, b.URL, nil)
	require.Eventually(t, func() bool { return strings.Contains(b.Log(), "Sending SUBACK to phone") }, 30*time.Second, 10*time.Millisecond)
	const events = 200
	for n := 1; n <= events; n++ {
		delivertest.Send(t, r, entry(n))
		if n%50 == 0 {
			ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
			s, err := r.link.Session(ctx)
			cancel()
			require.NoError(t, err)
			s.Drop(fmt.Errorf("cut by the test"))
		}
	}
	var seen []string
	bodies := map[string]string{}
	p.until(t, func(m mqtt.Received) bool {
		e, err := cloudevent.Parse(m.Payload)
		require.NoError(t, err)
		if before, twice := bodies[e.ID]; twice {
			assert.Equal(t, before, string(m.Payload), "a repeat is the same event")
			return false
		}
		bodies[e.ID] = string(m.Payload)
		seen = append(seen, e.ID)
		return len(seen) == events
	})
	var want []string
	for n := 1; n <= events; n++ {
		want = append(want, entry(n).ID())
	}
	assert.Equal(t, want, seen)
}

// TestAnOverfullSubscriberIsRepaired is the trial with mosquitto's offline queue, which drops the newest silently: the
// numbers in the events show the gap, and the retained state is right.
func TestAnOverfullSubscriberIsRepaired_RowOfflineQueue(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{Config: []string{"max_queued_messages 10", "max_inflight_messages 5"}})
	away, err := mqtt.New(mqtt.Options{Broker: b.URL, ClientID: "phone"})
	require.NoError(t, err)
	_, err = away.Subscribe("dewline/north-loft/events", 1, 10)
	require.NoError(t, err)
	stop := background(t, away.Run)
	require.Eventually(t, func() bool { return strings.Contains(b.Log(), "Sending SUBACK to phone") }, 30*time.Second, 10*time.Millisecond)
	stop()
	r := startHarness(t, b.URL, nil)
	for n := 1; n <= 50; n++ {
		delivertest.Send(t, r, entry(n))
	}
	acknowledged := alarmState("tub-1", "water-temperature", "high", "C")
	r.current.Store(&Snapshot{Points: exampleSnapshot().Points, Alarms: []watch.AlarmState{acknowledged}})
	require.NoError(t, r.Alarm(&acknowledged))
	require.Eventually(t, func() bool { return r.Status().Pending == 0 }, 30*time.Second, 10*time.Millisecond)
	back := lookOn(t, b.URL, "phone", "dewline/north-loft/#")
	var seqs []uint64
	back.until(t, func(m mqtt.Received) bool {
		if e, err := cloudevent.Parse(m.Payload); err == nil && on("events")(m) {
			var kept journal.Entry
			require.NoError(t, json.Unmarshal(e.Data, &kept))
			seqs = append(seqs, kept.Seq)
		}
		return on(alarmTopic)(m) && strings.Contains(string(m.Payload), `"standing":"acknowledged"`)
	})
	assert.True(t, slices.IsSorted(seqs))
	assert.Less(t, len(seqs), 50)
}

// TestStaleRetainedIsDeleted is the rule on empty retained messages: for what leaves the configuration while running, and for
// what left it while this program was not running.
func TestStaleRetainedIsDeleted_RuleEmptyRetained(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	stale := []string{"points/tub-9/water-temperature", "alarms/tub-9/water-temperature/high", "alarms/sensor/old-probe/fault"}
	for _, topic := range append(stale, "notes/by-another-program") {
		require.NoError(t, exec.Command(mosquitto.Find(t, "mosquitto_pub"), "-h", b.Host, "-p", strconv.Itoa(b.Port),
			"-t", "dewline/north-loft/"+topic, "-m", "{}", "-r", "-q", "1").Run())
	}
	r := startHarness(t, b.URL, nil)
	require.Eventually(t, func() bool {
		state := retainedNow(t, b)
		return !slices.ContainsFunc(stale, func(topic string) bool { _, there := state[topic]; return there })
	}, time.Minute, 100*time.Millisecond)
	state := retainedNow(t, b)
	assert.Contains(t, state, "notes/by-another-program", "only points and alarms are ours to delete")
	assert.Contains(t, state, pointTopic)

	r.current.Store(&Snapshot{Alarms: exampleSnapshot().Alarms[:1]})
	r.Refresh()
	require.Eventually(t, func() bool {
		state := retainedNow(t, b)
		_, point := state[pointTopic]
		_, fault := state[faultTopic]
		return !point && !fault
	}, time.Minute, 100*time.Millisecond)
	assert.Contains(t, retainedNow(t, b), alarmTopic)
}

func TestAnEmptySnapshotDeletesNothing(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	r := startHarness(t, b.URL, nil)
	require.Eventually(t, func() bool { return r.session() != nil }, 30*time.Second, time.Millisecond)
	r.current.Store(new(Snapshot))
	r.Refresh()
	delivertest.Send(t, r, entry(1))
	require.Eventually(t, func() bool { return r.Status().Sent == 1 }, 30*time.Second, 10*time.Millisecond)
	assert.Contains(t, retainedNow(t, b), pointTopic)
}

// send publishes a command as a keeper would.
func sendCommand(t *testing.T, b *mosquitto.Broker, verb, payload string, more ...string) {
	t.Helper()
	args := append([]string{"-h", b.Host, "-p", strconv.Itoa(b.Port), "-t", "dewline/north-loft/command/" + verb, "-m", payload, "-q", "1"}, more...)
	out, err := exec.Command(mosquitto.Find(t, "mosquitto_pub"), args...).CombinedOutput()
	require.NoError(t, err, string(out))
}

func nextCommand(t *testing.T, r *harness) Command {
	t.Helper()
	select {
	case c := <-r.Commands():
		return c
	case <-time.After(30 * time.Second):
		t.Fatal("no command came")
		return Command{}
	}
}

func TestCommands(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	sendCommand(t, b, "note", `{"text":"an old one"}`, "-r")
	r := startHarness(t, b.URL, func(o *MQTTOptions) { o.AllowCommands = true })
	c := nextCommand(t, r)
	require.ErrorContains(t, c.Err, "without retain", "row: a retained command found on subscribing is refused")
	assert.Equal(t, watch.WriteNote, c.Verb)

	sendCommand(t, b, "acknowledge", `{"occurrence":"tub-1/water-temperature/high@2026-07-01T06:20:00.000Z","by":"keeper"}`)
	c = nextCommand(t, r)
	require.NoError(t, c.Err)
	assert.Equal(t, watch.Command{
		Verb: watch.Acknowledge, Occurrence: "tub-1/water-temperature/high@2026-07-01T06:20:00.000Z", By: "keeper via mqtt",
	}, c.Command)

	sendCommand(t, b, "shelve", `{"alarm":"x","force":true}`)
	c = nextCommand(t, r)
	require.ErrorContains(t, c.Err, "unknown member")
	assert.Equal(t, watch.Shelve, c.Verb)

	// Hundreds at once neither block the link nor grow without bound.
	flood := exec.Command(mosquitto.Find(t, "mosquitto_pub"), "-h", b.Host, "-p", strconv.Itoa(b.Port),
		"-t", "dewline/north-loft/command/note", "-l")
	flood.Stdin = strings.NewReader(strings.Repeat(`{"text":"x"}`+"\n", 300))
	require.NoError(t, flood.Run())
	require.Eventually(t, func() bool { return r.link.Status().Dropped > 0 }, 30*time.Second, 10*time.Millisecond)
	assert.LessOrEqual(t, len(r.Commands()), commandsWaiting)
	delivertest.Send(t, r, entry(1))
	require.Eventually(t, func() bool { return r.Status().Sent == 1 }, 30*time.Second, 10*time.Millisecond, "nobody takes commands and events still go out")
}

// TestACommandOfYesterdayIsGone: a command sent while this program was away must not take effect when it comes back.
func TestACommandOfYesterdayIsGone(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	allow := func(o *MQTTOptions) { o.AllowCommands = true }
	r := startHarness(t, b.URL, allow)
	require.Eventually(t, func() bool { return strings.Contains(b.Log(), "Sending SUBACK") && r.session() != nil }, 30*time.Second, 10*time.Millisecond)
	sendCommand(t, b, "note", `{"text":"now"}`)
	require.NoError(t, nextCommand(t, r).Err)
	r.stop()
	sendCommand(t, b, "shelve", `{"alarm":"tub-1/water-temperature/high"}`)
	again := startHarness(t, b.URL, allow)
	require.Eventually(t, func() bool { return again.session() != nil }, 30*time.Second, 10*time.Millisecond)
	require.Eventually(t, func() bool { return strings.Count(b.Log(), "command/+") >= 2 }, 30*time.Second, 10*time.Millisecond)
	sendCommand(t, b, "note", `{"text":"today"}`)
	c := nextCommand(t, again)
	assert.Equal(t, watch.WriteNote, c.Verb)
	assert.Equal(t, "today", c.Command.Text)
}

func TestCommandsAreRefusedUnlessAllowed(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	r := startHarness(t, b.URL, nil)
	require.Eventually(t, func() bool { return r.session() != nil }, 30*time.Second, time.Millisecond)
	sendCommand(t, b, "note", `{"text":"x"}`)
	delivertest.Send(t, r, entry(1))
	require.Eventually(t, func() bool { return r.Status().Sent == 1 }, 30*time.Second, 10*time.Millisecond)
	assert.NotContains(t, b.Log(), "command/+", "nothing is subscribed to")
	assert.Empty(t, r.Commands())
}

// TestTLSAndPassword runs the whole notifier over TLS with a client certificate, a password and an access list as configs/
// would ship one.
func TestTLSAndPassword(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{
		ClientCertificate: true, Users: map[string]string{"dewline": "secret-frog"},
		ACL: "user dewline\ntopic readwrite dewline/north-loft/#\n",
	})
	queue := memoryqueue.New(0, 0, 0)
	topics := northLoft(t)
	link, err := mqtt.New(mqtt.Options{
		Broker: b.URL, ClientID: "dewline-north-loft", CAFile: b.CAFile, CertFile: b.CertFile, KeyFile: b.KeyFile,
		Credentials: func() (string, string, error) { return "dewline", "secret-frog", nil },
		Will:        topics.Will("7f3a", time.Now),
	})
	require.NoError(t, err)
	m, err := NewMQTT(MQTTOptions{
		Site: "north-loft", Run: "7f3a", Topics: topics, Link: link, Queue: queue, Snapshot: func() Snapshot { return *exampleSnapshot() },
	})
	require.NoError(t, err)
	stopLink := background(t, link.Run)
	stopOutlet := background(t, m.Run)
	delivertest.Send(t, m, entry(1))
	require.Eventually(t, func() bool { return m.Status().Sent == 1 }, 30*time.Second, 10*time.Millisecond, m.Status().Err)
	assert.Empty(t, m.Status().Err)
	stopOutlet()
	stopLink()
}

func TestOfEntry(t *testing.T) {
	m := &MQTT{o: MQTTOptions{Site: "north-loft", Topics: northLoft(t)}}
	item, err := m.OfEntry(entry(5))
	require.NoError(t, err)
	assert.Equal(t, Alarm, item.Class)
	assert.Equal(t, "7f3a-5", item.Event)
	assert.Equal(t, entry(5).At, item.At)
	assert.True(t, json.Valid(item.Body))
	note := entry(6)
	note.Kind = journal.Note
	item, err = m.OfEntry(note)
	require.NoError(t, err)
	assert.Equal(t, Telemetry, item.Class)
}

func TestReadingsAreForgottenWithoutAConnection(t *testing.T) {
	m := &MQTT{o: MQTTOptions{Site: "north-loft", Topics: northLoft(t), Synchronized: func() bool { return true }}}
	for range 10 {
		require.NoError(t, m.Reading(ReadingMessage{Point: water, Value: 20, At: instant.Of(morning)}))
	}
	assert.Empty(t, m.readings)
	require.Error(t, m.Reading(ReadingMessage{Point: quantity.Point{Place: "Tub 1", Quantity: quantity.WaterTemperature}}))
}

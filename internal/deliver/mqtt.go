package deliver

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
	"dewline/internal/format/cloudevent"
	"dewline/internal/mqtt"
)

// statusEvery is how often the status is published: silence for three of them means that the site is dead.
const statusEvery = time.Minute

// The capacities of the channels of an [MQTT].
const (
	readingsWaiting = 256
	commandsWaiting = 16
	maxStaleWaiting = 1024
)

// Snapshot is the state of every point and every alarm of the configuration in force.
type Snapshot struct {
	Points []watch.PointState
	Alarms []watch.AlarmState
}

// MQTTOptions configure an [MQTT] notifier.
type MQTTOptions struct {
	Site   string
	Run    string // identity of this run of the daemon; the "boot" of the status
	Topics Topics
	Link   *mqtt.Client
	Queue  Queue
	// Snapshot returns the present state of every point and alarm of the configuration: what is not in it is deleted from the
	// broker, unless it is empty. It is called on every connect and from another goroutine than the core's, so it must return
	// a copy. A change must be in the snapshot before it is passed to [MQTT.Point] or [MQTT.Alarm].
	Snapshot func() Snapshot
	// Now is the wall clock; nil means time.Now.
	Now func() time.Time
	// Location returns the time zone of the site, in which commands may say times; nil means UTC.
	Location func() *time.Location
	// Synchronized reports whether that clock is known to be right; nil means always.
	Synchronized func() bool
	// AllowCommands makes the notifier subscribe to the command topics. Without it no command arrives over MQTT.
	AllowCommands bool
	// Random returns a number in [0, 1) to spread waiting times; nil means chance.
	Random func() float64
	Log    *slog.Logger // nil means silence
}

// MQTT publishes over an MQTT broker.
type MQTT struct {
	o             MQTTOptions
	worker        *Worker
	readings      chan mqtt.Message
	commands      chan Command
	incoming      *mqtt.Subscription // nil without commands
	staleRetained []*mqtt.Subscription
	wake          chan struct{}
	refresh       chan struct{}
	made          time.Time

	mu      sync.Mutex
	changes map[string][]byte // newest state by topic, not sent yet; nil deletes the topic
	order   []string          // topics of changes, oldest first
	current map[string]bool   // topics in use: those of the last snapshot and of changes since
	open    *mqtt.Session     // the connection on which the snapshot is published; nil while there is none
	opened  chan struct{}     // closed and replaced when open changes
	once    bool              // it was open before
	problem string
}

// NewMQTT checks the options and subscribes to commands where they are allowed.
func NewMQTT(o MQTTOptions) (*MQTT, error) {
	switch {
	case o.Link == nil || o.Queue == nil || o.Snapshot == nil:
		return nil, errors.New("mqtt notifier: a link, a queue and a snapshot are needed")
	case o.Topics.root == "":
		return nil, errors.New("mqtt notifier: no topics")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Synchronized == nil {
		o.Synchronized = func() bool { return true }
	}
	o.Log = cmp.Or(o.Log, slog.New(slog.DiscardHandler))
	m := &MQTT{
		o: o, readings: make(chan mqtt.Message, readingsWaiting), commands: make(chan Command, commandsWaiting),
		wake: make(chan struct{}, 1), refresh: make(chan struct{}, 1),
		changes: map[string][]byte{}, current: map[string]bool{}, opened: make(chan struct{}), made: time.Now(),
	}
	m.worker = NewWorker(WorkerOptions{Queue: o.Queue, Transport: m.transport(), Random: o.Random, Log: o.Log})
	for _, filter := range []string{o.Topics.points(), o.Topics.alarms()} {
		s, err := o.Link.Route(filter, 0, maxStaleWaiting)
		if err != nil {
			return nil, err
		}
		m.staleRetained = append(m.staleRetained, s)
	}
	if o.AllowCommands {
		// QoS 0: a broker queues none of it while there is no connection. A command that waited for hours must not take effect
		// then, and its sender sees on the events topic that nothing happened.
		var err error
		if m.incoming, err = o.Link.Subscribe(o.Topics.Commands(), 0, commandsWaiting); err != nil {
			return nil, err
		}
	}
	return m, nil
}

// Run serves one connection after the other until ctx ends. Stop the notifier first and the link after it: the link says
// goodbye.
func (m *MQTT) Run(ctx context.Context) error {
	var all sync.WaitGroup
	defer all.Wait()
	all.Go(func() { m.worker.Run(ctx) })
	if m.incoming != nil {
		all.Go(func() { m.receive(ctx) })
	}
	for ctx.Err() == nil {
		session, err := m.o.Link.Session(ctx)
		if err != nil {
			return nil // ctx has ended
		}
		if err := m.serve(ctx, session); err != nil && ctx.Err() == nil {
			m.setProblem(err)
			session.Drop(err)
		}
		m.setOpen(nil)
	}
	return nil
}

// OfEntry returns the item of a journal entry, for a store that records it together with the entry; [MQTT.Add] sends it.
func (m *MQTT) OfEntry(entry *journal.Entry) (Item, error) {
	event, err := cloudevent.OfEntry(m.o.Site, entry)
	if err != nil {
		return Item{}, err
	}
	body, err := event.JSON()
	if err != nil {
		return Item{}, err
	}
	class := Telemetry
	if strings.HasPrefix(string(entry.Kind), "alarm.") {
		class = Alarm
	}
	return Item{Event: event.ID, Class: class, Topic: m.o.Topics.Events(), Body: body, At: entry.At}, nil
}

// Add puts an item of [MQTT.OfEntry] into the outbox, where it is not there yet, and wakes the worker. It does not wait for the broker.
func (m *MQTT) Add(item Item) error {
	if err := m.o.Queue.Add(item); err != nil {
		return fmt.Errorf("journal entry %s for the events topic: %w", item.Event, err)
	}
	m.worker.Wake()
	return nil
}

// Point publishes the state of a point, as soon as there is a connection. It does not wait.
func (m *MQTT) Point(s *watch.PointState) error {
	topic, payload, err := m.pointMessage(s)
	if err == nil {
		m.change(topic, payload)
	}
	return err
}

// Alarm publishes the state of an alarm, as soon as there is a connection. It does not wait.
func (m *MQTT) Alarm(s *watch.AlarmState) error {
	topic, payload, err := m.alarmMessage(s)
	if err == nil {
		m.change(topic, payload)
	}
	return err
}

// Reading publishes a usable reading if there is a connection, else forgets it. It does not wait.
func (m *MQTT) Reading(r ReadingMessage) error {
	topic, err := m.o.Topics.Reading(r.Point)
	if err != nil {
		return err
	}
	payload, err := readingMessage(r, m.o.Synchronized())
	if err != nil {
		return fmt.Errorf("reading of %s: %w", r.Point, err)
	}
	if m.session() == nil {
		return nil
	}
	select {
	case m.readings <- mqtt.Message{Topic: topic, Payload: payload}:
	default:
	}
	return nil
}

// Refresh publishes the snapshot again, for a new configuration. Topics of points and alarms that left it are deleted.
func (m *MQTT) Refresh() {
	select {
	case m.refresh <- struct{}{}:
	default:
	}
}

// Commands receives the commands that arrive; none without [MQTTOptions.AllowCommands].
func (m *MQTT) Commands() <-chan Command { return m.commands }

// FirstTime is how long the first connection of a notifier may be in the making before that counts as a failure. A try that fails counts at
// once, and each ends by itself (a connection after ten seconds, an acknowledgement after [AckTimeout]): this bounds a broker that
// takes many messages, each of them slowly.
const FirstTime = time.Minute

// MQTTStatus is the state of an [MQTT] notifier.
type MQTTStatus struct {
	Link    mqtt.Status
	Open    bool            // the broker has acknowledged the status and the whole snapshot on the present connection
	Opening bool            // that was never so, no try has failed, and it has been made for less than [FirstTime]
	Pending int             // in the outbox
	Oldest  instant.Instant // of them; None where nothing waits
	Sent    uint64          // events
	Err     string          // the last failure; "" after a success
}

// Status returns the state of the notifier.
func (m *MQTT) Status() MQTTStatus {
	stats := m.worker.Stats()
	s := MQTTStatus{Link: m.o.Link.Status(), Sent: stats.Sent, Pending: m.o.Queue.Pending(), Oldest: m.o.Queue.Oldest()}
	m.mu.Lock()
	s.Err, s.Open = m.problem, m.open != nil
	once := m.once
	m.mu.Unlock()
	for _, err := range []string{stats.Err, s.Link.Err} {
		s.Err = cmp.Or(err, s.Err)
	}
	s.Opening = !once && s.Err == "" && time.Since(m.made) < FirstTime
	return s
}

func (m *MQTT) pointMessage(s *watch.PointState) (topic string, payload []byte, err error) {
	if topic, err = m.o.Topics.Point(s.Point); err != nil {
		return "", nil, err
	}
	payload, err = pointPayload(s)
	return topic, payload, err
}

func (m *MQTT) alarmMessage(s *watch.AlarmState) (topic string, payload []byte, err error) {
	if topic, err = m.o.Topics.Alarm(s); err != nil {
		return "", nil, err
	}
	event, err := cloudevent.OfAlarm(m.o.Site, *s)
	if err != nil {
		return "", nil, err
	}
	payload, err = event.JSON()
	return topic, payload, err
}

func (m *MQTT) statusMessage() mqtt.Message {
	now, synchronized := instant.Of(m.o.Now()), m.o.Synchronized()
	return retained(m.o.Topics.Status(), mustJSON(StatusMessage{State: "online", Time: &now, Boot: m.o.Run, Synchronized: &synchronized}))
}

func retained(topic string, payload []byte) mqtt.Message {
	return mqtt.Message{Topic: topic, Payload: payload, QoS: 1, Retained: true}
}

// change notes the newest state of a topic.
func (m *MQTT) change(topic string, payload []byte) {
	m.mu.Lock()
	if _, waiting := m.changes[topic]; !waiting {
		m.order = append(m.order, topic)
	}
	m.changes[topic] = payload
	m.current[topic] = true
	m.mu.Unlock()
	m.nudge()
}

// forget notes that a topic is to be deleted, unless it is in use after all.
func (m *MQTT) forget(topic string) {
	m.mu.Lock()
	if _, waiting := m.changes[topic]; !waiting && !m.current[topic] {
		m.order = append(m.order, topic)
		m.changes[topic] = nil
	}
	m.mu.Unlock()
	m.nudge()
}

func (m *MQTT) nudge() {
	select {
	case m.wake <- struct{}{}:
	default:
	}
}

// takeChanges returns what has changed since the last call.
func (m *MQTT) takeChanges() []mqtt.Message {
	m.mu.Lock()
	defer m.mu.Unlock()
	messages := make([]mqtt.Message, 0, len(m.order))
	for _, topic := range m.order {
		messages = append(messages, retained(topic, m.changes[topic]))
	}
	clear(m.changes)
	m.order = nil
	return messages
}

// snapshot returns the retained messages of everything, points before alarms, and deletions of what left the
// configuration since the last snapshot.
func (m *MQTT) snapshot() []mqtt.Message {
	m.takeChanges() // before the snapshot is made: what changes from here on is newer
	p := m.o.Snapshot()
	var messages []mqtt.Message
	topics := map[string]bool{}
	add := func(topic string, payload []byte, err error) {
		if err != nil {
			m.o.Log.Error("a state cannot be published", "err", err)
			return
		}
		topics[topic] = true
		messages = append(messages, retained(topic, payload))
	}
	for i := range p.Points {
		add(m.pointMessage(&p.Points[i]))
	}
	for i := range p.Alarms {
		add(m.alarmMessage(&p.Alarms[i]))
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(topics) == 0 {
		return nil // a daemon that has only just started knows nothing yet, which is no reason to delete anything
	}
	for _, topic := range slices.Sorted(maps.Keys(m.current)) {
		if !topics[topic] {
			messages = append(messages, retained(topic, nil))
		}
	}
	m.current = topics
	return messages
}

func (m *MQTT) session() *mqtt.Session {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.open
}

func (m *MQTT) setOpen(s *mqtt.Session) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.open = s
	close(m.opened)
	m.opened = make(chan struct{})
	if s != nil {
		m.problem, m.once = "", true
	}
}

func (m *MQTT) setProblem(err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.problem = err.Error()
}

func (m *MQTT) location() *time.Location {
	if m.o.Location != nil {
		if location := m.o.Location(); location != nil {
			return location
		}
	}
	return time.UTC
}

// receive turns messages into commands. It may wait for the daemon; the link does not wait for it.
func (m *MQTT) receive(ctx context.Context) {
	for {
		select {
		case r := <-m.incoming.C:
			command, err := m.o.Topics.DecodeCommand(r.Topic, r.Payload, r.Retained, m.location(), m.o.Now())
			if err != nil {
				m.o.Log.Warn("a command is refused", "topic", r.Topic, "err", err)
			}
			select {
			case m.commands <- Command{Verb: command.Verb, Command: command, Err: err}:
			case <-ctx.Done():
				return
			}
		case <-ctx.Done():
			return
		}
	}
}

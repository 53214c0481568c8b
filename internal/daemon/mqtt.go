package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"reflect"
	"sync"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
	"dewline/internal/deliver"
	"dewline/internal/mqtt"
	"dewline/internal/mqtt/broker"
	"dewline/internal/server/status"
	"dewline/internal/store"
)

// mqttService publishes over MQTT, and runs the embedded broker. Its queue survives a new configuration: what waits in it
// goes out over the new connection.
type mqttService struct {
	*common
	site       string
	queue      *trackedQueue
	connection *mqttConnection // nil without MQTT

	mu     sync.Mutex // guards broker, which is asked for from elsewhere
	broker *broker.Broker
}

// mqttNotifier is the name of the MQTT notifier.
const mqttNotifier = "mqtt"

// openMQTT opens broker and connection of a configuration. What cannot be opened is reported and left out.
func openMQTT(shared *common, site *config.Site, queue *trackedQueue) (*mqttService, error) {
	svc := &mqttService{common: shared, site: site.ID, queue: queue}
	return svc, svc.connect(&site.MQTT)
}

// connect opens broker and connection as the configuration says. Nothing is sent before start.
func (svc *mqttService) connect(m *config.MQTT) error {
	var embedded *broker.Broker
	if m.Embedded.Listen != "" {
		users := make([]broker.User, 0, len(m.Embedded.Users))
		for _, u := range m.Embedded.Users {
			users = append(users, broker.User{Name: u.Name, PasswordFile: u.PasswordFile, Read: u.Read, Write: u.Write})
		}
		b, err := broker.Start(broker.Options{
			Listen: m.Embedded.Listen, Root: m.Root, AllowCommands: m.AllowCommands, Users: users, Log: svc.options.Log,
		})
		if err != nil {
			return fmt.Errorf("embedded broker: %w", err)
		}
		embedded = b
		svc.mu.Lock()
		svc.broker = b
		svc.mu.Unlock()
	}
	if m.Broker == "" && embedded == nil {
		return nil
	}
	connection, err := newMQTTConnection(svc, m)
	if err != nil {
		return fmt.Errorf("MQTT: %w", err)
	}
	svc.connection = connection
	return nil
}

// start connects and begins to send.
func (svc *mqttService) start() {
	if svc.connection != nil {
		svc.connection.start(svc.common)
	}
}

// stop sends what can still be sent, disconnects and closes the broker.
func (svc *mqttService) stop() {
	if svc.connection != nil {
		svc.connection.stop()
		svc.connection = nil
	}
	svc.mu.Lock()
	b := svc.broker
	svc.broker = nil
	svc.mu.Unlock()
	if b != nil {
		if err := b.Close(); err != nil {
			svc.options.Log.Warn("closing the embedded broker", "err", err)
		}
	}
}

// reconfigure applies a new configuration. If nothing about MQTT has changed, the connection stays and only the snapshot is
// published again.
func (svc *mqttService) reconfigure(old, site *config.Site) error {
	if reflect.DeepEqual(old.MQTT, site.MQTT) {
		if svc.connection != nil {
			svc.connection.forget()
		}
		return nil
	}
	svc.stop()
	err := svc.connect(&site.MQTT)
	svc.start()
	return err
}

// refresh publishes the whole snapshot again, once a new one is in place.
func (svc *mqttService) refresh() {
	if svc.connection != nil {
		svc.connection.out.Refresh()
	}
}

// address returns where the embedded broker listens, "" without one.
func (svc *mqttService) address() string {
	svc.mu.Lock()
	defer svc.mu.Unlock()
	if svc.broker == nil {
		return ""
	}
	return svc.broker.Addr()
}

func (svc *mqttService) reading(r *intake.Reading) {
	if svc.connection == nil || !r.Flag.Usable() {
		return
	}
	if err := svc.connection.out.Reading(deliver.ReadingMessage{Point: r.Point, Value: r.Value, At: r.At}); err != nil {
		svc.options.Log.Warn("a reading was not published", "point", r.Point, "err", err)
	}
}

// items returns the messages that entries cause, for the store to record with them.
func (svc *mqttService) items(entries []*journal.Entry) (items []store.OutboxItem) {
	if svc.connection == nil {
		return nil
	}
	for _, e := range entries {
		item, err := svc.connection.out.OfEntry(e)
		if err != nil {
			svc.options.Log.Error("an event was not made", "seq", e.Seq, "err", err)
			continue
		}
		items = append(items, store.OutboxItem{Notifier: mqttNotifier, Item: item})
	}
	return items
}

func (svc *mqttService) snapshot(p *status.Snapshot) {
	if svc.connection != nil {
		svc.connection.snapshot(p, svc.options.Log)
	}
}

// states returns the health of the MQTT notifier; nil without one.
func (svc *mqttService) states() []status.NotifierHealth {
	if svc.connection == nil {
		return nil
	}
	s := svc.connection.out.Status()
	o := status.NotifierHealth{Name: mqttNotifier, Connected: s.Link.Connected && s.Open, Opening: s.Opening, LastError: s.Err, Pending: s.Pending, Sent: s.Sent}
	if !s.Oldest.IsNone() {
		o.Oldest = s.Oldest.Time()
	}
	if q, ok := svc.queue.Queue.(interface{ Dropped() uint64 }); ok {
		o.Dropped = q.Dropped()
	}
	return []status.NotifierHealth{o}
}

// mqttConnection is the connection to a broker and what is published on it.
type mqttConnection struct {
	link     *mqtt.Client
	out      *deliver.MQTT
	stopOut  context.CancelFunc
	stopLink context.CancelFunc
	outDone  sync.WaitGroup
	linkDone sync.WaitGroup
	points   map[string]publishedPoint
	alarms   map[string]publishedAlarm
}

// pointEvery is how often a point's state is published while its zone stays the same.
const pointEvery = 30 * time.Second

// publishedPoint and publishedAlarm are what was published last, so that only changes are published.
type publishedPoint struct {
	zone      watch.Zone
	certainty watch.Certainty
	stage     string
	at        instant.Instant
}

type publishedAlarm struct {
	letter     isa.State
	active     bool
	occurrence string
	by         string
	until      instant.Instant
	repeats    int
	setpoint   float64
}

func newMQTTConnection(svc *mqttService, m *config.MQTT) (*mqttConnection, error) {
	topics, err := deliver.NewTopics(m.Root)
	if err != nil {
		return nil, err
	}
	options, err := svc.brokerOptions(m)
	if err != nil {
		return nil, err
	}
	options.Will, options.Log, options.ClientID = topics.Will(svc.id, svc.clock.Now), svc.options.Log, m.ClientID
	if options.ClientID == "" {
		options.ClientID = mqtt.ClientID(svc.site, "outlet")
	}
	link, err := mqtt.New(options)
	if err != nil {
		return nil, err
	}
	out, err := deliver.NewMQTT(deliver.MQTTOptions{
		Site: svc.site, Run: svc.id, Topics: topics, Link: link, Queue: svc.queue, Now: svc.clock.Now, Synchronized: svc.clock.synchronised,
		AllowCommands: m.AllowCommands, Log: svc.options.Log, Location: func() *time.Location { return svc.current.Get().Location },
		Snapshot: func() deliver.Snapshot {
			p := svc.current.Get()
			return deliver.Snapshot{Points: p.Points, Alarms: p.Alarms}
		},
	})
	if err != nil {
		return nil, err
	}
	return &mqttConnection{link: link, out: out, points: map[string]publishedPoint{}, alarms: map[string]publishedAlarm{}}, nil
}

// brokerOptions returns the connection options for a broker of the configuration, or for the embedded one.
func (svc *mqttService) brokerOptions(m *config.MQTT) (mqtt.Options, error) {
	if m.Broker != "" {
		return mqtt.Options{
			Broker: m.Broker, Username: m.Username, PasswordFile: m.PasswordFile,
			CAFile: m.CAFile, CertFile: m.CertificateFile, KeyFile: m.KeyFile,
		}, nil
	}
	if svc.broker == nil {
		return mqtt.Options{}, errors.New("no broker is configured for the sensors fed over MQTT: give mqtt: {broker: …}")
	}
	return mqtt.Options{Broker: svc.broker.URL(), Credentials: svc.broker.Credentials}, nil
}

// start connects. The link outlives the publisher, so that the goodbye is the last message to the broker.
func (w *mqttConnection) start(shared *common) {
	outCtx, stopOut := context.WithCancel(context.Background())
	linkCtx, stopLink := context.WithCancel(context.Background())
	w.stopOut, w.stopLink = stopOut, stopLink
	complain := func(what string, err error) {
		if err != nil && !errors.Is(err, context.Canceled) {
			shared.options.Log.Error(what, "err", err)
		}
	}
	w.linkDone.Go(func() { complain("the MQTT link has ended", w.link.Run(linkCtx)) })
	w.outDone.Go(func() { complain("the MQTT notifier has ended", w.out.Run(outCtx)) })
	w.outDone.Go(func() {
		for {
			select {
			case c := <-w.out.Commands():
				m := commandMessage{command: c.Command, reply: make(chan commandReply, 1)}
				if c.Err != nil {
					m.refusal = c.Err.Error()
					m.command.Verb = c.Verb
				}
				select {
				case shared.commands <- m: // its outcome is published on the events topic
				case <-outCtx.Done():
					return
				}
			case <-outCtx.Done():
				return
			}
		}
	})
}

func (w *mqttConnection) stop() {
	if w.stopOut == nil {
		return
	}
	w.stopOut()
	w.outDone.Wait()
	w.stopLink()
	w.linkDone.Wait()
}

// forget makes the next snapshot be published in full.
func (w *mqttConnection) forget() {
	clear(w.points)
	clear(w.alarms)
}

// snapshot publishes what has changed.
func (w *mqttConnection) snapshot(p *status.Snapshot, log *slog.Logger) {
	for i := range p.Points {
		s := &p.Points[i]
		name := s.Point.String()
		last, published := w.points[name]
		now := publishedPoint{s.Zone, s.Certainty, s.Stage.String(), s.LastReading}
		due := s.LastReading.Sub(last.at).Abs() >= pointEvery // the clock may have been set back
		if published && last.zone == now.zone && last.certainty == now.certainty && last.stage == now.stage && !due {
			continue
		}
		w.points[name] = now
		if err := w.out.Point(s); err != nil {
			log.Warn("a point was not published", "point", name, "err", err)
		}
	}
	for i := range p.Alarms {
		a := &p.Alarms[i]
		now := publishedAlarm{a.Letter, a.Active, a.Occurrence, a.By, a.Until, a.Repeats, a.Setpoint}
		last, published := w.alarms[a.Name]
		if published && (last == now || last.setpoint != last.setpoint && sameButSetpoint(last, now)) {
			continue
		}
		w.alarms[a.Name] = now
		if err := w.out.Alarm(a); err != nil {
			log.Warn("an alarm was not published", "alarm", a.Name, "err", err)
		}
	}
}

// sameButSetpoint compares two states of an alarm without a limit, whose setpoint is NaN.
func sameButSetpoint(a, b publishedAlarm) bool {
	a.setpoint, b.setpoint = 0, 0
	return a == b
}

package daemon

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"sync"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
	"dewline/internal/deliver"
	"dewline/internal/mqtt"
	"dewline/internal/mqtt/broker"
	"dewline/internal/server/status"
	"dewline/internal/store"
)

// links are the ways out, and the embedded broker. The queue outlives a new configuration: what waits in it goes out by
// whatever way there is then.
type links struct {
	loop  *loop
	queue *post
	open  *mqttWay // nil without MQTT

	mu     sync.Mutex // guards broker, which is asked for from elsewhere
	broker *broker.Broker
}

// mqttOutlet is the name of the MQTT outlet.
const mqttOutlet = "mqtt"

// openLinks opens the ways out of the configuration in force. What cannot be opened is reported and left out.
func openLinks(l *loop) (*links, error) {
	k := &links{loop: l, queue: l.post(mqttOutlet)}
	l.links = k
	return k, k.connect()
}

// connect opens broker and connection as the configuration says. Nothing is sent before start.
func (k *links) connect() error {
	site, log := k.loop.site, k.loop.options.Log
	m := &site.MQTT
	var embedded *broker.Broker
	if m.Embedded.Listen != "" {
		users := make([]broker.User, 0, len(m.Embedded.Users))
		for _, u := range m.Embedded.Users {
			users = append(users, broker.User{Name: u.Name, PasswordFile: u.PasswordFile, Read: u.Read, Write: u.Write})
		}
		b, err := broker.Start(broker.Options{
			Listen: m.Embedded.Listen, Root: m.Root, AllowCommands: m.AllowCommands, Users: users, Log: log,
		})
		if err != nil {
			return fmt.Errorf("embedded broker: %w", err)
		}
		embedded = b
		k.mu.Lock()
		k.broker = b
		k.mu.Unlock()
	}
	if m.Broker == "" && embedded == nil {
		return nil
	}
	way, err := newMQTTWay(k, m)
	if err != nil {
		return fmt.Errorf("MQTT: %w", err)
	}
	k.open = way
	return nil
}

// start lets the ways out work.
func (k *links) start() {
	if k.open != nil {
		k.open.start(k.loop)
	}
}

// stop sends what can still be sent, says goodbye and closes the broker.
func (k *links) stop() {
	if k.open != nil {
		k.open.stop()
		k.open = nil
	}
	k.mu.Lock()
	b := k.broker
	k.broker = nil
	k.mu.Unlock()
	if b != nil {
		if err := b.Close(); err != nil {
			k.loop.options.Log.Warn("closing the embedded broker", "err", err)
		}
	}
}

// reconfigure brings the ways out in line with a new configuration. Where nothing about MQTT has changed the connection
// stays, and only the picture is published anew.
func (k *links) reconfigure(old, site *config.Site) error {
	if reflect.DeepEqual(old.MQTT, site.MQTT) {
		if k.open != nil {
			k.open.forget()
		}
		return nil
	}
	k.stop()
	err := k.connect()
	k.start()
	return err
}

// refresh publishes the whole picture again, once a new one is in place.
func (k *links) refresh() {
	if k.open != nil {
		k.open.out.Refresh()
	}
}

// address returns where the embedded broker listens, "" without one.
func (k *links) address() string {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.broker == nil {
		return ""
	}
	return k.broker.Addr()
}

func (k *links) reading(r *intake.Reading) {
	if k.open == nil || !r.Flag.Usable() {
		return
	}
	if err := k.open.out.Reading(deliver.ReadingMessage{Point: r.Point, Value: r.Value, At: r.At}); err != nil {
		k.loop.options.Log.Warn("a reading was not published", "point", r.Point, "err", err)
	}
}

// items returns what must go out because of an entry, for the store to keep beside it.
func (k *links) items(e *journal.Entry) []store.OutboxItem {
	if k.open == nil {
		return nil
	}
	item, err := k.open.out.OfEntry(e)
	if err != nil {
		k.loop.options.Log.Error("an event was not made", "seq", e.Seq, "err", err)
		return nil
	}
	return []store.OutboxItem{{Notifier: mqttOutlet, Item: item}}
}

func (k *links) entry(e *journal.Entry) {
	if k.open == nil {
		return
	}
	if err := k.open.out.Event(e); err != nil {
		k.loop.options.Log.Error("an event was not queued", "seq", e.Seq, "err", err)
	}
}

func (k *links) picture(p *status.Snapshot) {
	if k.open != nil {
		k.open.picture(p, k.loop)
	}
}

// states tells how the ways out fare.
func (k *links) states() []status.NotifierHealth {
	if k.open == nil {
		return nil
	}
	s := k.open.out.Status()
	o := status.NotifierHealth{Name: mqttOutlet, Connected: s.Link.Connected && s.Open, LastError: s.Err, Pending: s.Pending, Sent: s.Sent}
	if o.LastError == "" {
		o.LastError = s.Link.Err
	}
	if !s.Oldest.IsNone() {
		o.Oldest = s.Oldest.Time()
	}
	if q, ok := k.queue.Queue.(interface{ Dropped() uint64 }); ok {
		o.Dropped = q.Dropped()
	}
	return []status.NotifierHealth{o}
}

// mqttWay is the connection to a broker and what is published on it.
type mqttWay struct {
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

// publishedPoint and publishedAlarm are what was told last, so that only changes are told.
type publishedPoint struct {
	zone      watch.Zone
	certainty watch.Certainty
	stage     string
	at        instant.Instant
}

type publishedAlarm struct {
	letter     byte
	active     bool
	occurrence string
	by         string
	until      instant.Instant
	repeats    int
	setpoint   float64
}

func newMQTTWay(k *links, m *config.MQTT) (*mqttWay, error) {
	l := k.loop
	topics, err := deliver.NewTopics(m.Root)
	if err != nil {
		return nil, err
	}
	options, err := l.siteBroker(m)
	if err != nil {
		return nil, err
	}
	options.Will, options.Log, options.ClientID = topics.Will(l.id, l.clock.Now), l.options.Log, m.ClientID
	if options.ClientID == "" {
		options.ClientID = mqtt.ClientID(l.site.ID, "outlet")
	}
	link, err := mqtt.New(options)
	if err != nil {
		return nil, err
	}
	out, err := deliver.NewMQTT(deliver.MQTTOptions{
		Site: l.site.ID, Run: l.id, Topics: topics, Link: link, Queue: k.queue, Now: l.clock.Now, Synchronized: l.clock.synchronised,
		AllowCommands: m.AllowCommands, Log: l.options.Log,
		Snapshot: func() deliver.Snapshot {
			p := l.current.Get()
			return deliver.Snapshot{Points: p.Points, Alarms: p.Alarms}
		},
	})
	if err != nil {
		return nil, err
	}
	return &mqttWay{link: link, out: out, points: map[string]publishedPoint{}, alarms: map[string]publishedAlarm{}}, nil
}

// start connects. The link outlives the outlet, so that the goodbye is the last thing the broker hears.
func (w *mqttWay) start(l *loop) {
	outCtx, stopOut := context.WithCancel(context.Background())
	linkCtx, stopLink := context.WithCancel(context.Background())
	w.stopOut, w.stopLink = stopOut, stopLink
	complain := func(what string, err error) {
		if err != nil && !errors.Is(err, context.Canceled) {
			l.options.Log.Error(what, "err", err)
		}
	}
	w.linkDone.Go(func() { complain("the MQTT link has ended", w.link.Run(linkCtx)) })
	w.outDone.Go(func() { complain("the MQTT outlet has ended", w.out.Run(outCtx)) })
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
				case l.commands <- m: // its outcome is told on the events topic
				case <-outCtx.Done():
					return
				}
			case <-outCtx.Done():
				return
			}
		}
	})
}

func (w *mqttWay) stop() {
	if w.stopOut == nil {
		return
	}
	w.stopOut()
	w.outDone.Wait()
	w.stopLink()
	w.linkDone.Wait()
}

// forget makes the next picture be told as if nothing had been.
func (w *mqttWay) forget() {
	clear(w.points)
	clear(w.alarms)
}

// picture publishes what has changed.
func (w *mqttWay) picture(p *status.Snapshot, l *loop) {
	for i := range p.Points {
		s := &p.Points[i]
		name := s.Point.String()
		last, told := w.points[name]
		now := publishedPoint{s.Zone, s.Certainty, s.Stage.String(), s.LastReading}
		due := s.LastReading.Sub(last.at).Abs() >= pointEvery // the clock may have been set back
		if told && last.zone == now.zone && last.certainty == now.certainty && last.stage == now.stage && !due {
			continue
		}
		w.points[name] = now
		if err := w.out.Point(s); err != nil {
			l.options.Log.Warn("a point was not published", "point", name, "err", err)
		}
	}
	for i := range p.Alarms {
		a := &p.Alarms[i]
		now := publishedAlarm{a.Letter, a.Active, a.Occurrence, a.By, a.Until, a.Repeats, a.Setpoint}
		if last, told := w.alarms[a.Name]; told && (last == now || last.setpoint != last.setpoint && sameButSetpoint(last, now)) {
			continue
		}
		w.alarms[a.Name] = now
		if err := w.out.Alarm(a); err != nil {
			l.options.Log.Warn("an alarm was not published", "alarm", a.Name, "err", err)
		}
	}
}

// sameButSetpoint compares two states of an alarm without a limit, whose setpoint is NaN.
func sameButSetpoint(a, b publishedAlarm) bool {
	a.setpoint, b.setpoint = 0, 0
	return a == b
}

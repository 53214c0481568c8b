package deliver

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"dewline/internal/mqtt"
)

// ghostsQuiet is how long the broker may pause before its list of retained messages is taken to be complete.
const ghostsQuiet = 2 * time.Second

// serve works on one connection until it ends: first the status, then points and alarms, then the outbox is let
// through, then whatever changes.
func (m *MQTT) serve(ctx context.Context, s *mqtt.Session) error {
	var sweep sync.WaitGroup
	defer sweep.Wait()
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	for len(m.readings) > 0 { // of an earlier connection
		<-m.readings
		m.lost.Add(1)
	}
	if err := m.publish(ctx, s, []mqtt.Message{m.statusMessage()}); err != nil {
		return err
	}
	if err := m.publish(ctx, s, m.picture()); err != nil {
		return err
	}
	m.setOpen(s)
	if m.known() {
		sweep.Go(func() { m.sweep(ctx, s) })
	}
	status := time.NewTicker(statusEvery)
	defer status.Stop()
	for {
		var messages []mqtt.Message
		select {
		case <-status.C:
			messages = []mqtt.Message{m.statusMessage()}
		case <-m.wake:
			messages = m.takeChanges()
		case <-m.refresh:
			messages = m.picture()
		case r := <-m.readings:
			if _, err := s.Send(ctx, r); err != nil {
				return err
			}
		case <-s.Done():
			return nil
		case <-ctx.Done():
			return m.publishLast(s)
		}
		if err := m.publish(ctx, s, messages); err != nil {
			return err
		}
	}
}

// publishLast publishes what changed just before the end.
func (m *MQTT) publishLast(s *mqtt.Session) error {
	ctx, stop := context.WithTimeout(context.Background(), grace)
	defer stop()
	return m.publish(ctx, s, m.takeChanges())
}

// publish sends messages and waits for all their acknowledgements. A failure ends the connection: on the next one
// everything is published again.
func (m *MQTT) publish(ctx context.Context, s *mqtt.Session, messages []mqtt.Message) error {
	var under []*mqtt.Delivery
	for _, message := range messages {
		d, err := send(ctx, s, message)
		if errors.Is(err, mqtt.ErrTooLarge) {
			m.o.Log.Error("a state cannot be published", "err", err)
			continue
		}
		if err != nil {
			return err
		}
		under = append(under, d)
	}
	for _, d := range under {
		if err := m.await(ctx, d); err != nil {
			return err
		}
	}
	return nil
}

var errNoAcknowledgement = fmt.Errorf("no acknowledgement within %s", AckTimeout)

// send waits for room in the window, but not for ever.
func send(ctx context.Context, s *mqtt.Session, message mqtt.Message) (*mqtt.Delivery, error) {
	ctx, stop := context.WithTimeoutCause(ctx, AckTimeout, errNoAcknowledgement)
	defer stop()
	return s.Send(ctx, message)
}

func (m *MQTT) await(ctx context.Context, d *mqtt.Delivery) error {
	ctx, stop := context.WithTimeoutCause(ctx, AckTimeout, errNoAcknowledgement)
	defer stop()
	return d.Wait(ctx)
}

// known reports whether a picture has been published.
func (m *MQTT) known() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.current) > 0
}

// sweep deletes what the broker still retains of points and alarms that are in no configuration any more, also of one
// that was changed while this program was not running. It looks once per connection.
func (m *MQTT) sweep(ctx context.Context, s *mqtt.Session) {
	for _, ghosts := range m.ghosts {
		for len(ghosts.C) > 0 { // of an earlier look
			<-ghosts.C
		}
		if err := s.Subscribe(ghosts); err != nil {
			select {
			case <-s.Done(): // that is no refusal
				return
			default:
			}
			m.o.Log.Info("the broker does not let us look for outdated topics", "err", err)
			continue
		}
		for _, topic := range m.outdated(ctx, ghosts) {
			m.o.Log.Info("an outdated topic is deleted", "topic", topic)
			m.forget(topic)
		}
		if err := s.Unsubscribe(ghosts); err != nil {
			return
		}
	}
}

// outdated lists retained topics that are not of the current picture.
func (m *MQTT) outdated(ctx context.Context, ghosts *mqtt.Subscription) (topics []string) {
	quiet := time.NewTimer(ghostsQuiet)
	defer quiet.Stop()
	for {
		select {
		case r := <-ghosts.C:
			if !r.Retained { // our own, as they are published
				continue
			}
			quiet.Reset(ghostsQuiet)
			m.mu.Lock()
			known := m.current[r.Topic]
			m.mu.Unlock()
			if len(r.Payload) > 0 && !known {
				topics = append(topics, r.Topic)
			}
		case <-quiet.C:
			return topics
		case <-ctx.Done():
			return nil
		}
	}
}

// carrier lets the outbox through once a connection has been greeted.
func (m *MQTT) carrier() Transport { return carrier{m} }

type carrier struct{ m *MQTT }

func (c carrier) Open(ctx context.Context) (Conn, error) {
	for {
		c.m.mu.Lock()
		open, opened := c.m.open, c.m.opened
		c.m.mu.Unlock()
		if open != nil {
			select {
			case <-open.Done():
			default:
				return passage{open}, nil
			}
		}
		select {
		case <-opened:
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		}
	}
}

type passage struct{ *mqtt.Session }

func (p passage) Send(ctx context.Context, item Item) (Ack, error) {
	d, err := send(ctx, p.Session, mqtt.Message{Topic: item.Topic, Payload: item.Body, QoS: 1})
	switch {
	case errors.Is(err, mqtt.ErrTooLarge):
		return nil, fmt.Errorf("%w: %w", ErrUnsendable, err)
	case err != nil:
		return nil, err
	}
	return d, nil
}

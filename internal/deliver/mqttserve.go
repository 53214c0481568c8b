package deliver

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"dewline/internal/mqtt"
)

// staleQuiet is how long the broker may pause before its list of retained messages counts as complete.
const staleQuiet = 2 * time.Second

// serve publishes on one connection until it ends: first the status, then points and alarms, then the events of the outbox
// and every change.
func (m *MQTT) serve(ctx context.Context, s *mqtt.Session) error {
	var sweep sync.WaitGroup
	defer sweep.Wait()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	for len(m.readings) > 0 { // of an earlier connection
		<-m.readings
	}
	if err := m.publish(ctx, s, []mqtt.Message{m.statusMessage()}); err != nil {
		return err
	}
	if err := m.publish(ctx, s, m.snapshot()); err != nil {
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
			messages = m.snapshot()
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
	ctx, cancel := context.WithTimeout(context.Background(), grace)
	defer cancel()
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
	ctx, cancel := context.WithTimeoutCause(ctx, AckTimeout, errNoAcknowledgement)
	defer cancel()
	return s.Send(ctx, message)
}

func (m *MQTT) await(ctx context.Context, d *mqtt.Delivery) error {
	ctx, cancel := context.WithTimeoutCause(ctx, AckTimeout, errNoAcknowledgement)
	defer cancel()
	return d.Wait(ctx)
}

// known reports whether a snapshot has been published.
func (m *MQTT) known() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.current) > 0
}

// sweep deletes retained messages of points and alarms that are no longer in the configuration, even if it was changed while
// this program was not running. It runs once per connection.
func (m *MQTT) sweep(ctx context.Context, s *mqtt.Session) {
	for _, retained := range m.staleRetained {
		for len(retained.C) > 0 { // of an earlier sweep
			<-retained.C
		}
		if err := s.Subscribe(retained); err != nil {
			select {
			case <-s.Done(): // that is no refusal
				return
			default:
			}
			m.o.Log.Info("the broker refused the search for outdated topics", "err", err)
			continue
		}
		for _, topic := range m.outdated(ctx, retained) {
			m.o.Log.Info("an outdated topic is deleted", "topic", topic)
			m.forget(topic)
		}
		if err := s.Unsubscribe(retained); err != nil {
			return
		}
	}
}

// outdated lists retained topics that are not in the current snapshot.
func (m *MQTT) outdated(ctx context.Context, retained *mqtt.Subscription) (topics []string) {
	quiet := time.NewTimer(staleQuiet)
	defer quiet.Stop()
	for {
		select {
		case r := <-retained.C:
			if !r.Retained { // our own, as they are published
				continue
			}
			quiet.Reset(staleQuiet)
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

// transport opens for the outbox once status and snapshot are published on a connection.
func (m *MQTT) transport() Transport { return transport{m} }

type transport struct{ m *MQTT }

func (c transport) Open(ctx context.Context) (Conn, error) {
	for {
		c.m.mu.Lock()
		open, opened := c.m.open, c.m.opened
		c.m.mu.Unlock()
		if open != nil {
			select {
			case <-open.Done():
			default:
				return conn{open}, nil
			}
		}
		select {
		case <-opened:
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		}
	}
}

type conn struct{ *mqtt.Session }

func (c conn) Send(ctx context.Context, item Item) (Ack, error) {
	d, err := send(ctx, c.Session, mqtt.Message{Topic: item.Topic, Payload: item.Body, QoS: 1})
	switch {
	case errors.Is(err, mqtt.ErrTooLarge):
		return nil, fmt.Errorf("%w: %w", ErrUnsendable, err)
	case err != nil:
		return nil, err
	}
	return d, nil
}

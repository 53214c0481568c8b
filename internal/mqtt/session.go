package mqtt

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// Message is a message to publish. QoS is 0 or 1.
type Message struct {
	Topic    string
	Payload  []byte
	QoS      byte
	Retained bool
}

// Session is one connection to the broker, from the broker's CONNACK to its end. After [Session.Done], [Client.Session] returns
// the next one.
type Session struct {
	client mqtt.Client
	conn   *packetGuard
	lost   <-chan error // the library's reason for the end
	epoch  uint64
	limit  int

	sends  chan *Delivery
	window chan struct{} // one element per message of QoS 1 without its acknowledgement
	ending chan struct{} // closed when the link is being stopped: no more sends but the farewell
	once   sync.Once
}

// Delivery is a message in flight.
type Delivery struct {
	message Message
	done    chan struct{}
	err     error
}

// Done is closed when the fate of the message is known.
func (d *Delivery) Done() <-chan struct{} { return d.done }

// Err returns nil once the broker has acknowledged the message on the connection that carried it (QoS 0: once it was
// written), and an error when that will not happen any more. An error never means "not sent": the broker may have it.
// It is valid after Done.
func (d *Delivery) Err() error { return d.err }

// Wait waits for the fate of the message, or for ctx.
func (d *Delivery) Wait(ctx context.Context) error {
	select {
	case <-d.done:
		return d.err
	case <-ctx.Done():
		return fmt.Errorf("mqtt: publishing on %s: no acknowledgement: %w", d.message.Topic, context.Cause(ctx))
	}
}

// ErrTooLarge is returned for a message larger than [Options].MaxOutgoing.
var ErrTooLarge = errors.New("the message is too large")

// Epoch returns the number of the connection, which is larger than that of every earlier one.
func (s *Session) Epoch() uint64 { return s.epoch }

// Done is closed when the connection has ended.
func (s *Session) Done() <-chan struct{} { return s.conn.done }

func (s *Session) ended() bool {
	select {
	case <-s.conn.done:
		return true
	default:
		return false
	}
}

// Drop ends the connection without a goodbye, as if it had broken: for a peer that takes messages and does not
// acknowledge them. The client connects again.
func (s *Session) Drop(reason error) { s.conn.fail(reason) }

// Publish sends a message and waits until the broker has acknowledged it on this connection, or until ctx or the
// connection ends.
func (s *Session) Publish(ctx context.Context, m Message) error {
	d, err := s.Send(ctx, m)
	if err != nil {
		return err
	}
	return d.Wait(ctx)
}

// Send hands a message over, in the order of the calls, and returns without waiting for the acknowledgement. It waits
// while 32 messages of QoS 1 are unacknowledged, at most until ctx or the connection ends.
func (s *Session) Send(ctx context.Context, m Message) (*Delivery, error) {
	select {
	case <-s.ending:
		return nil, ErrNotConnected
	default:
	}
	return s.send(ctx, m)
}

func (s *Session) send(ctx context.Context, m Message) (*Delivery, error) {
	if err := CheckTopic(m.Topic); err != nil {
		return nil, err
	}
	switch {
	case m.QoS > 1:
		return nil, errors.New("mqtt: QoS 2 buys nothing when messages carry an id; use 0 or 1")
	case len(m.Payload) > s.limit:
		return nil, fmt.Errorf("mqtt: %w: %d bytes on %s, the limit is %d", ErrTooLarge, len(m.Payload), m.Topic, s.limit)
	}
	d := &Delivery{message: m, done: make(chan struct{})}
	if m.QoS > 0 {
		select {
		case s.window <- struct{}{}:
		case <-s.Done():
			return nil, ErrNotConnected
		case <-ctx.Done():
			return nil, fmt.Errorf("mqtt: publishing on %s: %w", m.Topic, context.Cause(ctx))
		}
	}
	select {
	case s.sends <- d:
		return d, nil
	case <-s.Done():
		s.release(m)
		return nil, ErrNotConnected
	case <-ctx.Done():
		s.release(m)
		return nil, fmt.Errorf("mqtt: publishing on %s: %w", m.Topic, context.Cause(ctx))
	}
}

func (s *Session) release(m Message) {
	if m.QoS > 0 {
		<-s.window
	}
}

// sendLoop is the only caller of the library's Publish, which may block for as long as the write timeout. The callers of
// Send wait for it, but never longer than their context allows.
func (s *Session) sendLoop() {
	var tokens sync.WaitGroup
	defer tokens.Wait()
	for {
		select {
		case d := <-s.sends:
			token := s.client.Publish(d.message.Topic, d.message.QoS, d.message.Retained, d.message.Payload)
			tokens.Go(func() { s.settle(d, token) })
		case <-s.Done():
			return
		}
	}
}

// settle finds out what became of a message.
func (s *Session) settle(d *Delivery, token mqtt.Token) {
	defer s.release(d.message)
	defer close(d.done)
	select {
	case <-token.Done():
	default:
		select {
		case <-token.Done():
		case <-s.Done():
			d.err = fmt.Errorf("mqtt: publishing on %s: %w before the acknowledgement", d.message.Topic, ErrNotConnected)
			return
		}
	}
	// The client belongs to this connection alone and keeps nothing of an earlier one, so a token without an error is an
	// acknowledgement that came over it.
	if err := token.Error(); err != nil {
		d.err = fmt.Errorf("mqtt: publishing on %s: %w", d.message.Topic, err)
	}
}

// Subscribe subscribes to a filter on this connection only; messages go to the channel made with [Client.Route].
func (s *Session) Subscribe(subscription *Subscription) error {
	return s.subscribe(subscription.Filter, subscription.QoS)
}

// Unsubscribe ends a subscription of [Session.Subscribe].
func (s *Session) Unsubscribe(subscription *Subscription) error {
	return s.await(s.client.Unsubscribe(subscription.Filter), "unsubscribing from "+subscription.Filter)
}

// goodbye publishes the farewell as the last message of the connection.
func (s *Session) goodbye(will *Will) {
	s.once.Do(func() { close(s.ending) })
	if will == nil {
		return
	}
	payload := will.Payload
	if will.Farewell != nil {
		payload = will.Farewell()
	}
	ctx, cancel := context.WithTimeout(context.Background(), goodbyeTime)
	defer cancel()
	d, err := s.send(ctx, Message{Topic: will.Topic, Payload: payload, QoS: 1, Retained: true})
	if err == nil {
		err = d.Wait(ctx)
	}
	if err != nil {
		// A peer that does not take the farewell must not get a DISCONNECT either: that would cancel the will.
		s.conn.fail(err)
	}
}

// disconnect ends the connection, in good order where it is still up, and waits until the library has let go of it.
func (s *Session) disconnect() {
	s.client.Disconnect(uint(goodbyeTime / time.Millisecond))
	s.conn.fail(ErrNotConnected)
}

// reason returns why the connection ended. The library reports it a moment after the end, since it first stops its own goroutines.
func (s *Session) reason() error {
	if err := s.conn.reason(); err != nil {
		return err
	}
	timer := time.NewTimer(time.Second)
	defer timer.Stop()
	select {
	case err := <-s.lost:
		return err
	case <-timer.C:
		return errors.New("the connection ended")
	}
}

package mqtt

import (
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// Received is a message that arrived.
type Received struct {
	Topic   string
	Payload []byte
	// Retained means that the broker had retained it: it describes the time at which it was published, not the present.
	Retained bool
	// Duplicate means that it may be a repeat (QoS 1 repeats).
	Duplicate bool
	At        time.Time // of arrival
}

// Subscription receives what matches its filter. The link subscribes again on every connect.
type Subscription struct {
	Filter string
	QoS    byte
	// C receives the messages in the order of their arrival. When they are not taken and it is full, newer ones are
	// dropped and counted: the reader of the connection never waits.
	C <-chan Received

	queue   chan Received
	dropped atomic.Uint64
	manual  bool
}

// Dropped returns how many messages found C full.
func (s *Subscription) Dropped() uint64 { return s.dropped.Load() }

// Subscribe subscribes to a filter, now and after every reconnect, with a channel of the given capacity. With QoS 1 the broker
// queues messages while there is no connection; use 0 for what is worthless later.
func (l *Client) Subscribe(filter string, qos byte, capacity int) (*Subscription, error) {
	return l.addSubscription(filter, qos, capacity, false)
}

// Route makes a subscription for [Session.Subscribe]: it is not subscribed on connect.
func (l *Client) Route(filter string, qos byte, capacity int) (*Subscription, error) {
	return l.addSubscription(filter, qos, capacity, true)
}

func (l *Client) addSubscription(filter string, qos byte, capacity int, manual bool) (*Subscription, error) {
	if err := CheckFilter(filter); err != nil {
		return nil, err
	}
	if qos > 1 {
		return nil, errors.New("mqtt: QoS 2 buys nothing when messages carry an id; use 0 or 1")
	}
	s := &Subscription{Filter: filter, QoS: qos, queue: make(chan Received, max(1, capacity)), manual: manual}
	s.C = s.queue
	l.mu.Lock()
	l.subscriptions = append(l.subscriptions, s)
	if strings.ContainsAny(filter, "+#") {
		l.wild = append(l.wild, s)
	} else { // a site may have a thousand topics: they are not compared one by one with each message
		l.exact[filter] = append(l.exact[filter], s)
	}
	l.mu.Unlock()
	select {
	case l.more <- struct{}{}:
	default:
	}
	return s, nil
}

// receive is the library's handler. It must neither wait nor publish: both would stop the reading of acknowledgements.
func (l *Client) receive(_ mqtt.Client, m mqtt.Message) {
	r := Received{
		Topic: m.Topic(), Payload: m.Payload(), Retained: m.Retained(), Duplicate: m.Duplicate(), At: time.Now(),
	}
	routed := false
	l.mu.Lock()
	exact, wild := l.exact[r.Topic], l.wild
	l.mu.Unlock()
	for _, s := range exact {
		routed = true
		l.deliver(s, r)
	}
	for _, s := range wild {
		if Match(s.Filter, r.Topic) {
			routed = true
			l.deliver(s, r)
		}
	}
	if !routed {
		// A session stored at the broker may hold subscriptions of an earlier configuration. Returning acknowledges the message;
		// otherwise the broker's window would fill with useless messages.
		l.mu.Lock()
		l.unrouted++
		first := l.unrouted == 1
		l.mu.Unlock()
		if first {
			l.log.Info("a message came that nothing here subscribes to; it is ignored", "topic", r.Topic)
		}
	}
}

// deliver puts a message into the channel of a subscription, where there is room.
func (l *Client) deliver(s *Subscription, r Received) {
	select {
	case s.queue <- r:
	default:
		if s.dropped.Add(1) == 1 {
			l.log.Warn("messages arrive faster than they are taken, some are dropped", "filter", s.Filter)
		}
	}
}

// resubscribe subscribes to everything again, since the broker may have lost the session, and then to what is added while the
// connection lasts.
func (l *Client) resubscribe(s *Session) {
	asked := 0
	for {
		l.mu.Lock()
		subscriptions := l.subscriptions
		l.mu.Unlock()
		for _, subscription := range subscriptions[asked:] {
			asked++
			if subscription.manual {
				continue
			}
			if err := s.Subscribe(subscription); err != nil && !s.ended() {
				l.noteRefusal(err)
			}
		}
		select {
		case <-l.more:
		case <-s.Done():
			return
		}
	}
}

// subscribe asks for one filter and waits for the answer, at most as long as a connect may take.
func (s *Session) subscribe(filter string, qos byte) error {
	token := s.client.Subscribe(filter, qos, nil)
	if err := s.await(token, "subscribing to "+filter); err != nil {
		return err
	}
	// 0x80 is the refusal of MQTT 3.1.1 (section 3.9.3).
	granted, answered := token.(*mqtt.SubscribeToken).Result()[filter]
	if !answered || granted > 2 {
		return fmt.Errorf("mqtt: subscribing to %s: the broker refuses it; look at its access rules", filter)
	}
	return nil
}

// await waits for a token of this connection.
func (s *Session) await(token mqtt.Token, doing string) error {
	timer := time.NewTimer(connectTimeout)
	defer timer.Stop()
	select {
	case <-token.Done():
		if err := token.Error(); err != nil {
			return fmt.Errorf("mqtt: %s: %w", doing, err)
		}
		return nil
	case <-s.Done():
		return fmt.Errorf("mqtt: %s: %w", doing, ErrNotConnected)
	case <-timer.C:
		return fmt.Errorf("mqtt: %s: no answer within %s", doing, connectTimeout)
	}
}

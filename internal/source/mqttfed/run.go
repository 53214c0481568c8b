package mqttfed

import (
	"context"
	"fmt"
	"sync"
	"time"

	"dewline/internal/core/intake"
	"dewline/internal/mqtt"
)

// Link is the connection to the broker: an [mqtt.Client], which its owner runs.
type Link interface {
	Subscribe(filter string, qos byte, capacity int) (*mqtt.Subscription, error)
}

// room is how many messages of a topic may wait; sensors send a few a minute.
const room = 64

// Run subscribes to the topics of the feed and delivers samples, those of silent sources too, until ctx ends; it returns nil
// then. deliver is called by one goroutine, and must not wait for ever once ctx has ended.
//
// Subscriptions have QoS 0, so that the broker queues no messages while there is no connection: they would arrive as if they were
// new. A link cannot cancel subscriptions, so one Run needs a link of its own.
func (f *Feed) Run(ctx context.Context, link Link, deliver func(intake.Sample)) error {
	ctx, cancel := context.WithCancel(ctx)
	var pumps sync.WaitGroup
	defer pumps.Wait()
	defer cancel()
	arrivals := make(chan mqtt.Received)
	for _, topic := range f.topics {
		subscription, err := link.Subscribe(topic, 0, room)
		if err != nil {
			return fmt.Errorf("sensors over MQTT: %w", err)
		}
		pumps.Go(func() {
			for {
				select {
				case m := <-subscription.C:
					select {
					case arrivals <- m:
					case <-ctx.Done():
						return
					}
				case <-ctx.Done():
					return
				}
			}
		})
	}
	look := time.NewTicker(f.options.Look)
	defer look.Stop()
	f.Silent(f.options.Now())
	for {
		var samples []intake.Sample
		select {
		case m := <-arrivals:
			m.At = f.options.Now()
			samples = f.Take(m)
		case <-look.C:
			samples = f.Silent(f.options.Now())
		case <-ctx.Done():
			return nil
		}
		for _, s := range samples {
			deliver(s)
		}
	}
}

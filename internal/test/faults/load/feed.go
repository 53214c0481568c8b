package main

import (
	"context"
	"math/rand/v2"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// feeder publishes the readings of all nodes, each at its own phase, by one goroutine.
type feeder struct {
	client mqtt.Client
	nodes  []*node
	every  time.Duration // by the machine's clock
	now    func() time.Time
	watch  *alarmWatch // nil while no alarms are provoked
	hot    time.Duration
	chance float64 // that a message begins an alarm

	sent atomic.Int64 // readings
	late time.Duration
}

// run publishes until ctx ends. A node whose turn has passed already is published at once: nothing is left out.
func (f *feeder) run(ctx context.Context) error {
	start := time.Now()
	for round := 0; ; round++ {
		for _, n := range f.nodes {
			due := start.Add(time.Duration(round)*f.every + n.phase)
			if wait := time.Until(due); wait > 0 {
				select {
				case <-time.After(wait):
				case <-ctx.Done():
					return nil
				}
			} else {
				f.late = max(f.late, -wait)
			}
			if ctx.Err() != nil {
				return nil
			}
			if err := f.publish(n); err != nil {
				return err
			}
		}
	}
}

func (f *feeder) publish(n *node) error {
	now := time.Now()
	alarm := n.point() + "/high"
	begins := false
	switch {
	case f.watch == nil:
	case n.hot && now.After(n.hotUntil):
		n.hot = false
		f.watch.settle(alarm)
	case !n.hot && now.After(n.hotUntil.Add(f.hot)) && rand.Float64() < f.chance:
		n.hot, n.hotUntil, begins = true, now.Add(f.hot), true
	}
	payload := n.message(f.now())
	if begins {
		f.watch.provoke(alarm, time.Now())
	}
	token := f.client.Publish(n.topic, 0, false, payload)
	if token.WaitTimeout(10*time.Second) && token.Error() == nil {
		f.sent.Add(int64(n.readings()))
		return nil
	}
	return token.Error()
}

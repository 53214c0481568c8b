package deliver

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/watch"
	"dewline/internal/mqtt"
	"dewline/internal/test/fakebroker"
	"dewline/internal/test/memoryqueue"
)

// A first connection has its time as long as no try has failed; a broker that is away, or that does not answer, is known soon.
func TestFirstConnectionHasItsTime(t *testing.T) {
	never := func(fakebroker.Publish) bool { return false }
	var hurry atomic.Bool // the slow broker comes to its end
	slowly := func(fakebroker.Publish) bool {
		if !hurry.Load() {
			time.Sleep(3 * time.Second)
		}
		return true
	}
	refused := func(context.Context) (net.Conn, error) { return nil, errors.New("connection refused") }
	for name, c := range map[string]struct {
		broker  *fakebroker.Broker
		dial    func(context.Context) (net.Conn, error)
		opening []time.Duration // after its start
		err     []time.Duration
		open    bool // after all that
	}{
		"a broker that is there":               {broker: &fakebroker.Broker{}, opening: []time.Duration{0}, open: true},
		"one that is away":                     {dial: refused, err: []time.Duration{time.Millisecond, 10 * time.Second}},
		"one that does not answer":             {broker: &fakebroker.Broker{NoConnack: true}, opening: []time.Duration{0, 9 * time.Second}, err: []time.Duration{11 * time.Second}},
		"one that acknowledges nothing":        {broker: &fakebroker.Broker{Acknowledge: never}, opening: []time.Duration{0, 19 * time.Second}, err: []time.Duration{21 * time.Second}},
		"one that takes long for each message": {broker: &fakebroker.Broker{Acknowledge: slowly}, opening: []time.Duration{0, FirstTime - time.Second}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				if c.dial == nil {
					c.dial = func(context.Context) (net.Conn, error) { return c.broker.Dial(), nil }
				}
				var points []watch.PointState // as many as a slow broker takes more than a minute for
				for i := range 40 {
					s := exampleState()
					s.Point.Place = fmt.Sprintf("tub-%d", i)
					points = append(points, s)
				}
				topics := northLoft(t)
				link, err := mqtt.New(mqtt.Options{
					Broker: "mqtt://broker.invalid", ClientID: "dewline-north-loft", Will: topics.Will("7f3a", time.Now),
					Random: func() float64 { return 1 }, Dial: c.dial,
				})
				require.NoError(t, err)
				m, err := NewMQTT(MQTTOptions{
					Site: "north-loft", Run: "7f3a", Topics: topics, Link: link, Queue: memoryqueue.New(0, 0, 0),
					Snapshot: func() Snapshot { return Snapshot{Points: points} }, Random: func() float64 { return 1 },
				})
				require.NoError(t, err)
				hurry.Store(false)
				began := time.Now()
				at := func(after time.Duration) MQTTStatus {
					time.Sleep(time.Until(began.Add(after)))
					synctest.Wait()
					return m.Status()
				}
				assert.True(t, m.Status().Opening, "before the first try")
				defer time.Sleep(time.Minute) // what the broker still does ends
				defer background(t, link.Run)()
				defer background(t, m.Run)()
				for _, after := range c.opening {
					s := at(after)
					assert.True(t, s.Opening != s.Open, "after %s: %+v", after, s)
					assert.Empty(t, s.Err, "after %s", after)
				}
				for _, after := range c.err {
					s := at(after)
					assert.False(t, s.Opening, "after %s", after)
					assert.NotEmpty(t, s.Err, "after %s", after)
				}
				s := at(FirstTime)
				hurry.Store(true)
				assert.False(t, s.Opening)
				assert.Equal(t, c.open, s.Open)
				if c.open { // what comes after the first connection is no first time
					c.broker.Cut()
					synctest.Wait()
					s := m.Status()
					assert.False(t, s.Open || s.Opening)
					assert.True(t, strings.Contains(s.Err, "connection lost"), s.Err)
				}
			})
		})
	}
}

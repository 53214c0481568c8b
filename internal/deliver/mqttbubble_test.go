package deliver

import (
	"context"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/mqtt"
	"dewline/internal/test/delivertest"
	"dewline/internal/test/fakebroker"
	"dewline/internal/test/memoryqueue"
)

// bubble runs an MQTT notifier on a fake clock against a broker that misbehaves.
func bubble(t *testing.T, broker *fakebroker.Broker, test func(t *testing.T, m *MQTT)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		topics := northLoft(t)
		link, err := mqtt.New(mqtt.Options{
			Broker: "mqtt://broker.invalid", ClientID: "dewline-north-loft", Will: topics.Will("7f3a", time.Now),
			Random: func() float64 { return 1 },
			Dial:   func(context.Context) (net.Conn, error) { return broker.Dial(), nil },
		})
		require.NoError(t, err)
		m, err := NewMQTT(MQTTOptions{
			Site: "north-loft", Run: "7f3a", Topics: topics, Link: link, Queue: memoryqueue.New(0, 0, 0),
			Snapshot: func() Snapshot { return *exampleSnapshot() }, Random: func() float64 { return 1 },
		})
		require.NoError(t, err)
		stopLink := background(t, link.Run)
		stopOutlet := background(t, m.Run)
		test(t, m)
		stopOutlet()
		stopLink()
	})
}

func countOf(broker *fakebroker.Broker, topic string) (n int) {
	for _, m := range broker.Publishes() {
		if strings.HasSuffix(m.Topic, topic) {
			n++
		}
	}
	return n
}

// TestStatusEachMinute: the status is published each minute, so that a subscriber recognises a dead board by its silence.
func TestStatusEachMinute_RuleStatus(t *testing.T) {
	broker := &fakebroker.Broker{}
	bubble(t, broker, func(t *testing.T, m *MQTT) {
		time.Sleep(10*time.Minute + time.Second)
		synctest.Wait()
		assert.Equal(t, 11, countOf(broker, "/status"))
		for _, p := range broker.Publishes() {
			if strings.HasSuffix(p.Topic, "/status") {
				assert.True(t, p.Retained)
				assert.Equal(t, byte(1), p.QoS)
			}
		}
	})
}

// TestABrokerThatNeverAcknowledges: it is left after 20 s and asked again; the producer notices nothing, and nothing is
// lost.
func TestABrokerThatNeverAcknowledges(t *testing.T) {
	broker := &fakebroker.Broker{Acknowledge: func(fakebroker.Publish) bool { return false }}
	bubble(t, broker, func(t *testing.T, m *MQTT) {
		began := time.Now()
		for n := range 1000 {
			delivertest.Send(t, m, entry(n+1))
			s := exampleState()
			require.NoError(t, m.Point(&s))
			require.NoError(t, m.Reading(ReadingMessage{Point: water, Value: 20, At: s.LastReading}))
		}
		assert.Zero(t, time.Since(began), "the producer never waits")
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		connects := len(broker.Connects())
		assert.Greater(t, connects, 5)
		assert.Less(t, connects, 25, "the waiting times grow")
		status := m.Status()
		assert.Equal(t, 1000, status.Pending)
		assert.NotEmpty(t, status.Err)
		assert.Zero(t, countOf(broker, "/events"), "the status comes first, and it was not acknowledged")
	})
}

// TestEventsWithoutAcknowledgement: a broker that acknowledges states only leaves the outbox full and the states current.
func TestEventsWithoutAcknowledgement(t *testing.T) {
	broker := &fakebroker.Broker{Acknowledge: func(p fakebroker.Publish) bool { return !strings.HasSuffix(p.Topic, "/events") }}
	bubble(t, broker, func(t *testing.T, m *MQTT) {
		for n := range 100 {
			delivertest.Send(t, m, entry(n+1))
		}
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		status := m.Status()
		assert.Equal(t, 100, status.Pending)
		assert.Equal(t, entry(1).At, status.Oldest)
		assert.Contains(t, status.Err, "7f3a-1")
		perConnection := map[int]int{}
		for _, p := range broker.Publishes() {
			if strings.HasSuffix(p.Topic, "/events") {
				perConnection[p.Connection]++
				assert.False(t, p.Retained)
			}
		}
		for _, n := range perConnection {
			assert.LessOrEqual(t, n, Window)
		}
		assert.Greater(t, len(perConnection), 3)
	})
}

// TestStatesAreNotQueued: while there is no connection only the newest state of a topic is kept.
func TestStatesAreNotQueued(t *testing.T) {
	broker := &fakebroker.Broker{}
	bubble(t, broker, func(t *testing.T, m *MQTT) {
		time.Sleep(5 * time.Second)
		broker.Cut()
		synctest.Wait()
		for n := range 1000 {
			s := exampleState()
			s.Value = float64(n)
			require.NoError(t, m.Point(&s))
		}
		m.mu.Lock()
		assert.Len(t, m.changes, 1)
		m.mu.Unlock()
		time.Sleep(10 * time.Second)
		synctest.Wait()
		assert.Equal(t, 2, countOf(broker, "/points/tub-1/water-temperature"), "the snapshot of each connect")
	})
}

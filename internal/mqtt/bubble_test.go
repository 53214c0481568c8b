package mqtt

import (
	"context"
	"errors"
	"fmt"
	"net"
	"runtime"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/test/fakebroker"
)

// The tests of this file run on a fake clock against a broker at the other end of net.Pipe. They go through the traps
// of the MQTT library (paho.mqtt.golang v1.5.1) one by one; each names its trap.

// started is a link in a bubble, running until the test's function returns.
type started struct {
	*Client
	broker *fakebroker.Broker
	stop   context.CancelFunc
	ended  chan error
	dials  *atomic.Int32
}

// inBubble runs a test with a running link. Dialling fails as often as fails says.
func inBubble(t *testing.T, broker *fakebroker.Broker, fails int32, change func(*Options), test func(t *testing.T, l *started)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		l := &started{broker: broker, ended: make(chan error, 1), dials: new(atomic.Int32)}
		o := Options{
			Broker: "mqtt://broker.invalid", ClientID: ClientID("north-loft", "outlet"),
			Random: func() float64 { return 1 }, // the longest waiting times: 1, 2, 4 … 60 s
			Dial: func(context.Context) (net.Conn, error) {
				if l.dials.Add(1) <= fails {
					return nil, errors.New("connection refused")
				}
				return broker.Dial(), nil
			},
		}
		if change != nil {
			change(&o)
		}
		var err error
		l.Client, err = New(o)
		require.NoError(t, err)
		ctx, cancel := context.WithCancel(t.Context())
		l.stop = cancel
		go func() { l.ended <- l.Run(ctx) }()
		defer func() {
			cancel()
			require.NoError(t, <-l.ended)
		}()
		test(t, l)
	})
}

// connected waits for a session, at most an hour of fake time.
func (l *started) connected(t *testing.T) *Session {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
	defer cancel()
	s, err := l.Session(ctx)
	require.NoError(t, err)
	return s
}

func event(n int) Message {
	return Message{Topic: "dewline/north-loft/events", QoS: 1, Payload: fmt.Append(nil, n)}
}

func TestFirstConnectIsTriedAgain_RowAutoReconnectIsNotConnectRetry(t *testing.T) {
	inBubble(t, &fakebroker.Broker{}, 8, nil, func(t *testing.T, l *started) {
		began := time.Now()
		s := l.connected(t)
		assert.Equal(t, uint64(1), s.Epoch())
		// 1 2 4 8 16 32, then a minute each, with the library's help only for the handshake.
		assert.Equal(t, (1+2+4+8+16+32+60+60)*time.Second, time.Since(began))
		assert.True(t, l.Status().Connected)
		assert.Empty(t, l.Status().Err)

		l.broker.Cut() // and a connection that is lost comes back too
		<-s.Done()
		again := l.connected(t)
		assert.Equal(t, uint64(2), again.Epoch())
	})
}

func TestStatusSaysWhyThereIsNoConnection(t *testing.T) {
	inBubble(t, &fakebroker.Broker{}, 3, nil, func(t *testing.T, l *started) {
		time.Sleep(1500 * time.Millisecond)
		synctest.Wait()
		status := l.Status()
		assert.False(t, status.Connected)
		assert.Equal(t, 2, status.Tries)
		assert.Equal(t, "mqtt: connecting: connection refused", status.Err)
		assert.Equal(t, "mqtt://broker.invalid:1883", status.Broker)
	})
}

func TestAWrongPasswordIsExplained(t *testing.T) {
	change := func(o *Options) {
		o.Credentials = func() (string, string, error) { return "keeper", "secret-frog", nil }
	}
	inBubble(t, &fakebroker.Broker{Refuse: 4}, 0, change, func(t *testing.T, l *started) {
		synctest.Wait()
		status := l.Status()
		assert.Contains(t, status.Err, "password")
		assert.NotContains(t, status.Err, "secret-frog")
		assert.Equal(t, "secret-frog", l.broker.Connects()[0].Password)
	})
}

func TestConnectPacket_RowsCleanSessionAndClientIDAndWill(t *testing.T) {
	will := &Will{Topic: "dewline/north-loft/status", Payload: []byte(`{"state":"offline"}`)}
	inBubble(t, &fakebroker.Broker{}, 0, func(o *Options) { o.Will = will }, func(t *testing.T, l *started) {
		s := l.connected(t)
		l.broker.Cut()
		<-s.Done()
		l.connected(t)
		connects := l.broker.Connects()
		require.Len(t, connects, 2)
		assert.Equal(t, connects[0], connects[1], "the client id is fixed")
		assert.Equal(t, fakebroker.Connect{
			ClientID: "dewline-north-loft-outlet", CleanSession: false, KeepAliveSeconds: 15, ProtocolVersion: 4,
			WillTopic: "dewline/north-loft/status", Will: `{"state":"offline"}`, WillQoS: 1, WillRetained: true,
		}, connects[0])
	})
}

func TestPublishReturnsAfterTheAcknowledgement(t *testing.T) {
	inBubble(t, &fakebroker.Broker{}, 0, nil, func(t *testing.T, l *started) {
		s := l.connected(t)
		for n := range 100 {
			require.NoError(t, s.Publish(t.Context(), event(n)))
		}
		got := l.broker.Publishes()
		require.Len(t, got, 100)
		for n, m := range got {
			assert.Equal(t, fakebroker.Publish{Connection: 1, Topic: "dewline/north-loft/events", Payload: fmt.Sprint(n), QoS: 1}, m)
		}
	})
}

// TestNoWaitInsideAHandler: a burst of commands arrives while answers are being published. In a handler that waits, the
// library stalls (2 of 5 in the measurement); here the taker waits and the handler does not.
func TestNoWaitInsideAHandler_RowPublishWaitInsideAHandler(t *testing.T) {
	inBubble(t, &fakebroker.Broker{}, 0, nil, func(t *testing.T, l *started) {
		commands, err := l.Subscribe("dewline/north-loft/command/+", 1, 16)
		require.NoError(t, err)
		s := l.connected(t)
		synctest.Wait()
		began := time.Now()
		for n := range 5 {
			require.NoError(t, l.broker.Deliver(fakebroker.Publish{Topic: "dewline/north-loft/command/note", Payload: fmt.Sprint(n), QoS: 1}))
		}
		for n := range 5 {
			m := <-commands.C
			assert.Equal(t, fmt.Sprint(n), string(m.Payload), "in order")
			require.NoError(t, s.Publish(t.Context(), event(n)))
		}
		assert.Zero(t, time.Since(began), "nothing stalled")
		synctest.Wait()
		assert.Equal(t, 5, l.broker.Pubacks())
	})
}

func TestNothingWaitsWithoutABound_RowWaitWithoutLimit(t *testing.T) {
	t.Run("no broker", func(t *testing.T) {
		inBubble(t, &fakebroker.Broker{}, 1<<30, nil, func(t *testing.T, l *started) {
			ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
			defer cancel()
			_, err := l.Session(ctx)
			require.ErrorIs(t, err, ErrNotConnected)
			require.ErrorIs(t, err, context.DeadlineExceeded)
		})
	})
	t.Run("no acknowledgement", func(t *testing.T) {
		never := func(fakebroker.Publish) bool { return false }
		inBubble(t, &fakebroker.Broker{Acknowledge: never}, 0, nil, func(t *testing.T, l *started) {
			s := l.connected(t)
			ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
			defer cancel()
			require.ErrorIs(t, s.Publish(ctx, event(1)), context.DeadlineExceeded)
		})
	})
}

func TestAStalledPeer_RowPublishItselfBlocks(t *testing.T) {
	var end chan struct{}
	broker := &fakebroker.Broker{}
	stall := func(*Options) {
		end = make(chan struct{}) // made inside the bubble, otherwise its clock would not advance
		broker.Stall = end
	}
	inBubble(t, broker, 0, stall, func(t *testing.T, l *started) {
		s := l.connected(t)
		began := time.Now()
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		require.ErrorIs(t, s.Publish(ctx, event(1)), context.DeadlineExceeded)
		assert.Equal(t, time.Second, time.Since(began), "the caller waits as long as it wants, not 30 s")
		<-s.Done()
		assert.LessOrEqual(t, time.Since(began), writeTimeout+connectTimeout, "the write is given up and the connection with it")
		l.stop()
		close(end)
	})
}

func TestReadingsAreRefusedWhileAway_RowQoS0WhileReconnecting(t *testing.T) {
	inBubble(t, &fakebroker.Broker{}, 0, nil, func(t *testing.T, l *started) {
		s := l.connected(t)
		l.broker.Cut()
		<-s.Done()
		synctest.Wait()
		reading := Message{Topic: "dewline/north-loft/readings/tub-1/water-temperature", Payload: []byte("[]")}
		require.ErrorIs(t, s.Publish(t.Context(), reading), ErrNotConnected, "the library would say nil and forget it")
	})
}

// TestADeadConnectionDeliversNothing: the library may complete the tokens of a lost connection without an error, and
// sends its messages again on the next one, after newer ones. Here they fail, and only the outbox sends them again.
func TestADeadConnectionDeliversNothing_RowsLostConnectionCompletesTokensAndDefaultMemoryStore(t *testing.T) {
	onFirst := func(m fakebroker.Publish) bool { return m.Connection > 1 }
	inBubble(t, &fakebroker.Broker{Acknowledge: onFirst}, 0, nil, func(t *testing.T, l *started) {
		s := l.connected(t)
		var under []*Delivery
		for n := range 10 {
			d, err := s.Send(t.Context(), event(n))
			require.NoError(t, err)
			under = append(under, d)
		}
		synctest.Wait()
		l.broker.Cut()
		for _, d := range under {
			<-d.Done()
			require.ErrorIs(t, d.Err(), ErrNotConnected)
		}
		again := l.connected(t)
		require.NoError(t, again.Publish(t.Context(), event(99)))
		var second []string
		for _, m := range l.broker.Publishes() {
			assert.False(t, m.Duplicate)
			if m.Connection == 2 {
				second = append(second, m.Payload)
			}
		}
		assert.Equal(t, []string{"99"}, second)
		require.ErrorIs(t, s.Publish(t.Context(), event(1)), ErrNotConnected, "a session never comes back")
	})
}

func TestSubscriptionsAreRenewed_RowSubscriptionsAfterReconnect(t *testing.T) {
	inBubble(t, &fakebroker.Broker{}, 0, nil, func(t *testing.T, l *started) {
		_, err := l.Subscribe("a/+", 1, 1)
		require.NoError(t, err)
		s := l.connected(t)
		synctest.Wait()
		_, err = l.Subscribe("b/#", 0, 1) // while connected
		require.NoError(t, err)
		_, err = l.Route("c", 0, 1) // never by itself
		require.NoError(t, err)
		synctest.Wait()
		assert.Equal(t, []string{"a/+", "b/#"}, l.broker.Subscribes())
		l.broker.Cut()
		<-s.Done()
		l.connected(t)
		synctest.Wait()
		assert.Equal(t, []string{"a/+", "b/#", "a/+", "b/#"}, l.broker.Subscribes())
	})
}

func TestARefusedSubscriptionIsReported(t *testing.T) {
	refuse := func([]string) []byte { return []byte{0x80} }
	inBubble(t, &fakebroker.Broker{Suback: refuse}, 0, nil, func(t *testing.T, l *started) {
		_, err := l.Subscribe("a/+", 1, 1)
		require.NoError(t, err)
		l.connected(t)
		synctest.Wait()
		assert.True(t, l.Status().Connected)
		assert.Contains(t, l.Status().Err, "access rules")
	})
}

// TestQueuedMessagesComeBeforeTheSubscription: the broker kept a session and sends what it queued at once. Without a
// handler the library would not acknowledge, and the broker's window would fill.
func TestQueuedMessagesComeBeforeTheSubscription_RowQueuedMessagesBeforeSubscribe(t *testing.T) {
	deliver := func(write func([]byte)) {
		// PUBLISH, QoS 1, topic "a/b", packet id 9, payload "x" (MQTT 3.1.1 section 3.3)
		write([]byte{0x32, 8, 0, 3, 'a', '/', 'b', 0, 9, 'x'})
		write([]byte{0x32, 8, 0, 3, 'z', '/', 'z', 0, 10, 'x'}) // of an earlier configuration
	}
	broker := &fakebroker.Broker{OnConnack: func(write func([]byte)) { go deliver(write) }}
	synctest.Test(t, func(t *testing.T) {
		l, err := New(Options{
			Broker: "mqtt://broker.invalid", ClientID: "x",
			Dial: func(context.Context) (net.Conn, error) { return broker.Dial(), nil },
		})
		require.NoError(t, err)
		s, err := l.Subscribe("a/+", 1, 1)
		require.NoError(t, err)
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- l.Run(ctx) }()
		m := <-s.C
		assert.Equal(t, "a/b", m.Topic)
		synctest.Wait()
		assert.Equal(t, 2, broker.Pubacks(), "also of what nobody wants")
		assert.Equal(t, uint64(1), l.unrouted)
		cancel()
		require.NoError(t, <-ended)
	})
}

// TestAFullChannelDropsAndCounts: a handler that waited would lose its acknowledgement at the next reconnect.
func TestAFullChannelDropsAndCounts_RowHandlerFinishesAfterReconnect(t *testing.T) {
	inBubble(t, &fakebroker.Broker{}, 0, nil, func(t *testing.T, l *started) {
		s, err := l.Subscribe("a", 1, 2)
		require.NoError(t, err)
		session := l.connected(t)
		synctest.Wait()
		for n := range 5 {
			require.NoError(t, l.broker.Deliver(fakebroker.Publish{Topic: "a", Payload: fmt.Sprint(n), QoS: 1}))
		}
		synctest.Wait()
		assert.Equal(t, 5, l.broker.Pubacks(), "nobody waits for the taker")
		assert.Equal(t, uint64(3), l.Status().Dropped)
		assert.Equal(t, "0", string((<-s.C).Payload))
		assert.Equal(t, "1", string((<-s.C).Payload))
		require.NoError(t, session.Publish(t.Context(), event(1)), "and acknowledgements go on")
	})
}

func TestASilentPeerIsNoticed_RowSilentPeer(t *testing.T) {
	inBubble(t, &fakebroker.Broker{NoPong: true}, 0, nil, func(t *testing.T, l *started) {
		s := l.connected(t)
		began := time.Now()
		<-s.Done()
		assert.LessOrEqual(t, time.Since(began), 25*time.Second)
		time.Sleep(100 * time.Millisecond)
		assert.Contains(t, l.Status().Err, "pingresp")
	})
}

func TestNoConnack_RowNoConnack(t *testing.T) {
	inBubble(t, &fakebroker.Broker{NoConnack: true}, 0, nil, func(t *testing.T, l *started) {
		time.Sleep(connectTimeout + 500*time.Millisecond)
		synctest.Wait()
		require.Len(t, l.broker.Connects(), 1, "no second try with MQTT 3.1")
		assert.False(t, l.Status().Connected)
		assert.NotEmpty(t, l.Status().Err)
	})
}

func TestTheWindow_RowMessageIDs(t *testing.T) {
	never := func(fakebroker.Publish) bool { return false }
	inBubble(t, &fakebroker.Broker{Acknowledge: never}, 0, nil, func(t *testing.T, l *started) {
		s := l.connected(t)
		for n := range inFlight {
			_, err := s.Send(t.Context(), event(n))
			require.NoError(t, err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err := s.Send(ctx, event(33))
		require.ErrorIs(t, err, context.DeadlineExceeded)
		synctest.Wait()
		assert.Len(t, l.broker.Publishes(), 32, "at most 32 in flight, far from the 65535 ids")
	})
}

func TestAHugePacketIsNotAllocated_RowIncomingSize(t *testing.T) {
	announce := func(write func([]byte)) { go write([]byte{0x30, 0xff, 0xff, 0xff, 0x7f}) } // PUBLISH of 256 MiB
	broker := &fakebroker.Broker{OnConnack: announce}
	var before, after runtime.MemStats
	inBubble(t, broker, 0, nil, func(t *testing.T, l *started) {
		runtime.ReadMemStats(&before)
		s := l.connected(t)
		<-s.Done()
		synctest.Wait()
		assert.Contains(t, l.Status().Err, "announces a packet of 268435455 bytes, the limit is 262144")
		runtime.ReadMemStats(&after)
	})
	assert.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(16<<20))
}

// TestABrokerThatGrantsTooMuch: the library indexes a slice with the number of results and panics.
func TestABrokerThatGrantsTooMuch(t *testing.T) {
	tooMany := func([]string) []byte { return []byte{1, 1, 1} }
	inBubble(t, &fakebroker.Broker{Suback: tooMany}, 0, nil, func(t *testing.T, l *started) {
		_, err := l.Subscribe("a/+", 1, 1)
		require.NoError(t, err)
		time.Sleep(100 * time.Millisecond) // connected, refused, and waiting for the next attempt
		assert.Contains(t, l.Status().Err, "more results")
	})
}

func TestEachConnectionHasItsOwnClient_RowReuseAfterDisconnect(t *testing.T) {
	inBubble(t, &fakebroker.Broker{}, 0, nil, func(t *testing.T, l *started) {
		first := l.connected(t)
		first.Drop(errors.New("no acknowledgement within 20s"))
		<-first.Done()
		time.Sleep(100 * time.Millisecond)
		assert.Contains(t, l.Status().Err, "no acknowledgement within 20s")
		second := l.connected(t)
		assert.NotSame(t, first.client, second.client)
		assert.Greater(t, second.Epoch(), first.Epoch())
		assert.Zero(t, l.broker.Goodbyes(), "a dropped connection is no goodbye: the will is wanted")
	})
}

func TestGoodbye(t *testing.T) {
	will := &Will{
		Topic: "dewline/north-loft/status", Payload: []byte(`{"state":"offline"}`),
		Farewell: func() []byte { return []byte(`{"state":"offline","time":"2026-07-01T06:00:00.000Z"}`) },
	}
	t.Run("is the last message and then DISCONNECT", func(t *testing.T) {
		inBubble(t, &fakebroker.Broker{}, 0, func(o *Options) { o.Will = will }, func(t *testing.T, l *started) {
			s := l.connected(t)
			require.NoError(t, s.Publish(t.Context(), event(1)))
			l.stop()
			<-s.Done()
			synctest.Wait()
			sent := l.broker.Publishes()
			require.Len(t, sent, 2)
			assert.Equal(t, fakebroker.Publish{
				Connection: 1, Topic: "dewline/north-loft/status", QoS: 1, Retained: true,
				Payload: `{"state":"offline","time":"2026-07-01T06:00:00.000Z"}`,
			}, sent[1])
			assert.Equal(t, 1, l.broker.Goodbyes())
			assert.Equal(t, "stopped", l.Status().Err)
			_, err := s.Send(context.Background(), event(2))
			require.ErrorIs(t, err, ErrNotConnected)
		})
	})
	t.Run("a peer that does not take it gets no DISCONNECT, so that the will speaks", func(t *testing.T) {
		never := func(fakebroker.Publish) bool { return false }
		inBubble(t, &fakebroker.Broker{Acknowledge: never}, 0, func(o *Options) { o.Will = will }, func(t *testing.T, l *started) {
			s := l.connected(t)
			l.stop()
			<-s.Done()
			synctest.Wait()
			assert.Zero(t, l.broker.Goodbyes())
		})
	})
}

// TestLibraryOptions holds the settings that no behaviour above shows.
func TestLibraryOptions_RowsFileStoreAndDefaultMemoryStoreAndKeepAlive(t *testing.T) {
	l, err := New(Options{Broker: "mqtt://127.0.0.1", ClientID: "x"})
	require.NoError(t, err)
	o := l.clientOptions()
	assert.IsType(t, &mqtt.OrderedMemoryStore{}, o.Store, "never FileStore: it panics on any I/O error")
	assert.NotSame(t, o.Store, l.clientOptions().Store)
	assert.False(t, o.CleanSession)
	assert.Equal(t, uint(4), o.ProtocolVersion)
	assert.Equal(t, int64(15), o.KeepAlive)
	assert.Equal(t, 5*time.Second, o.PingTimeout)
	assert.Equal(t, 5*time.Second, o.WriteTimeout)
	assert.Equal(t, time.Minute, o.MaxReconnectInterval)
	assert.True(t, o.Order)
	assert.NotNil(t, o.DefaultPublishHandler)
	assert.False(t, o.WillEnabled)
}

func TestRetryAfter(t *testing.T) {
	for attempt, want := range []time.Duration{1, 2, 4, 8, 16, 32, 60, 60} {
		assert.Equal(t, want*time.Second, Backoff(attempt, 1))
		assert.Equal(t, want*time.Second/2, Backoff(attempt, 0))
	}
	assert.Equal(t, time.Minute, Backoff(1<<40%100, 1))
}

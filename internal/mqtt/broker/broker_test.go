package broker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/mqtt"
)

func TestTheProgramItselfAndAPhone(t *testing.T) {
	b := startBroker(t, Options{}, quick())
	phone := connect(t, b, "phone")
	require.True(t, phone.subscribe(root+"/#", 1))
	assert.False(t, phone.subscribe("$SYS/#", 0))

	link, err := mqtt.New(mqtt.Options{
		Broker: b.URL(), ClientID: mqtt.ClientID("north-loft", "outlet"), Credentials: b.Credentials,
		Will: &mqtt.Will{Topic: root + "/status", Payload: []byte("offline")},
	})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- link.Run(ctx) }()
	limited, cancelLimited := context.WithTimeout(t.Context(), patient)
	defer cancelLimited()
	session, err := link.Session(limited)
	require.NoError(t, err)
	require.NoError(t, session.Publish(limited, mqtt.Message{Topic: root + "/status", QoS: 1, Retained: true, Payload: []byte("online")}))
	assert.Equal(t, "online", string(phone.next().Payload()))
	cancel()
	require.NoError(t, <-ended)
	assert.Equal(t, "offline", string(phone.next().Payload()))

	for name, settings := range map[string][]setting{
		"a name where there are no users": {as("chief")},
		"the program's name alone":        {as(internalUser)},
	} {
		_, err := tryConnect(t, b, "stranger", settings...)
		assert.ErrorContains(t, err, "not Authorized", name)
	}
}

func TestUsersLogIn(t *testing.T) {
	b := startBroker(t, Options{Users: []User{
		user(t, "esp", nil, []string{"shed/esp/+"}), user(t, "chief", []string{root + "/#", "shed/#"}, nil),
	}}, quick())
	chief, esp := connect(t, b, "chief-phone", as("chief")), connect(t, b, "esp-1", as("esp"))
	require.True(t, chief.subscribe("shed/#", 0))
	esp.publish("shed/esp/t", 1, false, "23.4")
	assert.Equal(t, "23.4", string(chief.next().Payload()))
	assert.False(t, esp.subscribe("shed/#", 0), "writing is not reading")
	for name, settings := range map[string][]setting{
		"without a name":                 nil,
		"with the password of another":   {as("esp"), func(o *paho.ClientOptions) { o.SetPassword("pw-chief") }},
		"with a name that nobody has":    {as("guest")},
		"with the name of the program":   {as(internalUser)},
		"with a name and an empty value": {func(o *paho.ClientOptions) { o.SetUsername("esp") }},
	} {
		_, err := tryConnect(t, b, "stranger", settings...)
		assert.ErrorContains(t, err, "not Authorized", name)
	}
}

// TestNothingIsAllocatedForAnAnnouncement_RowMemoryBeforeLogin: four connections of 5 bytes each, announcing 256 MiB, took 1 GiB
// of heap without a packet limit.
func TestNothingIsAllocatedForAnAnnouncement_RowMemoryBeforeLogin(t *testing.T) {
	b := startBroker(t, Options{}, quick())
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	const times = 20
	for range times {
		c := dial(t, b)
		c.send(0x10, 0xff, 0xff, 0xff, 0x7f)
		c.ends()
	}
	runtime.ReadMemStats(&after)
	assert.Less(t, (after.TotalAlloc-before.TotalAlloc)/times, uint64(1<<20), "bytes allocated per connection; 256 MiB were announced")
	connect(t, b, "phone")
}

func TestConnectionsBeforeLoginAreLimited_RowMemoryBeforeLogin(t *testing.T) {
	b := startBroker(t, Options{}, quick())
	var idle []*raw
	for range maxConnections {
		idle = append(idle, dial(t, b))
	}
	connect(t, b, "program", asDaemon(b))
	idle[0].ends() // the oldest made room
	for i := range maxConnections - 1 {
		connect(t, b, fmt.Sprint("program-", i), asDaemon(b))
	}
	for _, c := range idle {
		c.ends()
	}
	late := dial(t, b)
	late.send(encoded(t, connectPacket(4, "late", "", ""))...)
	late.ends()
}

func TestALoginTakesNotForEver_RowMemoryBeforeLogin(t *testing.T) {
	tune := quick()
	tune.login = 50 * time.Millisecond
	b := startBroker(t, Options{}, tune)
	silent, slow := dial(t, b), dial(t, b)
	slow.send(0x10, 0x80)
	silent.ends()
	slow.ends()
}

// TestRetainedStateStays_RowRetainedVanishes: the library deletes retained messages that are older than the longest expiry of
// messages. A board that boots in 1970 and gets the time an hour later has retained messages of an age of 56 years.
func TestRetainedStateStays_RowRetainedVanishes(t *testing.T) {
	aDay := quick()
	aDay.messageExpiry = 24 * 60 * 60
	kept, control := startBroker(t, Options{}, quick()), startBroker(t, Options{}, aDay)
	for _, b := range []*Broker{kept, control} {
		program := connect(t, b, "program", asDaemon(b))
		for _, topic := range []string{"/points/tub-1/water-temperature", "/status"} {
			program.publish(root+topic, 1, true, "state")
			pk, ok := b.server.Topics.Retained.Get(root + topic)
			require.True(t, ok)
			pk.Created -= 56 * 365 * 24 * 60 * 60
			b.server.Topics.Retained.Add(root+topic, pk)
		}
	}
	// The two sweep once a second: two sweeps of the one that deletes are one of the other at least.
	for range 2 {
		require.Eventually(t, func() bool {
			_, still := control.server.Topics.Retained.Get(root + "/status")
			return !still
		}, patient, 10*time.Millisecond)
		pk, ok := kept.server.Topics.Retained.Get(root + "/status")
		require.True(t, ok)
		control.server.Topics.Retained.Add(root+"/status", pk)
	}
	phone := connect(t, kept, "phone")
	require.True(t, phone.subscribe(root+"/points/#", 1))
	m := phone.next()
	assert.Equal(t, "state", string(m.Payload()))
	assert.True(t, m.Retained())
}

// TestQueuedMessagesStay_RowRetainedVanishes: the same limit empties the queue of a client that is away.
func TestQueuedMessagesStay_RowRetainedVanishes(t *testing.T) {
	b := startBroker(t, Options{}, quick())
	phone := connect(t, b, "phone", keepsSession)
	require.True(t, phone.subscribe(root+"/events", 1))
	phone.Disconnect(100)
	program := connect(t, b, "program", asDaemon(b))
	program.publish(root+"/events", 1, false, "an event")
	session := queued(t, b, "phone", 1)
	for _, pk := range session.State.Inflight.GetAll(false) {
		pk.Created -= 56 * 365 * 24 * 60 * 60
		session.State.Inflight.Set(pk)
	}
	assert.Empty(t, session.ClearExpiredInflights(time.Now().Unix(), b.server.Options.Capabilities.MaximumMessageExpiryInterval))
	phone = connect(t, b, "phone", keepsSession)
	assert.Equal(t, "an event", string(phone.next().Payload()))
}

// queued waits until so many messages wait for a client: the library acknowledges a message before it passes it on.
func queued(t *testing.T, b *Broker, id string, count int) *mochi.Client {
	t.Helper()
	session, ok := b.server.Clients.Get(id)
	require.True(t, ok)
	require.Eventually(t, func() bool { return session.State.Inflight.Len() == count }, patient, time.Millisecond)
	return session
}

// TestAQueueHoldsTheOldest_RowQueueCap: of too many messages for a client that is away the newest are lost.
func TestAQueueHoldsTheOldest_RowQueueCap(t *testing.T) {
	b := startBroker(t, Options{}, quick())
	phone := connect(t, b, "phone", keepsSession)
	require.True(t, phone.subscribe(root+"/events", 1))
	phone.Disconnect(100)
	program := connect(t, b, "program", asDaemon(b))
	for i := range maxInflight + 50 {
		program.publish(root+"/events", 1, false, fmt.Sprint(i))
	}
	queued(t, b, "phone", maxInflight)
	phone = connect(t, b, "phone", keepsSession)
	got := map[string]bool{}
	for range maxInflight {
		got[string(phone.next().Payload())] = true
	}
	assert.Len(t, got, maxInflight)
	assert.True(t, got["0"])
	assert.False(t, got[fmt.Sprint(maxInflight)])
}

// TestASessionBelongsToItsUser_RowSessionByClientID is mochi#504: another login with the same client id inherited the
// messages that waited there.
func TestASessionBelongsToItsUser_RowSessionByClientID(t *testing.T) {
	b := startBroker(t, Options{Users: []User{
		user(t, "keeper", []string{root + "/#"}, nil), user(t, "other", []string{root + "/status"}, nil),
	}}, quick())
	phone := connect(t, b, "phone", as("keeper"), keepsSession)
	require.True(t, phone.subscribe(root+"/events", 1))
	_, err := tryConnect(t, b, "phone", as("other"), keepsSession)
	assert.ErrorContains(t, err, "not Authorized", "while the id is in use")
	assert.True(t, phone.IsConnectionOpen(), "and the owner is not thrown out")
	_, err = tryConnect(t, b, "phone", asDaemon(b), keepsSession)
	require.Error(t, err, "not even the program itself")
	phone.Disconnect(100)
	program := connect(t, b, "program", asDaemon(b))
	program.publish(root+"/events", 1, false, "for the keeper")
	queued(t, b, "phone", 1)
	for _, how := range [][]setting{{as("other"), keepsSession}, {as("other")}} {
		_, err = tryConnect(t, b, "phone", how...)
		assert.ErrorContains(t, err, "not Authorized", "while a session is stored")
	}
	phone = connect(t, b, "phone", as("keeper"), keepsSession)
	assert.Equal(t, "for the keeper", string(phone.next().Payload()))
}

// TestTwoLoginsAtOnce: the binding of an id holds in the moment between login and session too.
func TestTwoLoginsAtOnce_RowSessionByClientID(t *testing.T) {
	b := startBroker(t, Options{Users: []User{user(t, "one", nil, nil), user(t, "two", nil, nil)}}, quick())
	for round := range 20 {
		id := fmt.Sprint("same-", round)
		var logins sync.WaitGroup
		var mu sync.Mutex
		in := 0
		for _, name := range []string{"one", "two"} {
			logins.Go(func() {
				c := dial(t, b)
				if ack := c.connected(connectPacket(4, id, name, "pw-"+name)); ack.ReasonCode == 0 {
					mu.Lock()
					in++
					mu.Unlock()
				}
			})
		}
		logins.Wait()
		assert.Equal(t, 1, in, id)
	}
}

// TestAForgottenSessionLeavesNothing_RowSlowOfflineClient: sessions end after an hour (here one second), with their
// subscriptions, which the library leaves behind.
func TestAForgottenSessionLeavesNothing_RowSlowOfflineClient(t *testing.T) {
	tune := quick()
	tune.sessionExpiry = 1
	b := startBroker(t, Options{Users: []User{
		user(t, "keeper", []string{root + "/#"}, nil), user(t, "other", []string{root + "/#"}, nil),
	}}, tune)
	phone := connect(t, b, "phone", as("keeper"), keepsSession)
	require.True(t, phone.subscribe(root+"/events", 1))
	phone.Disconnect(100)
	require.Eventually(t, func() bool { _, there := b.server.Clients.Get("phone"); return !there }, patient, 10*time.Millisecond)
	assert.Eventually(t, func() bool { return len(b.server.Topics.Subscribers(root+"/events").Subscriptions) == 0 },
		patient, 10*time.Millisecond)
	connect(t, b, "phone", as("other"))
}

// TestASessionIsNotStretched: MQTT 5 lets a client name another expiry when it says goodbye.
func TestASessionIsNotStretched_RowSlowOfflineClient(t *testing.T) {
	b := startBroker(t, Options{}, quick())
	c := dial(t, b)
	pk := connectPacket(5, "phone", "", "")
	pk.Properties.SessionExpiryInterval, pk.Properties.SessionExpiryIntervalFlag = 1<<31, true
	ack := c.connected(pk)
	assert.Equal(t, uint32(3600), ack.Properties.SessionExpiryInterval, "the client is told")
	bye := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Disconnect}, ProtocolVersion: 5}
	bye.Properties.SessionExpiryInterval, bye.Properties.SessionExpiryIntervalFlag = 1<<31, true
	c.send(encoded(t, bye)...)
	c.ends()
	session, ok := b.server.Clients.Get("phone")
	require.True(t, ok)
	require.Eventually(t, session.Closed, patient, time.Millisecond)
	assert.Equal(t, uint32(3600), session.Properties.Props.SessionExpiryInterval)
}

// Dead sessions give way, the one longest away first; connections do not.
func TestSessionsOfAUserAreLimited(t *testing.T) {
	var log logged
	b := startBroker(t, Options{Log: log.logger()}, quick())
	for i := range maxSessions {
		connect(t, b, fmt.Sprint("phone-", i), keepsSession).Disconnect(100)
	}
	stored := func(id string) bool { _, ok := b.server.Clients.Get(id); return ok }
	require.Eventually(t, func() bool {
		session, ok := b.server.Clients.Get(fmt.Sprint("phone-", maxSessions-1))
		return ok && session.Closed()
	}, patient, time.Millisecond)
	connect(t, b, "phone-3", keepsSession)
	for i := range maxSessions - 1 {
		connect(t, b, fmt.Sprint("new-", i), keepsSession)
	}
	assert.True(t, stored("phone-3"), "it is connected")
	for i := range maxSessions {
		if i != 3 {
			assert.False(t, stored(fmt.Sprint("phone-", i)))
		}
	}
	assert.Contains(t, log.String(), "too many stored sessions")
	_, err := tryConnect(t, b, "phone-more")
	require.Error(t, err, "all are connected")
	connect(t, b, "program", asDaemon(b))
}

// TestAForbiddenPublish_RowDeniedPublish: in MQTT 3.1.1 a denied publish of QoS 1 ends the connection (mochi#290), of QoS 0 it
// vanishes, in MQTT 5 it is answered. It reaches no client and is not retained.
func TestAForbiddenPublish_RowDeniedPublish(t *testing.T) {
	var log logged
	b := startBroker(t, Options{Log: log.logger()}, quick())
	watcher := connect(t, b, "watcher", asDaemon(b))
	require.True(t, watcher.subscribe("#", 1))
	for qos := byte(0); qos <= 2; qos++ {
		phone := connect(t, b, "phone")
		phone.Publish(root+"/status", qos, true, "forged")
		if qos > 0 {
			phone.isLost()
		}
		phone.Disconnect(100)
	}
	c := dial(t, b)
	c.connected(connectPacket(5, "phone-5", "", ""))
	c.send(encoded(t, packets.Packet{
		FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: 1, Retain: true}, ProtocolVersion: 5,
		TopicName: root + "/alarms/x", PacketID: 7, Payload: []byte("forged"),
	})...)
	answer, err := c.read()
	require.NoError(t, err)
	assert.Equal(t, packets.Puback, answer.FixedHeader.Type)
	assert.Equal(t, packets.ErrNotAuthorized.Code, answer.ReasonCode)
	assert.Contains(t, answer.Properties.ReasonString, "a client without a user name may write nothing")
	connect(t, b, "program", asDaemon(b)).publish(root+"/status", 1, false, "true")
	assert.Equal(t, "true", string(watcher.next().Payload()), "the first thing that anybody hears")
	_, kept := b.server.Topics.Retained.Get(root + "/status")
	assert.False(t, kept)
	assert.Equal(t, 1, strings.Count(log.String(), "a client may not write there"), "one line a minute, however often it tries")
	assert.Contains(t, log.String(), "topic="+root+"/status")
}

func TestNobodyWritesStatistics(t *testing.T) {
	b := startBroker(t, Options{Users: []User{user(t, "chief", []string{"#", "$SYS/#"}, []string{"#"})}}, quick())
	chief := connect(t, b, "chief", as("chief"))
	require.True(t, chief.subscribe("$SYS/broker/version", 0))
	assert.NotEqual(t, "forged", string(chief.next().Payload()))
	for _, c := range []*client{chief, connect(t, b, "program", asDaemon(b))} {
		c.Publish("$SYS/broker/version", 0, true, "forged")
		c.publish(root+"/status", 1, true, "next")
	}
	pk, ok := b.server.Topics.Retained.Get("$SYS/broker/version")
	require.True(t, ok)
	assert.NotEqual(t, "forged", string(pk.Payload))
}

// TestATopicAliasHidesNothing: in MQTT 5 a number can replace a topic, and the library resolves it after it has asked the rules.
func TestATopicAliasHidesNothing(t *testing.T) {
	b := startBroker(t, Options{AllowCommands: true}, quick())
	c := dial(t, b)
	c.connected(connectPacket(5, "phone", "", ""))
	pk := packets.Packet{
		FixedHeader: packets.FixedHeader{Type: packets.Publish}, ProtocolVersion: 5, TopicName: root + "/command/note", Payload: []byte("x"),
	}
	pk.Properties.TopicAlias, pk.Properties.TopicAliasFlag = 1, true
	c.send(encoded(t, pk)...)
	answer, err := c.read()
	require.NoError(t, err)
	assert.Equal(t, packets.Disconnect, answer.FixedHeader.Type)
	assert.Equal(t, packets.ErrTopicAliasInvalid.Code, answer.ReasonCode)
}

// TestAReceiveMaximumStopsNobody: the library counts against the receive maximum of MQTT 5 in a way that locks up a client
// that acknowledges while something is published to it, and with it all publishers.
func TestAReceiveMaximumStopsNobody(t *testing.T) {
	b := startBroker(t, Options{}, quick())
	c := dial(t, b)
	pk := connectPacket(5, "phone", "", "")
	pk.Properties.ReceiveMaximum = 10
	c.connected(pk)
	c.send(encoded(t, packets.Packet{
		FixedHeader: packets.FixedHeader{Type: packets.Subscribe, Qos: 1}, ProtocolVersion: 5, PacketID: 1,
		Filters: packets.Subscriptions{{Filter: root + "/#", Qos: 1}},
	})...)
	ack, err := c.read()
	require.NoError(t, err)
	assert.Equal(t, []byte{0}, ack.ReasonCodes, "granted with QoS 0, where nothing has to be counted")
	const each = 2000
	var work sync.WaitGroup
	for i := range 2 {
		program := connect(t, b, fmt.Sprint("program-", i), asDaemon(b))
		work.Go(func() {
			for range each {
				program.publish(root+"/events", 1, false, "x")
			}
		})
	}
	got := 0
	for ping := encoded(t, packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pingreq}}); got < 2*each; {
		c.send(ping...)
		pk, err := c.read()
		require.NoError(t, err)
		if pk.FixedHeader.Type == packets.Publish {
			got++
		}
	}
	work.Wait()
}

// TestAWillIsHeldToTheRules: the library publishes a will without asking the rules.
func TestAWillIsHeldToTheRules(t *testing.T) {
	b := startBroker(t, Options{AllowCommands: true}, quick())
	watcher := connect(t, b, "watcher", asDaemon(b))
	require.True(t, watcher.subscribe("#", 1))
	for _, topic := range []string{root + "/status", "$SYS/broker/version", root + "/command/+", root + "/command/#", "elsewhere"} {
		_, err := tryConnect(t, b, "phone", func(o *paho.ClientOptions) { o.SetWill(topic, "forged", 1, true) })
		assert.Error(t, err, topic)
	}
	allowed := connect(t, b, "phone", func(o *paho.ClientOptions) { o.SetWill(root+"/command/note", "gone", 1, true) })
	cut(t, b, "phone")
	allowed.isLost()
	m := watcher.next()
	assert.Equal(t, "gone", string(m.Payload()))
	_, kept := b.server.Topics.Retained.Get(root + "/command/note")
	assert.False(t, kept, "a command is never retained")
}

// cut breaks the connection of a client.
func cut(t *testing.T, b *Broker, id string) {
	t.Helper()
	session, ok := b.server.Clients.Get(id)
	require.True(t, ok)
	connOf(session).end()
}

func TestCommands(t *testing.T) {
	for _, allowed := range []bool{false, true} {
		b := startBroker(t, Options{AllowCommands: allowed}, quick())
		program := connect(t, b, "program", asDaemon(b))
		require.True(t, program.subscribe(root+"/command/+", 1))
		phone := connect(t, b, "phone")
		phone.Publish(root+"/command/acknowledge", 1, true, "x")
		if !allowed {
			phone.isLost()
			continue
		}
		m := program.next()
		assert.Equal(t, root+"/command/acknowledge", m.Topic())
		_, kept := b.server.Topics.Retained.Get(root + "/command/acknowledge")
		assert.False(t, kept, "a command is never retained")
	}
}

// TestASlowClientIsBounded_RowSlowOfflineClient: a client that reads nothing costs a bounded queue and then its connection;
// neither the publisher nor any other client waits for it.
func TestASlowClientIsBounded_RowSlowOfflineClient(t *testing.T) {
	for name, tune := range map[string]tuning{
		"by the time of a write": {write: 100 * time.Millisecond},
		"by the length of queue": {write: time.Hour},
	} {
		usually := quick()
		usually.write = tune.write
		b := startBroker(t, Options{}, usually)
		slow := dial(t, b)
		slow.connected(connectPacket(4, "slow", "", ""))
		slow.send(encoded(t, packets.Packet{
			FixedHeader: packets.FixedHeader{Type: packets.Subscribe, Qos: 1}, ProtocolVersion: 4, PacketID: 1,
			Filters: packets.Subscriptions{{Filter: root + "/#"}},
		})...)
		ack, err := slow.read()
		require.NoError(t, err)
		require.Equal(t, packets.Suback, ack.FixedHeader.Type)
		session, ok := b.server.Clients.Get("slow")
		require.True(t, ok)
		fast := connect(t, b, "fast")
		require.True(t, fast.subscribe(root+"/status", 1))
		program := connect(t, b, "program", asDaemon(b))
		payload := strings.Repeat("x", 16<<10)
		for sent := 0; !session.Closed(); sent++ {
			require.Less(t, sent, 20*maxPending, name)
			program.publish(root+"/readings", 1, false, payload)
		}
		program.publish(root+"/status", 1, false, "still here")
		assert.Equal(t, "still here", string(fast.next().Payload()), name)
		assert.LessOrEqual(t, session.State.Inflight.Len(), maxInflight, name)
	}
}

// TestManyRetainedMessagesReachANewSubscriber: they all go into its queue at once, which must not count as slow.
func TestManyRetainedMessagesReachANewSubscriber(t *testing.T) {
	b := startBroker(t, Options{Users: []User{user(t, "esp", nil, []string{"shed/#"})}}, quick())
	esp := connect(t, b, "esp", as("esp"))
	for i := range maxRetained + 20 {
		esp.publish(fmt.Sprint("shed/", i), 0, true, "x")
	}
	esp.publish("shed/last", 1, true, "x") // acknowledged after all the others were handled
	program := connect(t, b, "program", asDaemon(b))
	program.publish(root+"/status", 1, true, "online") // never refused
	assert.Equal(t, maxRetained+1, len(b.access.retained))
	require.True(t, program.subscribe("#", 0))
	for range maxRetained + 1 {
		program.next()
	}
	esp.publish("shed/late", 1, true, "passed on") // what is not retained is passed on
	for string(program.next().Payload()) != "passed on" {
		// The library acknowledges a message before it passes it on: the one before may come twice.
	}

	for i := range maxRetained {
		esp.publish(fmt.Sprint("shed/", i), 0, true, "")
	}
	esp.publish("shed/late", 1, true, strings.Repeat("y", 1000))
	assert.Len(t, b.access.retained, 2, "an empty payload gives the room back")
	size := 0
	for _, each := range b.access.retained {
		size += each
	}
	assert.Equal(t, size, b.access.size)
}

func TestRetainedBytesAreLimited(t *testing.T) {
	b := startBroker(t, Options{Users: []User{user(t, "esp", nil, []string{"shed/#"})}}, quick())
	esp := connect(t, b, "esp", as("esp"))
	payload := strings.Repeat("x", 60<<10)
	for i := range 300 { // 18 MB
		esp.publish(fmt.Sprint("shed/", i), 0, true, payload)
	}
	esp.publish("shed/last", 1, true, payload)
	assert.LessOrEqual(t, b.access.size, maxRetainedBytes)
	assert.Greater(t, b.access.size, maxRetainedBytes-(64<<10))
}

func TestSubscriptionsAreLimited(t *testing.T) {
	b := startBroker(t, Options{}, quick())
	phone := connect(t, b, "phone")
	for i := range maxSubscriptions {
		require.True(t, phone.subscribe(fmt.Sprint(root, "/points/", i), 0))
	}
	assert.False(t, phone.subscribe(root+"/more", 0))
	assert.True(t, phone.subscribe(fmt.Sprint(root, "/points/", 3), 1), "the same again")
	assert.False(t, phone.subscribe("$share/group/"+root+"/#", 0))
}

// TestATakeoverLosesNobody: the library may throw out the new connection while it cleans up after the old one. The will of
// the old one comes before anything of the new one.
func TestATakeoverLosesNobody(t *testing.T) {
	b := startBroker(t, Options{}, quick())
	phone := connect(t, b, "phone")
	require.True(t, phone.subscribe(root+"/status", 1))
	require.True(t, phone.subscribe(root+"/nothing", 1)) // what the first has to send of retained messages is sent by now
	will := func(o *paho.ClientOptions) { o.SetWill(root+"/status", "offline", 1, true) }
	program := connect(t, b, "program", asDaemon(b), will)
	for round := range 30 {
		again := connect(t, b, "program", asDaemon(b), will)
		online := fmt.Sprint("online ", round)
		again.publish(root+"/status", 1, true, online)
		program.isLost()
		assert.Equal(t, "offline", string(phone.next().Payload()))
		assert.Equal(t, online, string(phone.next().Payload()))
		_, there := b.server.Clients.Get("program")
		require.True(t, there, "round %d: the library has forgotten a client that is connected", round)
		require.True(t, again.subscribe(root+"/echo", 1))
		again.publish(root+"/echo", 1, false, "heard")
		require.Equal(t, "heard", string(again.next().Payload()))
		program = again
	}
}

func TestClientIDs(t *testing.T) {
	b := startBroker(t, Options{}, quick())
	for _, id := range []string{strings.Repeat("x", maxClientID+1), "line\nbreak"} {
		c := dial(t, b)
		c.send(encoded(t, connectPacket(4, id, "", ""))...)
		c.ends()
	}
	connect(t, b, strings.Repeat("x", maxClientID))
	for range 2 { // an empty id gets one of its own (MQTT 3.1.1 section 3.1.3.1)
		c := dial(t, b)
		assert.Zero(t, c.connected(connectPacket(4, "", "", "")).ReasonCode)
	}
}

// TestTheLogHoldsNoSecrets: the library logs whole packets, with payloads, and the password of a second connect.
func TestTheLogHoldsNoSecrets(t *testing.T) {
	var log logged
	b := startBroker(t, Options{Log: log.logger(), Users: []User{user(t, "chief", nil, []string{"shed/+"})}}, quick())
	_, secret, _ := b.Credentials()
	connect(t, b, "program", asDaemon(b))
	c := dial(t, b)
	c.connected(connectPacket(4, "phone", "chief", "pw-chief"))
	c.send(encoded(t, connectPacket(4, "phone", "chief", "pw-chief"))...)
	c.ends()
	bad := dial(t, b)
	bad.connected(connectPacket(5, "phone", "chief", "hunter2"))
	bad.ends()
	forged := connect(t, b, "phone", as("chief"))
	forged.Publish("elsewhere", 1, false, "a private payload")
	forged.isLost()
	require.NoError(t, b.Close())
	text := log.String()
	for _, hidden := range []string{"pw-chief", "hunter2", "private", secret, "Password"} {
		assert.NotContains(t, text, hidden)
	}
	assert.Contains(t, text, `msg="a client was refused" user=chief client=phone err="no such user, or a wrong password"`)
	for line := range strings.Lines(text) {
		assert.False(t, strings.Contains(line, "mqtt library") && !strings.HasPrefix(line, "level=DEBUG"), "only for debugging: %s", line)
	}
	assert.Contains(t, text, "err=")
}

// TestThereIsNoEndlessLog: a client that tries passwords does not fill the disk.
func TestThereIsNoEndlessLog(t *testing.T) {
	var log logged
	b := startBroker(t, Options{Log: log.logger(), Users: []User{user(t, "chief", nil, nil)}}, quick())
	for i := range 20 {
		c := dial(t, b)
		assert.NotZero(t, c.connected(connectPacket(4, fmt.Sprint(i), fmt.Sprint("guess-", i), "x")).ReasonCode)
	}
	assert.Equal(t, 1, strings.Count(log.String(), "level=WARN"))

	var other logged
	b = startBroker(t, Options{Log: other.logger()}, quick())
	for i := range 20 {
		pk := connectPacket(4, fmt.Sprint(i), "", "")
		pk.Connect.WillFlag, pk.Connect.WillTopic, pk.Connect.WillPayload = true, fmt.Sprint("topic-", i), []byte("x")
		assert.NotZero(t, dial(t, b).connected(pk).ReasonCode)
	}
	assert.Equal(t, 1, strings.Count(other.String(), "level=WARN"))
	assert.Len(t, b.access.notes.last, 1)
}

func TestCloseEndsEverything(t *testing.T) {
	b := startBroker(t, Options{}, quick())
	idle := dial(t, b)
	phone := connect(t, b, "phone")
	stuck := dial(t, b)
	stuck.connected(connectPacket(4, "stuck", "", ""))
	modern := dial(t, b)
	modern.connected(connectPacket(5, "modern", "", ""))
	require.NoError(t, b.Close())
	bye, err := modern.read()
	require.NoError(t, err)
	assert.Equal(t, packets.Disconnect, bye.FixedHeader.Type)
	assert.Equal(t, packets.ErrServerShuttingDown.Code, bye.ReasonCode, "the client hears why")
	phone.isLost()
	idle.ends()
	stuck.ends()
	_, err = net.Dial("tcp", b.Addr())
	require.Error(t, err)
	require.NoError(t, b.Close(), "a second time")
}

// TestAPanicOfTheLibraryIsContained: one connection ends, the others do not notice.
func TestAPanicOfTheLibraryIsContained(t *testing.T) {
	var log logged
	near, far := net.Pipe()
	defer func() { _ = far.Close() }()
	l := newListener(nil, quick(), log.logger())
	c := l.admit(near)
	l.serve(c, func(string, net.Conn) error { panic("a decoder ran over its end") })
	assert.EqualValues(t, 1, l.panics.Load())
	assert.True(t, c.ended.Load())
	assert.Empty(t, l.open)
	assert.Contains(t, log.String(), "a decoder ran over its end")
}

// TestAcceptIsTriedAgain: a system without free file handles must not make the broker deaf for ever.
func TestAcceptIsTriedAgain(t *testing.T) {
	inner := &failing{failures: 3, conns: make(chan net.Conn, 1), closed: make(chan struct{})}
	l := newListener(inner, quick(), slog.New(slog.DiscardHandler))
	near, far := net.Pipe()
	defer func() { _ = far.Close() }()
	inner.conns <- near
	served := make(chan net.Conn, 1)
	go l.Serve(func(_ string, c net.Conn) error { served <- c; return nil })
	select {
	case <-served:
	case <-time.After(patient):
		t.Fatal("the connection was not served")
	}
	l.Close(func(string) {})
	l.Close(func(string) {})
}

// failing is a listener that fails some times.
type failing struct {
	failures int
	conns    chan net.Conn
	closed   chan struct{}
	once     sync.Once
}

func (f *failing) Accept() (net.Conn, error) {
	if f.failures > 0 {
		f.failures--
		return nil, errors.New("too many open files")
	}
	select {
	case c := <-f.conns:
		return c, nil
	case <-f.closed:
		return nil, net.ErrClosed
	}
}

func (f *failing) Close() error   { f.once.Do(func() { close(f.closed) }); return nil }
func (f *failing) Addr() net.Addr { return &net.TCPAddr{} }

// logged is a log to look into.
type logged struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *logged) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *logged) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

func (l *logged) logger() *slog.Logger {
	return slog.New(slog.NewTextHandler(l, &slog.HandlerOptions{Level: slog.LevelDebug, ReplaceAttr: func(_ []string, a slog.Attr) slog.Attr {
		if a.Key == slog.TimeKey {
			return slog.Attr{}
		}
		return a
	}}))
}

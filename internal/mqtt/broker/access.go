package broker

import (
	"errors"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"dewline/internal/mqtt"
)

// accessHook is the only hook of the library: it authenticates clients, decides what each may do, and enforces the limits that
// the library has no setting for.
type accessHook struct {
	mochi.HookBase
	server   *mochi.Server
	accounts *accounts
	commands string // topics below which nothing is retained
	expiry   uint32 // of sessions, in seconds
	notes    notes
	// hashing is taken while a password is compared: a guesser gets one processor at most.
	hashing chan struct{}

	mu       sync.Mutex
	arriving map[string]arrival // by client id
	retained map[string]int     // size in bytes, by topic
	size     int                // of all retained messages
}

// arrival is a client that has logged in and that the library may not know yet.
type arrival struct {
	user   string
	client *mochi.Client
}

func newAccessHook(server *mochi.Server, accounts *accounts, o Options, t tuning) *accessHook {
	return &accessHook{
		server: server, accounts: accounts, commands: o.Root + "/command/", expiry: t.sessionExpiry,
		notes: notes{log: o.Log, last: map[string]*note{}}, hashing: make(chan struct{}, 1),
		arriving: map[string]arrival{}, retained: map[string]int{},
	}
}

// ID names the hook.
func (g *accessHook) ID() string { return "access" }

// Provides reports which events the library must pass to the hook.
func (g *accessHook) Provides(method byte) bool {
	switch method {
	case mochi.OnConnect, mochi.OnConnectAuthenticate, mochi.OnACLCheck, mochi.OnPacketRead, mochi.OnPacketEncode, mochi.OnSubscribe, mochi.OnPublish,
		mochi.OnWill, mochi.OnRetainMessage, mochi.OnRetainedExpired, mochi.OnPublishDropped, mochi.OnClientExpired:
		return true
	}
	return false
}

// OnConnect removes from a connect what would exceed the limits.
func (g *accessHook) OnConnect(client *mochi.Client, _ packets.Packet) error {
	if len(client.ID) > maxClientID || strings.ContainsFunc(client.ID, unicode.IsControl) {
		g.notes.warn("id", "a client was refused: its id is too long or no text")
		return packets.ErrClientIdentifierNotValid
	}
	client.Properties.Will.WillDelayInterval = 0  // the library stores delayed wills without a limit
	client.Properties.Props.TopicAliasMaximum = 0 // a dropped message would leave its alias unknown to the client
	// When the library counts against the receive maximum of MQTT 5, it takes a read lock twice: with a publisher waiting for the
	// write lock in between, client, publisher and housekeeping deadlock. So it must not count; a client whose receive maximum is
	// below the number of messages that may wait for it gets them with QoS 0, which needs no counting.
	if limit := client.Properties.Props.ReceiveMaximum; limit > 0 {
		if c := connOf(client); c != nil {
			c.modest = limit < maxInflight
		}
		client.Properties.Props.ReceiveMaximum = 0
		client.State.Inflight.ResetSendQuota(0)
	}
	return nil
}

// OnConnectAuthenticate decides whether a client may connect. The reason of a refusal goes into the log only.
func (g *accessHook) OnConnectAuthenticate(client *mochi.Client, pk packets.Packet) bool {
	l := login{
		named: pk.Connect.UsernameFlag || pk.Connect.PasswordFlag, name: string(pk.Connect.Username), password: pk.Connect.Password,
	}
	a, err := g.authenticate(l)
	if err == nil {
		err = g.checkWill(a, client)
	}
	if err == nil {
		err = g.claim(a, client)
	}
	if err != nil {
		known := ""
		if a != nil {
			known = a.name
		}
		g.notes.warn("login "+known, "a client was refused", "user", shortened(l.name), "client", client.ID, "err", err)
		return false
	}
	if c := connOf(client); c != nil {
		c.known.Store(true)
	}
	return true
}

func (g *accessHook) authenticate(l login) (*account, error) {
	if l.named && l.name != internalUser {
		wait := time.NewTimer(5 * time.Second)
		defer wait.Stop()
		select {
		case g.hashing <- struct{}{}:
			defer func() { <-g.hashing }()
		case <-wait.C:
			return nil, errors.New("too many logins at the same time")
		}
	}
	a := g.accounts.check(l)
	switch {
	case a != nil:
		return a, nil
	case !l.named:
		return nil, errors.New("it gives no user name")
	}
	return nil, errors.New("no such user, or a wrong password")
}

// checkWill applies the rules of publishing to the will, since the library publishes it without asking the hook.
func (g *accessHook) checkWill(a *account, client *mochi.Client) error {
	will := &client.Properties.Will
	if will.Flag == 0 {
		return nil
	}
	if err := mqtt.CheckTopic(will.TopicName); err != nil {
		return err
	}
	if !a.may(true, will.TopicName) {
		return errors.New("its will is on a topic where it may not write: " + shortened(will.TopicName))
	}
	return nil
}

// claim binds the client id to the user and ends an older connection of the same user with the same id. It waits for that end:
// otherwise the library, while it cleans up after the old connection, may close the new one.
func (g *accessHook) claim(a *account, client *mochi.Client) error {
	old, err := g.reserve(a, client)
	if err != nil || old == nil {
		return err
	}
	old.end()
	wait := time.NewTimer(5 * time.Second)
	defer wait.Stop()
	select {
	case <-old.done:
		return nil
	case <-wait.C:
		return errors.New("an older connection with the same client id does not end")
	}
}

// reserve is the critical section of claim; old is the connection to end.
func (g *accessHook) reserve(a *account, client *mochi.Client) (old *conn, err error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for id, other := range g.arriving {
		if other.client.Closed() {
			delete(g.arriving, id)
		}
	}
	var holder *mochi.Client
	if other, ok := g.arriving[client.ID]; ok {
		holder = other.client
		if other.user != a.name {
			return nil, errors.New("its client id belongs to another user")
		}
	} else if session, ok := g.server.Clients.Get(client.ID); ok {
		holder = session
		if string(session.Properties.Username) != a.name {
			return nil, errors.New("its client id belongs to another user")
		}
	}
	if !a.internal && g.sessions(a, client.ID) >= maxSessions && !g.dropOldest(a, client.ID) {
		return nil, errors.New("its user has too many connections: end one of them")
	}
	g.arriving[client.ID] = arrival{a.name, client}
	if holder == nil || holder.Closed() {
		return nil, nil
	}
	return connOf(holder), nil
}

// sessions counts the connections and stored sessions of a user under other client ids.
func (g *accessHook) sessions(a *account, but string) int {
	ids := map[string]bool{}
	for id, session := range g.server.Clients.GetAll() {
		if string(session.Properties.Username) == a.name {
			ids[id] = true
		}
	}
	for id, other := range g.arriving {
		if other.user == a.name {
			ids[id] = true
		}
	}
	delete(ids, but)
	return len(ids)
}

// dropOldest deletes the stored session of a user whose client has been away longest: a program that takes a new client id at each
// start must not lock its user out. It returns false if all sessions are connected.
func (g *accessHook) dropOldest(a *account, but string) bool {
	var oldest *mochi.Client
	for id, session := range g.server.Clients.GetAll() {
		if _, coming := g.arriving[id]; coming || id == but || string(session.Properties.Username) != a.name || !session.Closed() {
			continue
		}
		if oldest == nil || session.StopTime() < oldest.StopTime() {
			oldest = session
		}
	}
	if oldest == nil {
		return false
	}
	g.notes.warn("sessions "+a.name, "a user has too many stored sessions: the oldest is forgotten", "user", a.name, "client", shortened(oldest.ID))
	g.OnClientExpired(oldest)
	g.server.Clients.Delete(oldest.ID)
	return true
}

func connOf(client *mochi.Client) *conn {
	c, _ := client.Net.Conn.(*conn)
	return c
}

// OnACLCheck decides about a publish, a subscription, and every single message to a subscriber.
func (g *accessHook) OnACLCheck(client *mochi.Client, topic string, write bool) bool {
	a := g.accounts.byName[string(client.Properties.Username)]
	if a != nil && (a.may(write, topic) || !write && strings.ContainsAny(topic, "+#") && a.maySubscribe(topic)) {
		return true
	}
	if write {
		g.refuse(client, a, true, topic)
	}
	return false
}

// refuse notes, for the log and for the acknowledgement that follows, by which rule a client may not do what it asked for.
func (g *accessHook) refuse(client *mochi.Client, a *account, write bool, topic string) {
	rule := "no such user"
	if a != nil {
		rule = shortened(a.refusal(write, topic))
	}
	if c := connOf(client); c != nil {
		c.refusal.Store(&rule)
	}
	kind, message, key := "read ", "a client may not read there", "filter"
	if write {
		kind, message, key = "write ", "a client may not write there", "topic"
	}
	g.notes.warn(kind+string(client.Properties.Username), message,
		"user", string(client.Properties.Username), "client", client.ID, key, shortened(topic), "rule", rule)
}

// OnPacketEncode adds the reason of a refusal to the answer to a client of MQTT 5. The library answers a packet before it reads
// the next one of the same client.
func (g *accessHook) OnPacketEncode(client *mochi.Client, pk packets.Packet) packets.Packet {
	switch pk.FixedHeader.Type {
	case packets.Suback, packets.Puback, packets.Pubrec:
	default:
		return pk
	}
	c := connOf(client)
	if c == nil {
		return pk
	}
	denied := pk.ReasonCode == packets.ErrNotAuthorized.Code || slices.Contains(pk.ReasonCodes, packets.ErrNotAuthorized.Code)
	if rule := c.refusal.Load(); denied && rule != nil {
		c.refusal.Store(nil)
		pk.Properties.ReasonString = *rule
	}
	return pk
}

// OnPacketRead prevents a client from extending its session with its DISCONNECT, which the library does not check.
func (g *accessHook) OnPacketRead(_ *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if pk.FixedHeader.Type == packets.Disconnect {
		pk.Properties.SessionExpiryInterval = min(pk.Properties.SessionExpiryInterval, g.expiry)
	}
	return pk, nil
}

// OnSubscribe empties invalid and surplus filters: the library refuses an empty one. A client with a small receive maximum is
// granted QoS 0.
func (g *accessHook) OnSubscribe(client *mochi.Client, pk packets.Packet) packets.Packet {
	a := g.accounts.byName[string(client.Properties.Username)]
	count := client.State.Subscriptions.Len()
	c := connOf(client)
	for i := range pk.Filters {
		if c != nil && c.modest {
			pk.Filters[i].Qos = 0
		}
		filter := pk.Filters[i].Filter
		if _, again := client.State.Subscriptions.Get(filter); again {
			continue
		}
		count++
		full := count > maxSubscriptions && (a == nil || !a.internal)
		if full || mqtt.CheckFilter(filter) != nil {
			pk.Filters[i].Filter = ""
		} else if a == nil || !a.maySubscribe(filter) {
			g.refuse(client, a, false, filter)
		}
	}
	return pk
}

// OnPublish clears the retain flag of a message that must not be retained, or for which there is no room.
func (g *accessHook) OnPublish(client *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if pk.FixedHeader.Retain {
		pk.FixedHeader.Retain = g.mayRetain(client, pk.TopicName, sizeOf(&pk), len(pk.Payload) == 0)
	}
	return pk, nil
}

// OnWill does the same for a will.
func (g *accessHook) OnWill(client *mochi.Client, will mochi.Will) (mochi.Will, error) {
	if will.Retain {
		will.Retain = g.mayRetain(client, will.TopicName, len(will.TopicName)+len(will.Payload), len(will.Payload) == 0)
	}
	return will, nil
}

// mayRetain decides whether a message is retained. Commands never are. An empty payload deletes, and is always allowed.
func (g *accessHook) mayRetain(client *mochi.Client, topic string, size int, deletes bool) bool {
	if strings.HasPrefix(topic, g.commands) {
		return false
	}
	if deletes || string(client.Properties.Username) == internalUser {
		return true
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	before, exists := g.retained[topic]
	if g.size-before+size <= maxRetainedBytes && (exists || len(g.retained) < maxRetained) {
		return true
	}
	g.notes.warn("retained", "there is no room for more retained messages", "user", string(client.Properties.Username),
		"client", client.ID, "topic", shortened(topic))
	return false
}

// sizeOf returns the size of a message: of the whole packet, since properties count too.
func sizeOf(pk *packets.Packet) int {
	return max(pk.FixedHeader.Remaining, len(pk.TopicName)+len(pk.Payload))
}

// OnRetainMessage tracks what is retained.
func (g *accessHook) OnRetainMessage(_ *mochi.Client, pk packets.Packet, _ int64) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.size -= g.retained[pk.TopicName]
	delete(g.retained, pk.TopicName)
	if len(pk.Payload) > 0 {
		g.retained[pk.TopicName] = sizeOf(&pk)
		g.size += sizeOf(&pk)
	}
}

// OnRetainedExpired tracks what is retained.
func (g *accessHook) OnRetainedExpired(topic string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.size -= g.retained[topic]
	delete(g.retained, topic)
}

// OnPublishDropped disconnects a client that takes its messages too slowly, so that it knows that it has missed some.
func (g *accessHook) OnPublishDropped(client *mochi.Client, _ packets.Packet) {
	g.notes.warn("slow "+string(client.Properties.Username), "a client takes its messages too slowly and is disconnected",
		"user", string(client.Properties.Username), "client", client.ID)
	if c := connOf(client); c != nil {
		c.end()
	}
}

// OnClientExpired deletes the subscriptions of an expired session. The library leaves them to the next client with the same id.
func (g *accessHook) OnClientExpired(client *mochi.Client) {
	g.server.UnsubscribeClient(client)
	client.ClearInflights()
}

// notes logs warnings that clients can cause, each kind at most once a minute, since the log wears the card. A kind must not
// contain anything that a client chooses.
type notes struct {
	log  *slog.Logger
	mu   sync.Mutex
	last map[string]*note
}

type note struct {
	at      time.Time
	swallow int
}

func (n *notes) warn(kind, message string, attributes ...any) {
	n.mu.Lock()
	defer n.mu.Unlock()
	now := time.Now()
	before := n.last[kind]
	if before == nil {
		before = &note{}
		n.last[kind] = before
	} else if now.Sub(before.at) < time.Minute {
		before.swallow++
		return
	}
	if before.swallow > 0 {
		attributes = append(attributes, "more_since_last", before.swallow)
	}
	before.at, before.swallow = now, 0
	n.log.Warn(message, attributes...)
}

// shortened bounds the text of a client in the log.
func shortened(text string) string {
	const maxBytes = 128
	if len(text) <= maxBytes {
		return text
	}
	return strings.ToValidUTF8(text[:maxBytes], "") + "…"
}

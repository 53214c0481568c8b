// Package broker is the embedded MQTT broker: it serves the demo, and clients on the same board that need no broker of
// the distribution. It speaks MQTT 3.1.1 and 5 (OASIS) by mochi-mqtt/server, on loopback addresses only.
//
//	b, err := broker.Start(broker.Options{Listen: "127.0.0.1:1883", Root: "dewline/north-loft", Users: users})
//	defer b.Close()
//	link, err := mqtt.New(mqtt.Options{Broker: b.URL(), Credentials: b.Credentials, …})
//
// # Who may do what
//
// What no rule allows is denied. Each user has a list of rules in a fixed order, and the first rule that fits decides:
//
//  1. no user may write a topic that begins with $;
//  2. no user may write below ROOT/command, unless commands are allowed;
//  3. the read filters of the user, in the order of the configuration;
//  4. the write filters of the user, likewise;
//  5. everything else is denied.
//
// Where no user is configured, a client without a name may read ROOT/# and, if commands are allowed, write
// ROOT/command/+. A client with a name is refused then. The program itself logs in with a name of its own and a secret
// that is made at the start and never leaves the process; it may read everything and write below ROOT.
//
// A subscription of a user is granted only if a read filter covers all of it: a user who may read a/b/# is refused the
// subscription a/#, rather than given a silent part of it. A client without a name may subscribe to # as well, as people do to
// look around, and gets of it what it may read: every message is held to the rules on its way out. The log says by which rule
// something was refused, and so does the reason string of MQTT 5. The will of a client is held to the same rules as what it
// publishes, and a client with a forbidden will is not let in: the library does not check wills.
//
// A client id belongs to the user who came with it first, while it is connected and while a session is stored for it;
// another user with the same id is refused. The same user takes the old connection over.
//
// # Limits
//
// A packet has at most 64 KiB, before login too. There are at most 32 connections; where one more comes, the oldest that
// has not logged in makes room, and a login takes at most 10 s. A user has at most 16 connections and stored sessions
// together, of which the session that was left longest ago gives way; a client at most 256 subscriptions, a topic at most 1024 bytes and 32 levels. Retained messages are at most
// 2048 and 16 MiB; what exceeds that is passed on but not retained. A client that does not take what it subscribed to is
// disconnected after 5 s, or at 4096 waiting messages; it gets the retained messages again when it reconnects. 1024 messages of
// QoS 1 or 2 wait for a client that is away, at most one hour; of more, the newest are lost. Messages that waited may come
// out of order, so subscribers sort events by their sequence number.
//
// A client of MQTT 5 that names a receive maximum below 1024 gets everything with QoS 0.
//
// The broker writes nothing to disk. A publisher of retained state has to publish it again after each connect.
//
// A publisher that speaks MQTT 3.1.1 and writes with QoS 1 what it may not is disconnected, since that version has no other
// way to say no (MQTT 3.1.1 section 3.3.5). The log names it, at most once a minute.
package broker

// Package deliver holds the outbox, the worker that empties it, and the MQTT notifier.
//
//	link, err := mqtt.New(mqtt.Options{…, Will: topics.Will(run, clock)})
//	out, err := deliver.NewMQTT(deliver.MQTTOptions{Site: "north-loft", Topics: topics, Link: link, Queue: queue, …})
//	go out.Run(ctx)
//	item, err := out.OfEntry(entry) // every journal entry, in order
//	err = out.Add(item)             // once entry and item are recorded
//	out.Point(state)                // whenever a point's state has changed
//	out.Alarm(state)
//	out.Reading(reading)
//	for c := range out.Commands() { … }
//
// None of these calls waits for the broker. Events must not be lost: they go through the [Queue], and an event leaves it only
// when the broker has acknowledged it on the connection that carried it. States (points, alarms) are not queued: the newest
// state replaces an older one that was not sent yet, and after each connect the whole snapshot is published again, since a
// broker can lose what it retained. Readings are worthless later and are dropped while there is no connection.
//
// The package decides nothing about who gets which alarm; that is package notify. Webhook and e-mail are in subpackages.
//
// # Topics
//
// All below the root, dewline/<site> unless configured otherwise; see [Topics]:
//
//	status                                retained, QoS 1   {"state":"online","time":…,"boot":…,"synchronized":…}
//	readings/<place>/<quantity>           QoS 0             SenML JSON (RFC 8428)
//	points/<place>/<quantity>             retained, QoS 1   JSON, see [PointMessage]
//	alarms/<place>/<quantity>/<limit>     retained, QoS 1   CloudEvents 1.0 JSON, type dewline.alarm.state.v1
//	alarms/sensor/<sensor>/fault          retained, QoS 1   the same, for a sensor that does not answer
//	alarms/sensor/<sensor>/<channel>/fault                   the same, for a channel whose values are wrong
//	events                                QoS 1             CloudEvents 1.0 JSON of every journal entry
//	command/<verb>                        to dewline        JSON, see [DecodeCommand]
//
// A point or alarm that leaves the configuration gets an empty retained message, which deletes it, also when that
// happened while this program was not running. The status topic is set to offline by a stop (with a time) or by the last will
// (without). A subscriber should treat three minutes of silence as offline too: if the broker runs on the same board, a power
// cut silences both and no will is sent.
//
// Receivers of events: the same source and id is a repeat, data.seq orders and shows gaps.
package deliver

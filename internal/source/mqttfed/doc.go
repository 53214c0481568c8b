// Package mqttfed turns MQTT messages into samples of sensors, for wireless and microcontroller sensors that are not wired to
// the board. The samples go through the same intake line as those of polled sensors.
//
//	feed, err := mqttfed.New([]mqttfed.Source{{
//		ID: "shed-esp", Topic: "shed/esp/bme280",
//		Pointer: map[sensors.Channel]string{sensors.Temperature: "/t", sensors.Humidity: "/rh"},
//		Unit:    map[sensors.Channel]quantity.Unit{sensors.Temperature: quantity.Celsius, sensors.Humidity: quantity.Percent},
//	}}, mqttfed.Options{})
//	...
//	err = feed.Run(ctx, link, func(s intake.Sample) { samples <- s })
//
// There is one [Feed] for each broker, with a link of its own.
//
// # What a payload may be
//
// A source with neither pointers nor SenML names takes the whole payload as one number: "23.4", with white space around
// it, and a NUL behind it, allowed. With pointers it is JSON, and each JSON Pointer (RFC 6901) leads to a number or to a text that is
// one. With SenML names it is a SenML pack (RFC 8428) in JSON, whose records carry their unit and may carry their time.
//
// A message with an empty payload is no reading: it deletes what a broker has retained.
//
// # Time
//
// The time of a message is its arrival, except that a SenML record may carry its own time. That is accepted if it is not more
// than a minute ahead and not older than the stale time of the source; a time less than a minute ahead counts as now. An absolute
// time outside this range means that the sender's clock is wrong: then the newest record counts as of now, and the others are
// ignored. A relative time needs no clock: a record older than the stale time is ignored. A retained or repeated message counts
// only if it carries an acceptable time that has not been seen before.
//
// # What goes wrong
//
// Every failure is a sample with an error of package sensors, whose text names topic and sensor, and with the beginning
// of the payload as evidence:
//
//   - Checksum: the payload cannot be read at all: no number, no JSON, no SenML, or too long;
//   - Implausible: it can be read, and is not a number, is no finite number, or lies outside what air and water in a room can be:
//     −40 to 85 °C, 0 to 120 %RH (above 100 the quality tests have their say), 30 to 120 kPa. These are the usual ranges of
//     sensor chips (common practice, no published source);
//   - Absent: the pointer leads to nothing;
//   - Timeout: no message has come for too long, repeated at each interval.
//
// Where one channel of a message fails and another is good, the sample has the good one and no error; the line reports
// what is missing, and the log says why.
package mqttfed

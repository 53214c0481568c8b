// Package mqttfeed turns MQTT messages into samples of sensors, for wireless and microcontroller sensors that need no wire
// to the board. The samples go through the same intake line as those of polled sensors.
//
//	feed, err := mqttfeed.New([]mqttfeed.Source{{
//		ID: "shed-esp", Topic: "shed/esp/bme280",
//		Pointer: map[sensors.Channel]string{sensors.Temperature: "/t", sensors.Humidity: "/rh"},
//		Unit:    map[sensors.Channel]quantity.Unit{sensors.Temperature: quantity.Celsius, sensors.Humidity: quantity.Percent},
//	}}, mqttfeed.Options{})
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
// A message is from the moment it arrives, except that a SenML record may tell its own time. That is believed when it
// is not more than a minute ahead and not older than the stale time of the source; a time a little ahead counts as now. An
// absolute time beyond belief speaks of a wrong clock: then the newest record counts as of now, and the others do not. A time
// told as so long ago needs no clock: beyond the stale time such a record does not count. What a broker has retained, or
// repeats, is no news: it counts only with a believable time of its own that has not been seen before.
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
//   - Absent: there is nothing where the pointer leads;
//   - Timeout: no message has come for too long, said again at each interval.
//
// Where one channel of a message fails and another is good, the sample has the good one and no error; the line reports
// what is missing, and the log says why.
package mqttfed

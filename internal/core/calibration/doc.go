// Package calibration turns the record of the sensors into what is in force for each of their channels: which correction, from when on,
// where it comes from, when the next one is due, and how far the channel has drifted between two. The record is what people and the
// command calibrate have written into the journal, and the calibrations of the configuration, which are its seeds.
//
// Of all that is on record for a channel the one with the latest date is in force, whether it comes from the configuration or from the
// journal. One of the configuration without a date is older than any of the journal. What was found with another part counts no more,
// nor does what is dated before the sensor was replaced. An entry changes no reading that was recorded before it.
//
// Nothing is edited: an entry that corrects another one takes its place, and a note withdraws it. The order in which entries arrive
// makes no difference.
package calibration

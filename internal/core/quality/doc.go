// Package quality corrects and judges readings: calibration, the tests of the IOOS QARTOD manuals, and the choice among
// several sensors of one point. Everything here is a pure fold over what it is given: it owns no clock and does no I/O.
//
// The tests follow the Manual for Real-Time Quality Control of In-situ Temperature and Salinity Data, version 2.0 (U.S.
// Integrated Ocean Observing System, January 2016). The [Judge] sees one channel of one sensor live and gives each reading its
// flag at once. One test, the spike, can only speak when the next reading is in; the Judge then amends the flag of the reading
// before. An alarm never waits for it.
//
// A flag never raises an alarm. It decides whether a reading is usable, and shows people how far to trust it.
package quality

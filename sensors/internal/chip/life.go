package chip

import "dewline/sensors"

// Life follows a device from one reading to the next: whether it is set up, and what the next reading must report of its
// past. The zero value is a device never met.
type Life struct {
	setUp bool
	lived bool // it has given a reading
	first bool // it has not given one since it was set up
	reset bool // it lost its settings since the last reading
}

// SetUp reports whether the device is identified and configured.
func (l *Life) SetUp() bool { return l.setUp }

// Begun records that the device is set up now.
func (l *Life) Begun() { l.setUp, l.first = true, true }

// WasReset records that the device has lost its settings; it must be set up again.
func (l *Life) WasReset() { l.setUp, l.reset = false, l.lived }

// missed records a failed attempt. A device that did not answer may come back as another one, or without its settings.
func (l *Life) missed(err error) {
	if sensors.KindOf(err) == sensors.Absent {
		l.setUp = false
	}
}

// mark writes what happened since the last reading into a good one.
func (l *Life) mark(reading *sensors.Measurement) {
	reading.First, reading.Reset = l.first, l.reset
	l.lived, l.first, l.reset = true, false, false
}

// Package isa has the alarm states of ANSI/ISA-18.2-2016 and the table by which an alarm goes from one to the next.
package isa

// State is the state of an alarm, by its letter in the state figure of the standard. The zero value is none.
type State string

// The alarm states. Only these nine exist.
const (
	Normal                 State = "A"
	Unacknowledged         State = "B" // the only one that notifies
	Acknowledged           State = "C"
	ReturnedUnacknowledged State = "D"
	LatchedUnacknowledged  State = "E"
	LatchedAcknowledged    State = "F"
	Shelved                State = "G"
	SuppressedByDesign     State = "H"
	OutOfService           State = "I"
)

// Valid reports whether the state is one of the nine.
func (s State) Valid() bool { return len(s) == 1 && s >= Normal && s <= OutOfService }

// InAlarm reports whether the condition holds and is shown: B and C.
func (s State) InAlarm() bool { return s == Unacknowledged || s == Acknowledged }

// Waits reports whether the alarm waits for an acknowledgement: B, D and E.
func (s State) Waits() bool {
	return s == Unacknowledged || s == ReturnedUnacknowledged || s == LatchedUnacknowledged
}

// Silenced reports whether a person or another alarm keeps the alarm silent: G, H and I.
func (s State) Silenced() bool { return s == Shelved || s == SuppressedByDesign || s == OutOfService }

// Words returns the name of the state in the standard, "" for none.
func (s State) Words() string { return words[s] }

var words = map[State]string{
	Normal: "normal", Unacknowledged: "unacknowledged", Acknowledged: "acknowledged",
	ReturnedUnacknowledged: "returned, unacknowledged",
	LatchedUnacknowledged:  "latched, unacknowledged", LatchedAcknowledged: "latched, acknowledged",
	Shelved: "shelved", SuppressedByDesign: "suppressed by design", OutOfService: "out of service",
}

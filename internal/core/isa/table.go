package isa

// Action is what happens to an alarm: a column of the table.
type Action uint8

// The actions, in the order of the columns.
const (
	Raise Action = iota // the condition holds
	Clear               // it holds no more
	Acknowledge
	Reset
	Realarm
	Shelve
	Unshelve
	Suppress
	Unsuppress
	Disable // take out of service
	Enable
	actionCount
)

// What a cell says beside the name of a state.
const (
	same    = "="   // nothing changes
	refused = "!"   // the command is refused
	rest    = "R"   // the strongest suppression still in force, else B while the condition holds, else A
	back    = "D/E" // D, or E where the alarm latches; a notice, which needs no acknowledgement, is normal again
	calm    = "A/F" // A, or F where the alarm latches
)

// transitions has a row for each state. Rows A to F follow the state figure of ANSI/ISA-18.2-2016 (from memory, not confirmed); the
// order of the suppressions and that a return goes to B and never to C are our own choice.
var transitions = map[State][actionCount]string{
	//       raise  clear ack  reset    realarm shelve unshelve suppress unsuppress disable enable
	"A": {"B", same, same, refused, same, "G", same, "H", same, "I", same},
	"B": {same, back, "C", refused, "B", "G", same, "H", same, "I", same},
	"C": {same, calm, same, refused, "B", "G", same, "H", same, "I", same},
	"D": {"B", same, "A", refused, same, "G", same, "H", same, "I", same},
	"E": {"B", same, "F", refused, same, "G", same, "H", same, "I", same},
	"F": {"B", same, same, "A", same, "G", same, "H", same, "I", same},
	"G": {"G", "G", refused, refused, same, "G", rest, "H", same, "I", same},
	"H": {"H", "H", refused, refused, same, "H", "H", same, rest, "I", same},
	"I": {"I", "I", refused, refused, same, refused, "I", "I", "I", same, rest},
}

// Facts are what is known of an alarm beside its state, as they are after the action.
type Facts struct {
	Active   bool // the condition holds
	Shelf    bool // a shelf has not ended
	Design   bool // another alarm suppresses it
	Service  bool // it is out of service
	Latching bool // it needs a reset after it has cleared
	Notice   bool // it needs no acknowledgement
}

// Outcome is the result of an action.
type Outcome uint8

// The outcomes.
const (
	Unchanged Outcome = iota // nothing changes: a repeated command is harmless
	Changed
	Refused
)

// Next returns the state that follows and what came of the action. Realarm changes an alarm also where its state stays.
func (s State) Next(a Action, f Facts) (State, Outcome) {
	next := s
	switch cell := transitions[s][a]; cell {
	case refused:
		return s, Refused
	case same:
		return s, Unchanged
	case rest:
		next = f.rest()
	case back:
		switch {
		case f.Latching:
			next = LatchedUnacknowledged
		case f.Notice:
			next = Normal
		default:
			next = ReturnedUnacknowledged
		}
	case calm:
		next = Normal
		if f.Latching {
			next = LatchedAcknowledged
		}
	default:
		next = State(cell)
	}
	if next == s && a != Realarm {
		return s, Unchanged
	}
	return next, Changed
}

// rest returns the state after a suppression has ended. It is never C: a person must look again.
func (f Facts) rest() State {
	switch {
	case f.Service:
		return OutOfService
	case f.Design:
		return SuppressedByDesign
	case f.Shelf:
		return Shelved
	case f.Active:
		return Unacknowledged
	}
	return Normal
}

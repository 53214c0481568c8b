package watch

import (
	"dewline/internal/core/instant"
)

// The alarm states, with the letters of the state figure of ANSI/ISA-18.2-2016. Only these nine exist.
const (
	Normal                 byte = 'A'
	Unacknowledged         byte = 'B'
	Acknowledged           byte = 'C'
	ReturnedUnacknowledged byte = 'D'
	LatchedUnacknowledged  byte = 'E'
	LatchedAcknowledged    byte = 'F'
	Shelved                byte = 'G'
	SuppressedByDesign     byte = 'H'
	OutOfServiceState      byte = 'I'
)

// action is what happens to an alarm: a column of the transition table.
type action uint8

const (
	raise action = iota
	clear
	acknowledge
	reset
	realarm
	shelve
	unshelve
	suppress
	unsuppress
	disable
	enable
)

// lifecycle is the part of an alarm that ISA-18.2 describes. Shelving, suppression and service are kept as facts beside
// the letter (as OPC 10000-9 has them), so that ending one returns to the strongest that is still in force.
type lifecycle struct {
	Letter     byte            `json:"letter"`
	Active     bool            `json:"active,omitempty"` // the condition holds
	ShelfUntil instant.Instant `json:"shelf_until"`      // None when not shelved
	DesignBy   string          `json:"design_by,omitempty"`
	Service    bool            `json:"service,omitempty"` // out of service
	latching   bool            // needs a reset after it has cleared
	notice     bool            // needs no acknowledgement: clears to normal by itself
}

// outcome is the result of an action.
type outcome uint8

const (
	unchanged outcome = iota // nothing changes; a repeated command is harmless
	changed
	refused
)

// apply performs one action. The caller has already set the facts that the action is about (ShelfUntil, DesignBy and
// Service) and they stay set where the action is refused only if the caller leaves them so.
func (s *lifecycle) apply(a action) outcome {
	switch a {
	case raise:
		s.Active = true
	case clear:
		s.Active = false
	}
	next := s.next(a)
	switch next {
	case '!':
		return refused
	case '=':
		return unchanged
	}
	was := s.Letter
	s.Letter = next
	if was == next && a != realarm {
		return unchanged
	}
	return changed
}

// next returns the letter that follows, '=' for no change, '!' for a refusal.
func (s *lifecycle) next(a action) byte {
	switch s.Letter {
	case OutOfServiceState:
		switch a {
		case acknowledge, reset, shelve:
			return '!'
		case realarm, disable:
			return '='
		case enable:
			return s.rest()
		}
		return OutOfServiceState
	case SuppressedByDesign:
		switch a {
		case acknowledge, reset:
			return '!'
		case realarm, suppress, enable:
			return '='
		case unsuppress:
			return s.rest()
		case disable:
			return OutOfServiceState
		}
		return SuppressedByDesign
	case Shelved:
		switch a {
		case acknowledge, reset:
			return '!'
		case realarm, unsuppress, enable:
			return '='
		case unshelve:
			return s.rest()
		case suppress:
			return SuppressedByDesign
		case disable:
			return OutOfServiceState
		}
		return Shelved
	}
	switch a { // the six unsuppressed states share these columns
	case shelve:
		return Shelved
	case suppress:
		return SuppressedByDesign
	case disable:
		return OutOfServiceState
	case unshelve, unsuppress, enable:
		return '='
	}
	return s.unsuppressed(a)
}

// unsuppressed is the table of the states A to F for raise, clear, acknowledge, reset and realarm.
func (s *lifecycle) unsuppressed(a action) byte {
	switch a {
	case raise:
		if s.Letter == Unacknowledged || s.Letter == Acknowledged {
			return '='
		}
		return Unacknowledged
	case clear:
		switch {
		case s.Letter == Unacknowledged && s.latching:
			return LatchedUnacknowledged
		case s.Letter == Unacknowledged && s.notice:
			return Normal
		case s.Letter == Unacknowledged:
			return ReturnedUnacknowledged
		case s.Letter == Acknowledged && s.latching:
			return LatchedAcknowledged
		case s.Letter == Acknowledged:
			return Normal
		}
		return '='
	case acknowledge:
		switch s.Letter {
		case Unacknowledged:
			return Acknowledged
		case ReturnedUnacknowledged:
			return Normal
		case LatchedUnacknowledged:
			return LatchedAcknowledged
		}
		return '='
	case reset:
		if s.Letter == LatchedAcknowledged {
			return Normal
		}
		return '!'
	}
	// realarm
	if s.Letter == Unacknowledged || s.Letter == Acknowledged {
		return Unacknowledged
	}
	return '='
}

// rest returns the state after a suppression has ended: the strongest suppression still in force, else the one of its condition.
func (s *lifecycle) rest() byte {
	switch {
	case s.Service:
		return OutOfServiceState
	case s.DesignBy != "":
		return SuppressedByDesign
	case !s.ShelfUntil.IsNone():
		return Shelved
	case s.Active:
		return Unacknowledged
	}
	return Normal
}

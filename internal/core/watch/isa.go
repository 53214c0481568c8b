package watch

import (
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
)

// lifecycle is the part of an alarm that ISA-18.2 describes. Shelving, suppression and service are kept as facts beside
// the state (as OPC 10000-9 has them), so that ending one returns to the strongest that is still in force.
type lifecycle struct {
	Letter     isa.State       `json:"letter"`
	Active     bool            `json:"active,omitempty"` // the condition holds
	ShelfUntil instant.Instant `json:"shelf_until"`      // None when not shelved
	DesignBy   string          `json:"design_by,omitempty"`
	Service    bool            `json:"service,omitempty"` // out of service
	latching   bool            // needs a reset after it has cleared
	notice     bool            // needs no acknowledgement: clears to normal by itself
}

// apply performs one action. The caller has already set the facts that the action is about (ShelfUntil, DesignBy and
// Service) and they stay set where the action is refused only if the caller leaves them so.
func (s *lifecycle) apply(a isa.Action) isa.Outcome {
	switch a {
	case isa.Raise:
		s.Active = true
	case isa.Clear:
		s.Active = false
	}
	next, outcome := s.Letter.Next(a, isa.Facts{
		Active: s.Active, Shelf: !s.ShelfUntil.IsNone(), Design: s.DesignBy != "", Service: s.Service,
		Latching: s.latching, Notice: s.notice,
	})
	s.Letter = next
	return outcome
}

// savedLifecycle is a lifecycle in a snapshot, which has the state as the number of its letter.
type savedLifecycle struct {
	Letter     byte
	Active     bool
	ShelfUntil instant.Instant
	DesignBy   string
	Service    bool
}

func (s *lifecycle) saved() savedLifecycle {
	return savedLifecycle{s.Letter[0], s.Active, s.ShelfUntil, s.DesignBy, s.Service}
}

func (s *savedLifecycle) state() isa.State { return isa.State(rune(s.Letter)) }

func (s *savedLifecycle) valid() bool { return s.state().Valid() && validTimes(s.ShelfUntil) }

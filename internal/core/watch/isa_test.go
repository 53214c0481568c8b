package watch

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
)

// prepare sets the facts of an action before it is applied, as the core does.
func prepare(s *lifecycle, a isa.Action) {
	switch a {
	case isa.Shelve:
		if s.Letter != isa.OutOfService {
			s.ShelfUntil = 1
		}
	case isa.Unshelve:
		s.ShelfUntil = instant.None
	case isa.Suppress:
		s.DesignBy = "room"
	case isa.Unsuppress:
		s.DesignBy = ""
	case isa.Disable:
		s.Service = true
	case isa.Enable:
		s.Service = false
	}
}

// When a suppression ends, the next one shows in the order service, design, shelf.
func TestSuppressionsLieOverEachOther(t *testing.T) {
	s := lifecycle{Letter: isa.Normal, ShelfUntil: instant.None}
	do := func(a isa.Action) isa.State { prepare(&s, a); s.apply(a); return s.Letter }
	assert.Equal(t, isa.Unacknowledged, do(isa.Raise))
	assert.Equal(t, isa.Shelved, do(isa.Shelve))
	assert.Equal(t, isa.SuppressedByDesign, do(isa.Suppress))
	assert.Equal(t, isa.OutOfService, do(isa.Disable))
	assert.Equal(t, isa.SuppressedByDesign, do(isa.Enable))
	assert.Equal(t, isa.Shelved, do(isa.Unsuppress))
	assert.Equal(t, isa.Unacknowledged, do(isa.Unshelve), "never back to acknowledged: somebody must look again")
	assert.Equal(t, isa.SuppressedByDesign, do(isa.Suppress))
	assert.Equal(t, isa.SuppressedByDesign, do(isa.Shelve), "a shelf starts underneath")
	assert.Equal(t, isa.Shelved, do(isa.Unsuppress))
}

func TestNoticeNeedsNoAcknowledgement(t *testing.T) {
	s := lifecycle{Letter: isa.Normal, ShelfUntil: instant.None, notice: true}
	s.apply(isa.Raise)
	require.Equal(t, isa.Unacknowledged, s.Letter)
	s.apply(isa.Clear)
	assert.Equal(t, isa.Normal, s.Letter)
}

func TestLifecycleInvariants(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := lifecycle{Letter: isa.Normal, ShelfUntil: instant.None, latching: rapid.Bool().Draw(t, "latching")}
		for _, k := range rapid.SliceOf(rapid.IntRange(int(isa.Raise), int(isa.Enable))).Draw(t, "actions") {
			a := isa.Action(k)
			if a == isa.Raise && s.Active || a == isa.Clear && !s.Active {
				continue // the core raises and clears by turns
			}
			was := s
			prepare(&s, a)
			result := s.apply(a)
			if !s.Letter.Valid() {
				t.Fatalf("letter %q does not exist", s.Letter)
			}
			if s.Letter == isa.Unacknowledged && was.Letter != isa.Unacknowledged && !s.Active {
				t.Fatalf("unacknowledged was entered without the condition")
			}
			if result == isa.Refused && s.Letter != was.Letter {
				t.Fatalf("a refused action moved the alarm")
			}
			if s.Letter == isa.Shelved && s.ShelfUntil.IsNone() {
				t.Fatalf("a shelf without an end")
			}
		}
	})
}

// A condition clears only beyond the deadband, and raises at the limit itself: the deadband does
// not act on the way in.
func TestConditionUsesTheDeadbandOnlyOnTheWayBack(t *testing.T) {
	rule := limitRule{level: 26, returning: 25.5, sign: 1, present: true}
	k := condition{Out: instant.None, Back: instant.None}
	second := instant.Instant(time.Second)
	k.follow(&rule, &segment{0, 10 * second, 25, 26})
	assert.Equal(t, nothing, k.judge(&rule, rule.on, 10*second), "the limit itself is in the band")
	k.follow(&rule, &segment{10 * second, 20 * second, 26, 26.1})
	assert.Equal(t, becomesActive, k.judge(&rule, rule.on, 20*second))
	k.follow(&rule, &segment{20 * second, 30 * second, 26.1, 25.6})
	assert.Equal(t, nothing, k.judge(&rule, rule.on, 30*second))
	k.follow(&rule, &segment{30 * second, 40 * second, 25.6, 25.5})
	assert.Equal(t, becomesNormal, k.judge(&rule, rule.on, 40*second))
}

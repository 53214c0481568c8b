package watch

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
)

// transitions is the whole table of the project's alarm facts: states A to I against eleven actions. "=" nothing changes,
// "!" refused, "X/Y" X or, where the alarm latches, Y; "R" the strongest suppression still in force, else B while the
// condition holds, else A. Rows A to F follow the state figure of ANSI/ISA-18.2-2016 (from memory, not confirmed).
const transitions = `state,raise,clear,ack,reset,realarm,shelve,unshelve,suppress,unsuppress,disable,enable
A,B,=,=,!,=,G,=,H,=,I,=
B,=,D/E,C,!,B,G,=,H,=,I,=
C,=,A/F,=,!,B,G,=,H,=,I,=
D,B,=,A,!,=,G,=,H,=,I,=
E,B,=,F,!,=,G,=,H,=,I,=
F,B,=,=,A,=,G,=,H,=,I,=
G,G,G,!,!,=,G,R,H,=,I,=
H,H,H,!,!,=,H,H,=,R,I,=
I,I,I,!,!,=,!,I,I,I,=,R`

var columns = []action{raise, clear, acknowledge, reset, realarm, shelve, unshelve, suppress, unsuppress, disable, enable}

// in makes a lifecycle in a state, with the facts that belong to it.
func in(letter byte, active, latching bool) lifecycle {
	s := lifecycle{Letter: letter, Active: active, ShelfUntil: instant.None, latching: latching}
	switch letter {
	case Shelved:
		s.ShelfUntil = 1
	case SuppressedByDesign:
		s.DesignBy = "sensor/x/fault"
	case OutOfServiceState:
		s.Service = true
	}
	return s
}

// prepare sets the facts of an action before it is applied, as the core does.
func prepare(s *lifecycle, a action) {
	switch a {
	case shelve:
		if s.Letter != OutOfServiceState {
			s.ShelfUntil = 1
		}
	case unshelve:
		s.ShelfUntil = instant.None
	case suppress:
		s.DesignBy = "room"
	case unsuppress:
		s.DesignBy = ""
	case disable:
		s.Service = true
	case enable:
		s.Service = false
	}
}

func TestEveryTransition(t *testing.T) {
	lines := strings.Split(transitions, "\n")
	names := strings.Split(lines[0], ",")[1:]
	require.Len(t, names, len(columns))
	cells := 0
	for _, line := range lines[1:] {
		fields := strings.Split(line, ",")
		letter := fields[0][0]
		for k, want := range fields[1:] {
			cells++
			for _, active := range [2]bool{false, true} {
				for _, latching := range [2]bool{false, true} {
					s := in(letter, active, latching)
					prepare(&s, columns[k])
					result := s.apply(columns[k])
					name := string(letter) + " " + names[k]
					expect := want
					if before, after, found := strings.Cut(want, "/"); found {
						expect = before
						if latching {
							expect = after
						}
					}
					switch expect {
					case "!":
						assert.Equal(t, refused, result, name)
						assert.Equal(t, letter, s.Letter, name)
					case "=":
						assert.Equal(t, unchanged, result, name)
						assert.Equal(t, letter, s.Letter, name)
					case "R":
						rest := Normal
						if active {
							rest = Unacknowledged
						}
						assert.Equal(t, string(rest), string(s.Letter), name)
					default:
						assert.Equal(t, expect, string(s.Letter), name)
					}
				}
			}
		}
	}
	assert.Equal(t, 99, cells)
}

// When a suppression ends, the next one shows in the order service, design, shelf.
func TestSuppressionsLieOverEachOther(t *testing.T) {
	s := lifecycle{Letter: Normal, ShelfUntil: instant.None}
	do := func(a action) byte { prepare(&s, a); s.apply(a); return s.Letter }
	assert.Equal(t, Unacknowledged, do(raise))
	assert.Equal(t, Shelved, do(shelve))
	assert.Equal(t, SuppressedByDesign, do(suppress))
	assert.Equal(t, OutOfServiceState, do(disable))
	assert.Equal(t, SuppressedByDesign, do(enable))
	assert.Equal(t, Shelved, do(unsuppress))
	assert.Equal(t, Unacknowledged, do(unshelve), "never back to acknowledged: somebody must look again")
	assert.Equal(t, SuppressedByDesign, do(suppress))
	assert.Equal(t, SuppressedByDesign, do(shelve), "a shelf starts underneath")
	assert.Equal(t, Shelved, do(unsuppress))
}

func TestNoticeNeedsNoAcknowledgement(t *testing.T) {
	s := lifecycle{Letter: Normal, ShelfUntil: instant.None, notice: true}
	s.apply(raise)
	require.Equal(t, Unacknowledged, s.Letter)
	s.apply(clear)
	assert.Equal(t, Normal, s.Letter)
}

func TestLifecycleInvariants(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := lifecycle{Letter: Normal, ShelfUntil: instant.None, latching: rapid.Bool().Draw(t, "latching")}
		for _, k := range rapid.SliceOf(rapid.IntRange(0, len(columns)-1)).Draw(t, "actions") {
			a := columns[k]
			if a == raise && s.Active || a == clear && !s.Active {
				continue // the core raises and clears by turns
			}
			was := s
			prepare(&s, a)
			result := s.apply(a)
			if s.Letter < Normal || s.Letter > OutOfServiceState {
				t.Fatalf("letter %q does not exist", s.Letter)
			}
			if s.Letter == Unacknowledged && was.Letter != Unacknowledged && !s.Active {
				t.Fatalf("unacknowledged was entered without the condition")
			}
			if result == refused && s.Letter != was.Letter {
				t.Fatalf("a refused action moved the alarm")
			}
			if s.Letter == Shelved && s.ShelfUntil.IsNone() {
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

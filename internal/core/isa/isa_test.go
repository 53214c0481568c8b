package isa

import (
	"encoding/csv"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The table is the one of the project's alarm facts: states A to I against eleven actions. "=" nothing changes, "!" refused, "X/Y" X
// or, where the alarm latches, Y; "R" the strongest suppression still in force, else B while the condition holds, else A.
func TestTableIsThatOfTheFacts(t *testing.T) {
	file, err := os.Open("testdata/transitions.csv")
	require.NoError(t, err)
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows[0], 1+int(actionCount))
	require.Len(t, transitions, len(rows)-1)
	cells := 0
	for i, row := range rows[1:] {
		require.Equal(t, string("ABCDEFGHI"[i]), row[0])
		for a, want := range row[1:] {
			cells++
			assert.Equal(t, want, transitions[State(row[0])][a], "%s %s", row[0], rows[0][a+1])
		}
	}
	assert.Equal(t, 99, cells)
}

// Every cell, under all facts, leads where it says.
func TestEveryTransition(t *testing.T) {
	bools := [2]bool{false, true}
	for state, row := range transitions {
		for a, cell := range row {
			for _, active := range bools {
				for _, latching := range bools {
					for _, notice := range bools {
						next, outcome := state.Next(Action(a), Facts{Active: active, Latching: latching, Notice: notice})
						want, changes := State(cell), Changed
						switch cell {
						case "=":
							want, changes = state, Unchanged
						case "!":
							want, changes = state, Refused
						case "R":
							want = Normal
							if active {
								want = Unacknowledged
							}
						case "D/E":
							want = ReturnedUnacknowledged
							if notice {
								want = Normal
							}
							if latching {
								want = LatchedUnacknowledged
							}
						case "A/F":
							want = Normal
							if latching {
								want = LatchedAcknowledged
							}
						}
						if want == state && changes == Changed && Action(a) != Realarm {
							changes = Unchanged
						}
						assert.Equal(t, want, next, "%s %d", state, a)
						assert.Equal(t, changes, outcome, "%s %d", state, a)
					}
				}
			}
		}
	}
}

// When a suppression ends, the next one shows in the order service, design, shelf.
func TestStrongestSuppressionShows(t *testing.T) {
	all := Facts{Active: true, Shelf: true, Design: true, Service: true}
	for _, c := range []struct {
		from  State
		by    Action
		facts Facts
		want  State
	}{
		{Shelved, Unshelve, all, OutOfService},
		{OutOfService, Enable, Facts{Active: true, Shelf: true, Design: true}, SuppressedByDesign},
		{SuppressedByDesign, Unsuppress, Facts{Active: true, Shelf: true}, Shelved},
		{Shelved, Unshelve, Facts{Active: true}, Unacknowledged},
		{Shelved, Unshelve, Facts{}, Normal},
	} {
		next, outcome := c.from.Next(c.by, c.facts)
		assert.Equal(t, c.want, next, "%+v", c)
		assert.Equal(t, Changed, outcome, "%+v", c)
	}
}

func TestEveryStateIsOneOfAKind(t *testing.T) {
	seen := map[string]bool{}
	for _, letter := range "ABCDEFGHI" {
		s := State(letter)
		require.True(t, s.Valid())
		require.NotEmpty(t, s.Words())
		require.False(t, seen[s.Words()])
		seen[s.Words()] = true
		assert.False(t, s.Silenced() && (s.InAlarm() || s.Waits()), "%s", s)
	}
	for _, s := range []State{"", "J", "a", "AB"} {
		assert.False(t, s.Valid(), "%q", s)
		assert.Empty(t, s.Words())
	}
}

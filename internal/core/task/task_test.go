package task

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
)

const day = 24 * time.Hour

// begun is when the invented stay of a-2026 as larva begins.
var begun = instant.Of(time.Date(2026, 7, 1, 8, 0, 0, 0, time.UTC))

// at is so many days after that.
func at(days float64) instant.Instant { return begun.Add(time.Duration(days * float64(day))) }

func TestStates(t *testing.T) {
	feed := care.Task{Do: "feed", Every: 2 * day, After: 4 * day, Rotate: []string{"algae", "powder", "protein"}}
	look := care.Task{Do: "look", Every: 12 * time.Hour}
	weekly := care.Task{Do: "stage-check", Every: 7 * day, Until: 28 * day}
	daily := care.Task{Do: "stage-check", Every: 2 * day, After: 28 * day}
	tilt := care.Task{Do: "tilt", After: 30 * day}
	cases := []struct {
		name    string
		task    care.Task
		to      instant.Instant
		done    []Done
		now     instant.Instant
		due     instant.Instant
		missed  int
		turn    string
		overdue bool
	}{
		{"a hatchling is not fed", feed, instant.None, nil, at(0), at(4), 0, "algae", false},
		{"first feeding", feed, instant.None, nil, at(4), at(4), 0, "algae", false},
		{"fed once", feed, instant.None, []Done{{"feed", at(4.1)}}, at(5), at(6.1), 0, "powder", false},
		{"the rotation begins again", feed, instant.None, []Done{{"feed", at(8)}, {"feed", at(4)}, {"feed", at(6)}}, at(10.5), at(10), 0, "algae", false},
		{"late by half an interval", feed, instant.None, []Done{{"feed", at(4)}}, at(7), at(6), 0, "powder", true},
		{"missed twice", feed, instant.None, []Done{{"feed", at(4)}}, at(10.5), at(6), 2, "powder", true},
		{"fed too early counts for the next time", feed, instant.None, []Done{{"feed", at(3)}}, at(3.5), at(5), 0, "powder", false},
		{"fed at the stage before", feed, instant.None, []Done{{"feed", at(-1)}}, at(4.5), at(4), 0, "algae", false},
		{"what is written for later does not count yet", feed, instant.None, []Done{{"feed", at(6)}}, at(4.9), at(4), 0, "algae", false},
		{"another task does not count", feed, instant.None, []Done{{"look", at(4)}}, at(4.9), at(4), 0, "algae", false},
		{"looked at before the stage began", look, instant.None, []Done{{"look", at(-0.25)}}, at(0), at(0.25), 0, "", false},
		{"often to the end", weekly, instant.None, []Done{{"stage-check", at(20)}}, at(27.5), at(27), 0, "", false},
		{"no more after until", weekly, instant.None, []Done{{"stage-check", at(20)}}, at(28), instant.None, 0, "", false},
		{"the next would fall after until", weekly, instant.None, []Done{{"stage-check", at(22)}}, at(23), instant.None, 0, "", false},
		{"the denser one follows", daily, instant.None, []Done{{"stage-check", at(27)}}, at(28), at(29), 0, "", false},
		{"once", tilt, instant.None, nil, at(30.5), at(30), 0, "", false},
		{"once, a day late", tilt, instant.None, nil, at(31), at(30), 0, "", true},
		{"once and done", tilt, instant.None, []Done{{"tilt", at(29)}}, at(40), instant.None, 0, "", false},
		{"once, of a batch before", tilt, instant.None, []Done{{"tilt", at(-90)}}, at(30), at(30), 0, "", false},
		{"the stage is over", look, at(10), []Done{{"look", at(9.9)}}, at(11), instant.None, 0, "", false},
		{"before its end", look, at(10), []Done{{"look", at(9)}}, at(9.6), at(9.5), 0, "", false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			states := States(Stay{[]care.Task{c.task}, begun, c.to}, c.done, c.now)
			require.Len(t, states, 1)
			s := states[0]
			assert.Equal(t, c.due.String(), s.Due.String())
			assert.Equal(t, c.missed, s.Missed)
			assert.Equal(t, c.turn, s.Turn)
			assert.Equal(t, !c.due.IsNone() && c.due <= c.now, s.IsDue(c.now))
			assert.Equal(t, c.overdue, s.IsOverdue(c.now))
		})
	}
}

func drawTask(t *rapid.T) care.Task {
	hours := func(name string, low, high int) time.Duration {
		return time.Duration(rapid.IntRange(low, high).Draw(t, name)) * time.Hour
	}
	made := care.Task{Do: "feed", Every: hours("every", 0, 200), After: hours("after", 0, 200)}
	if rapid.Bool().Draw(t, "ends") {
		made.Until = made.After + hours("until", 1, 500)
	}
	if n := rapid.IntRange(0, 4).Draw(t, "turns"); n > 0 {
		made.Rotate = []string{"a", "b", "c", "d"}[:n]
	}
	return made
}

func drawDone(t *rapid.T) (done []Done) {
	for _, hours := range rapid.SliceOfN(rapid.IntRange(-300, 1500), 0, 20).Draw(t, "done") {
		done = append(done, Done{rapid.SampledFrom([]string{"feed", "look"}).Draw(t, "do"), begun.Add(time.Duration(hours) * time.Hour)})
	}
	return done
}

// The order of what was done is of no account; nothing is due outside its time; doing it moves the due time on by an interval and the
// rotation by one; and doing more never makes anything due earlier.
func TestDoingMovesOn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		stay := Stay{Tasks: []care.Task{drawTask(t)}, From: begun, To: instant.None}
		if rapid.Bool().Draw(t, "over") {
			stay.To = begun.Add(time.Duration(rapid.IntRange(1, 1200).Draw(t, "to")) * time.Hour)
		}
		made := stay.Tasks[0]
		done, now := drawDone(t), begun.Add(time.Duration(rapid.IntRange(0, 1200).Draw(t, "now"))*time.Hour)
		before := States(stay, done, now)[0]

		require.Equal(t, before, States(stay, rapid.Permutation(done).Draw(t, "order"), now)[0])

		if !before.Due.IsNone() {
			require.GreaterOrEqual(t, before.Due, begun.Add(made.After))
			if made.Until > 0 {
				require.Less(t, before.Due, begun.Add(made.Until))
			}
			if !stay.To.IsNone() {
				require.Less(t, before.Due, stay.To)
				require.Less(t, now, stay.To)
			}
		}
		if !stay.To.IsNone() && now >= stay.To {
			require.True(t, before.Due.IsNone(), "a stage that is over asks for nothing")
			return
		}
		after := States(stay, append(done, Done{made.Do, now}), now)[0]
		require.Zero(t, after.Missed)
		require.Equal(t, now, after.Last)
		require.False(t, after.IsDue(now) && begun.Add(made.After) < now, "just done")
		if !after.Due.IsNone() {
			require.Positive(t, made.Every)
			require.Equal(t, max(now.Add(made.Every), begun.Add(made.After)), after.Due)
			require.GreaterOrEqual(t, after.Due, before.Due)
		}
		if n := len(made.Rotate); n > 0 {
			require.Equal(t, (slices.Index(made.Rotate, before.Turn)+1)%n, slices.Index(made.Rotate, after.Turn))
		}
	})
}

// A keeper who does each task as it falls due meets every interval, and the whole rotation in equal shares.
func TestADutifulKeeper(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		made := drawTask(t)
		if made.Every == 0 {
			made.Every = time.Hour
		}
		stay := Stay{Tasks: []care.Task{made}, From: begun, To: instant.None}
		var done []Done
		turns := map[string]int{}
		now := begun
		for range 24 {
			s := States(stay, done, now)[0]
			if s.Due.IsNone() {
				break
			}
			now = s.Due
			turns[s.Turn]++
			done = append(done, Done{made.Do, now})
		}
		for i := range done {
			require.Equal(t, begun.Add(made.After).Add(time.Duration(i)*made.Every), done[i].At)
		}
		for _, a := range turns {
			for _, b := range turns {
				require.LessOrEqual(t, a-b, 1)
			}
		}
	})
}

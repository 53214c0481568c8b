// Package task computes which care tasks are due, overdue and next, from the stay of a cohort at a stage and the times at which
// tasks were done.
//
//	states := task.States(task.Stay{Tasks: profile.Care[stage].Tasks, From: begun, To: instant.None}, done, now)
//	for _, s := range states {
//		s.Due     // the next time; instant.None where nothing is left to do in this stage
//		s.Turn    // what is next in the rotation, such as a kind of food
//	}
//
// It is pure: what was done comes in, and the result follows from that and the time alone, in whatever order it was written down.
package task

import (
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
)

// Stay is the time that a cohort spends at one stage.
type Stay struct {
	Tasks    []care.Task
	From, To instant.Instant // To is [instant.None] while it lasts
}

// Done is one time at which a task was done.
type Done struct {
	Do string // the word of [care.Task]
	At instant.Instant
}

// State is how a task of a stay is at a time.
type State struct {
	Task   care.Task
	Due    instant.Instant // the next time, which may be past; [instant.None] where nothing is left to do in this stay
	Last   instant.Instant // when it was last done, before the stay included; [instant.None]: never
	Missed int             // intervals that have passed whole since Due
	Turn   string          // what is next in the rotation; "" without one
}

// graceOnce is how late something that is done once may be before it is overdue. Common practice, no published source.
const graceOnce = 24 * time.Hour

// IsDue reports whether it is time to do it.
func (s *State) IsDue(now instant.Instant) bool { return !s.Due.IsNone() && s.Due <= now }

// IsOverdue reports whether it is late by more than half of its interval; by more than a day for what is done once. Common
// practice, no published source.
func (s *State) IsOverdue(now instant.Instant) bool {
	grace := s.Task.Every / 2
	if s.Task.Every == 0 {
		grace = graceOnce
	}
	return s.IsDue(now) && s.Due.Add(grace) <= now
}

// States returns how each task of a stay is at a time, in the order of the profile. Done may hold other tasks, in any order; what is
// later than now is left out.
func States(stay Stay, done []Done, now instant.Instant) []State {
	states := make([]State, 0, len(stay.Tasks))
	for i := range stay.Tasks {
		states = append(states, state(stay, &stay.Tasks[i], done, now))
	}
	return states
}

func state(stay Stay, t *care.Task, done []Done, now instant.Instant) State {
	s := State{Task: *t, Due: instant.None, Last: instant.None}
	here := 0 // times within the stay
	for _, d := range done {
		if d.Do != t.Do || d.At > now {
			continue
		}
		s.Last = max(s.Last, d.At)
		if d.At >= stay.From && (stay.To.IsNone() || d.At < stay.To) {
			here++
		}
	}
	if len(t.Rotate) > 0 {
		s.Turn = t.Rotate[here%len(t.Rotate)]
	}
	if t.Every == 0 && here > 0 {
		return s
	}
	due := stay.From.Add(t.After)
	if t.Every > 0 && !s.Last.IsNone() {
		due = max(due, s.Last.Add(t.Every)) // what was done at the stage before counts
	}
	end := stay.To
	if until := stay.From.Add(t.Until); t.Until > 0 && (end.IsNone() || until < end) {
		end = until
	}
	if !end.IsNone() && (due >= end || now >= end) {
		return s
	}
	s.Due = due
	if t.Every > 0 && due <= now {
		s.Missed = int(now.Sub(due) / t.Every)
	}
	return s
}

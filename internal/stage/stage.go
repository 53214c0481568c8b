package stage

import (
	"fmt"
	"time"

	"dewline/internal/quantity"
)

// Stage is a span of an amphibian's life. Where a Gosner (1960) range applies it stands in the profile.
type Stage uint8

// The stages in the order of life.
const (
	NoStage Stage = iota
	Egg
	Larva
	Metamorph
	Juvenile
	Adult
	stageCount
)

var stageNames = [stageCount]string{"", "egg", "larva", "metamorph", "juvenile", "adult"}

// All returns the stages in the order of life.
func All() []Stage { return []Stage{Egg, Larva, Metamorph, Juvenile, Adult} }

// Parse reads the name of a stage.
func Parse(name string) (Stage, error) {
	for s := Egg; s < stageCount; s++ {
		if stageNames[s] == name {
			return s, nil
		}
	}
	return NoStage, fmt.Errorf("unknown stage %q (egg, larva, metamorph, juvenile or adult)", name)
}

// String returns the name of the stage.
func (s Stage) String() string { return stageNames[s] }

// MarshalText writes the name of the stage.
func (s Stage) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads the name of a stage; empty text is no stage.
func (s *Stage) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*s = NoStage
		return nil
	}
	parsed, err := Parse(string(text))
	if err != nil {
		return err
	}
	*s = parsed
	return nil
}

// Care is what one stage asks for: a band per quantity.
type Care struct {
	Stage  Stage
	Gosner string // such as "26–41"; empty where it does not apply
	Bands  map[quantity.Quantity]DayNight
	Notes  []string // advice that goes with the stage
}

// Profile is a care profile: the bands of every stage of a kind of animal.
type Profile struct {
	ID      string // such as "tropical-forest-floor"
	Title   string
	Caution string // shown wherever the profile is shown
	Care    map[Stage]Care
	Sources map[string]string // path of a number in the file → where it comes from
}

// Since is one entry of a cohort's timeline: from this time on it is at this stage.
type Since struct {
	Stage Stage
	At    time.Time
}

// StageAt returns the stage of a timeline (sorted by time) at time t; NoStage before its first entry.
func StageAt(timeline []Since, t time.Time) Stage {
	current := NoStage
	for _, entry := range timeline {
		if entry.At.After(t) {
			break
		}
		current = entry.Stage
	}
	return current
}

package care

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"
	"time"

	"dewline/internal/core/quantity"
)

// Stage is a span of an amphibian's life. Where a Gosner (1960) range applies, the profile names it.
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

// common are the names that people use for some stages.
var common = map[string]Stage{"tadpole": Larva, "froglet": Juvenile}

// Parse reads the name of a stage, or the common one: a tadpole is a larva, a froglet a juvenile.
func Parse(name string) (Stage, error) {
	if s, ok := common[name]; ok {
		return s, nil
	}
	for s := Egg; s < stageCount; s++ {
		if stageNames[s] == name {
			return s, nil
		}
	}
	return NoStage, fmt.Errorf("unknown stage %q (egg, larva or tadpole, metamorph, juvenile or froglet, adult)", name)
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
	Tasks  []Task   // what to do, and how often
	Lasts  Lasting  // how long it lasts; the zero value where the profile does not know
}

// Profile is a care profile: the bands of every stage of a kind of animal.
type Profile struct {
	ID      string // such as "tropical-forest-floor"
	Title   string
	Caution string // shown wherever the profile is shown
	Care    map[Stage]Care
	Sources map[string]string // path of a number in the file → where it comes from
}

// Lasting is how long a stage lasts in water of one temperature.
type Lasting struct {
	For    time.Duration
	At     float64 // °C
	Source string
}

// GosnerRange returns the first and the last Gosner stage; 0 where none applies.
func (c *Care) GosnerRange() (first, last int) {
	a, b, two := strings.Cut(strings.NewReplacer("–", "-", " ", "").Replace(c.Gosner), "-")
	first, err := strconv.Atoi(a)
	if err != nil {
		return 0, 0
	}
	if !two {
		return first, first
	}
	if last, err = strconv.Atoi(b); err != nil {
		return 0, 0
	}
	return first, last
}

// HowSoon returns what the notes of a stage say about how fast a person must act, such as "within 2 h outside the band …"; "" where
// they say nothing. Such a note begins with "Act within".
func (c *Care) HowSoon() string {
	for _, note := range c.Notes {
		if rest, ok := strings.CutPrefix(note, "Act within"); ok {
			return "within" + rest
		}
	}
	return ""
}

// SourceOf returns where a limit of a stage comes from, found by its value: the one that holds may be that of another cohort or of
// the place. It returns "" where the profile has no such limit, or no source for it.
func (p *Profile) SourceOf(at Stage, q quantity.Quantity, l Limit, value float64) string {
	bands, ok := p.Care[at].Bands[q]
	if !ok {
		return ""
	}
	base := "stages." + at.String() + "." + q.String() + "."
	switch value {
	case bands.Day.Limits[l]:
		return cmp.Or(p.Sources[base+"day."+l.String()], p.Sources[base+l.String()])
	case bands.Night.Limits[l]:
		return cmp.Or(p.Sources[base+"night."+l.String()], p.Sources[base+l.String()])
	}
	return ""
}

// Since is one entry of a cohort's timeline: from this time on it is at this stage.
type Since struct {
	Stage Stage
	At    time.Time
}

// StageAt returns the stage of a timeline (sorted by time) at time t; NoStage before its first entry.
func StageAt(timeline []Since, t time.Time) Stage {
	current, _ := EntryAt(timeline, t)
	return current.Stage
}

// EntryAt returns the entry of a timeline (sorted by time) that holds at time t and the one that follows it; the zero value
// where there is none.
func EntryAt(timeline []Since, t time.Time) (current, next Since) {
	for _, entry := range timeline {
		if entry.At.After(t) {
			return current, entry
		}
		current = entry
	}
	return current, Since{}
}

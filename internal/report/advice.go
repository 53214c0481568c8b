package report

import (
	"fmt"
	"slices"

	"dewline/internal/core/care"
)

// Advice is what a care profile says about a stage, with the sources in its words.
type Advice struct {
	Profile string   `json:"profile"`
	Stage   string   `json:"stage"`
	Gosner  string   `json:"gosner,omitempty"`
	Notes   []string `json:"notes"`
}

// advice lists what the profiles say about each stage that was lived in the range, in the order of life.
func (s *subject) advice() []Advice {
	type lived struct {
		profile string
		stage   care.Stage
	}
	seen := map[lived]bool{}
	all := []Advice{}
	for _, stage := range care.All() {
		for i := range s.watched.Intervals {
			n := &s.watched.Intervals[i]
			of := lived{n.Profile, n.Stage}
			here := (s.place == "" || n.Place == s.place) && (s.Cohort == "" || n.Cohort == s.Cohort) && n.From < s.To && n.To > s.From
			profile := s.watched.Profiles[n.Profile]
			if n.Stage != stage || !here || profile == nil || seen[of] {
				continue
			}
			seen[of] = true
			if needs := profile.Care[stage]; len(needs.Notes) > 0 {
				all = append(all, Advice{n.Profile, stage.String(), needs.Gosner, slices.Clone(needs.Notes)})
			}
		}
	}
	return all
}

// adviceSection shows how soon the profiles ask a person to act at each stage. The JSON form has all notes, and so has profile list.
func adviceSection(all []Advice) Section {
	section := Section{Title: "How soon to act, by stage"}
	for i := range all {
		a := &all[i]
		needs := care.Care{Notes: a.Notes}
		if soon := needs.HowSoon(); soon != "" {
			section.Lines = append(section.Lines, fmt.Sprintf("%s, %s: %s", a.Profile, a.Stage, soon))
		}
	}
	return section
}

package web

import (
	"cmp"
	"net/http"
	"slices"
	"strings"

	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// CareJSON is what a care profile says about a cohort at its stage.
type CareJSON struct {
	Cohort  string       `json:"cohort"`
	Place   string       `json:"place"`
	Profile string       `json:"profile"`
	Stage   string       `json:"stage"`
	Notes   []string     `json:"notes"` // what you see, what to do, how fast to act
	Tasks   []CareTask   `json:"tasks"`
	Sources []CareSource `json:"sources"` // where the limits come from
}

// CareTask is something to do at a stage, and how often.
type CareTask struct {
	Text   string `json:"text"`
	Note   string `json:"note,omitempty"`
	Source string `json:"source,omitempty"`
}

// CareSource says where limits of a quantity come from.
type CareSource struct {
	Quantity string `json:"quantity"`
	Source   string `json:"source"`
}

// serveCare says for each cohort that lives now what its profile says about its stage.
func (s *site) serveCare(w http.ResponseWriter, r *http.Request) {
	site, now, list := s.Site(), instant.Of(s.Current.Get().At), []CareJSON{}
	for i := range site.Intervals {
		home := &site.Intervals[i]
		if home.Holds(now) && home.Place != "" {
			list = append(list, stageCareOf(site.Profiles[home.Profile], home))
		}
	}
	answer(w, r, http.StatusOK, list)
}

func stageCareOf(profile *care.Profile, home *cohort.Interval) CareJSON {
	of := CareJSON{
		Cohort: home.Cohort, Place: home.Place, Profile: home.Profile, Stage: home.Stage.String(), Notes: []string{}, Tasks: []CareTask{},
		Sources: []CareSource{},
	}
	if profile == nil {
		return of
	}
	of.Profile = cmp.Or(profile.Title, profile.ID)
	needs := profile.Care[home.Stage]
	of.Notes = append(of.Notes, needs.Notes...)
	for i := range needs.Tasks {
		task := &needs.Tasks[i]
		of.Tasks = append(of.Tasks, CareTask{task.String(), task.Note, task.Source})
	}
	for path, source := range profile.Sources {
		of.Sources = append(of.Sources, sourceOf(path, home.Stage, source)...)
	}
	slices.SortStableFunc(of.Sources, func(a, b CareSource) int {
		return cmp.Or(cmp.Compare(a.Quantity, b.Quantity), cmp.Compare(a.Source, b.Source))
	})
	of.Sources = slices.Compact(of.Sources)
	return of
}

// sourceOf reads the path of a number in a profile; nothing where it is no limit of the stage.
func sourceOf(path string, stage care.Stage, source string) []CareSource {
	rest, of := strings.CutPrefix(path, "stages."+stage.String()+".")
	name, _, _ := strings.Cut(rest, ".")
	if _, err := quantity.Parse(name); !of || err != nil {
		return nil
	}
	return []CareSource{{name, source}}
}

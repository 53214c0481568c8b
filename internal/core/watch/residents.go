package watch

import (
	"dewline/internal/core/care"
	"dewline/internal/core/instant"
)

// Resident is a cohort at the stage that it has reached.
type Resident struct {
	Cohort string
	Stage  care.Stage
}

// Residents lists the cohorts that live in a place at a time, in the order of the configuration.
func (c *Core) Residents(place string, at instant.Instant) []Resident {
	var list []Resident
	for i := range c.site.Cohorts {
		if h := &c.site.Cohorts[i]; h.Place == place && place != "" {
			if s := care.StageAt(h.Stages, at.Time()); s != care.NoStage {
				list = append(list, Resident{h.ID, s})
			}
		}
	}
	return list
}

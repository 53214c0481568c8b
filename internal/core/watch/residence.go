package watch

import (
	"slices"
	"time"

	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/residence"
)

// Place and Holding are those of package residence.
type (
	Place   = residence.Place
	Holding = residence.Holding
)

// WithRecord returns the site with the intervals of its cohorts as the configuration and the entries have them, and the mistings of these.
func (s Site) WithRecord(entries []cohort.Entry) Site {
	s.Intervals, s.Misted = cohort.Fold(s.Cohorts, entries), map[string][]instant.Instant{}
	for _, e := range cohort.InForce(entries) {
		if e.Kind == journal.Misting {
			s.Misted[e.Place] = append(s.Misted[e.Place], e.Since)
		}
	}
	for _, times := range s.Misted {
		slices.Sort(times)
	}
	return s
}

// residence is the site so far as it says who lives where.
func (s *Site) residence() *residence.Site {
	return &residence.Site{Light: s.Light, Places: s.Places, Profiles: s.Profiles, Intervals: s.Intervals}
}

// ResidentsAt returns the intervals of the cohorts that live at a place at time t: see [residence.Site.ResidentsAt].
func (s *Site) ResidentsAt(place string, t instant.Instant) []*cohort.Interval {
	return s.residence().ResidentsAt(place, t)
}

// BandAt returns the band that holds at a point at time t: see [residence.Site.BandAt].
func (s *Site) BandAt(point quantity.Point, t time.Time) Holding {
	return s.residence().BandAt(point, t)
}

// BandBy is [Site.BandAt] by day or by night, whatever the light is at that time.
func (s *Site) BandBy(point quantity.Point, t time.Time, day bool) Holding {
	return s.residence().BandBy(point, t, day)
}

// Apart returns the owners of two bands that leave no value between them: see [residence.Site.Apart].
func (s *Site) Apart(point quantity.Point, t time.Time) [2]string {
	return s.residence().Apart(point, t)
}

package config

import (
	"maps"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/quantity"
	"dewline/internal/core/residence"
)

func (v *validator) cohorts() {
	places := v.placeIDs()
	v.ids("cohort", "cohorts", each(v.Cohorts, func(c Cohort) string { return c.ID }))
	for i := range v.Cohorts {
		cohort, path := &v.Cohorts[i], index("cohorts", i)
		if cohort.Place != "" && v.place(cohort.Place) == nil && !v.unsure.places {
			v.errorf(join(path, "place"), "%s", UnknownWord("place", cohort.Place, without(places, "")))
		}
		profile, known := v.Profiles[cohort.Profile]
		switch {
		case cohort.Profile == "":
			v.required(join(path, "profile"), "cohort %s has no care profile", quoted(cohort.ID))
		case !known && !v.unsure.profiles:
			v.errorf(join(path, "profile"), "%s", UnknownWord("care profile", cohort.Profile, slices.Sorted(maps.Keys(v.Profiles))))
		}
		v.timeline(cohort, path, profile)
	}
	v.intersections()
}

// timeline checks that the stages of a cohort are in the order of time and of life, and that its profile has them.
func (v *validator) timeline(cohort *Cohort, path string, profile *care.Profile) {
	stages := join(path, "stages")
	if len(cohort.Stages) == 0 {
		v.required(stages, "cohort %s has no stage: stages: [{stage: larva, since: 2026-09-01}]", quoted(cohort.ID))
	}
	variesUnseen := false
	var before care.Since
	for i, entry := range cohort.Stages {
		at := index(stages, i)
		if entry.Stage == care.NoStage || entry.At.IsZero() {
			v.requiredEither(at, entry)
			continue
		}
		if !before.At.IsZero() && !entry.At.After(before.At) {
			v.errorf(join(at, "since"), "stages must stand in the order of time: %s is not after %s",
				entry.At.Format(time.RFC3339), before.At.Format(time.RFC3339))
		} else if entry.Stage < before.Stage {
			v.warnf(join(at, "stage"), "%s comes after %s here, and before it in life", entry.Stage, before.Stage)
		}
		before = entry
		if profile == nil {
			continue
		}
		care, ok := profile.Care[entry.Stage]
		if !ok {
			v.warnf(join(at, "stage"), "care profile %s says nothing about the stage %s: no band holds then", profile.ID, entry.Stage)
		}
		for _, both := range care.Bands {
			variesUnseen = variesUnseen || v.Light.AlwaysDay && !sameBand(both.Day, both.Night)
		}
	}
	if variesUnseen {
		v.warnf(join(path, "profile"), "care profile %s has bands for the night, which never hold, since the site gives no light hours: light: {day: \"07:00-19:00\"}", profile.ID)
	}
}

// requiredEither reports an entry of a timeline that was built in code without its stage or its time. For one that was read from a
// file the decoder has reported it.
func (v *validator) requiredEither(path string, entry care.Since) {
	if _, read := v.origins[path]; !read {
		v.errorf(path, "a stage and the time since when belong together: %q since %s", entry.Stage, entry.At.Format(time.RFC3339))
	}
}

// intersections reports where a place's own band and those of the cohorts that live there leave no value in band: the tightest limit
// of all holds, limit by limit.
func (v *validator) intersections() {
	var cohorts []cohort.Seed
	for i := range v.Cohorts {
		c := &v.Cohorts[i]
		cohorts = append(cohorts, cohort.Seed{ID: c.ID, Profile: c.Profile, Place: c.Place, Stages: c.Stages})
	}
	site := residence.Site{Light: v.Light, Profiles: v.Profiles, Intervals: cohort.Fold(cohorts, nil)}
	for i := range v.Places {
		site.Places = append(site.Places, residence.Place{ID: v.Places[i].ID, Bands: v.Places[i].Bands})
	}
	for i := range v.Places {
		place := &v.Places[i]
		var times []time.Time
		quantities := map[quantity.Quantity]bool{}
		at := ""
		for j := range v.Cohorts {
			c := &v.Cohorts[j]
			profile := v.Profiles[c.Profile]
			if c.Place != place.ID || profile == nil {
				continue
			}
			at = join(index("cohorts", j), "place")
			for _, entry := range c.Stages {
				times = append(times, entry.At)
				for q := range profile.Care[entry.Stage].Bands {
					quantities[q] = true
				}
			}
		}
		slices.SortStableFunc(times, time.Time.Compare)
		for _, q := range slices.Sorted(maps.Keys(quantities)) {
			if _, own := place.Bands[q]; own {
				at = join(index("places", i), "bands."+q.String())
			}
			for _, t := range times {
				if apart := site.Apart(quantity.Point{Place: place.ID, Quantity: q}, t); apart[0] != "" {
					v.errorf(at, "no %s suits all of %s from %s on: %s and %s leave no value in band: change one of them, or let the band of the place say override: true",
						q, place.ID, t.Format("2006-01-02"), apart[0], apart[1])
					break
				}
			}
		}
	}
}

package config

import (
	"maps"
	"slices"
	"time"

	"dewline/internal/quantity"
	"dewline/internal/stage"
)

func (v *validator) cohorts() {
	var ids, places []string
	for _, cohort := range v.Cohorts {
		ids = append(ids, cohort.ID)
	}
	for _, place := range v.Places {
		places = append(places, place.ID)
	}
	v.ids("cohort", "cohorts", ids)
	for i := range v.Cohorts {
		cohort, path := &v.Cohorts[i], index("cohorts", i)
		if cohort.Place != "" && v.place(cohort.Place) == nil && !v.unsure.places {
			v.errorf(join(path, "place"), "%s", UnknownWord("place", cohort.Place, without(places, "")))
		}
		profile, known := v.Profiles[cohort.Profile]
		switch {
		case cohort.Profile == "":
			v.lacks(join(path, "profile"), "cohort %s lacks its care profile", quoted(cohort.ID))
		case !known && !v.unsure.profiles:
			v.errorf(join(path, "profile"), "%s", UnknownWord("care profile", cohort.Profile, slices.Sorted(maps.Keys(v.Profiles))))
		}
		v.timeline(cohort, path, profile)
		v.companions(i)
	}
}

// timeline checks the stages of a cohort against the clock, against life and against its profile.
func (v *validator) timeline(cohort *Cohort, path string, profile *stage.Profile) {
	stages := join(path, "stages")
	if len(cohort.Stages) == 0 {
		v.lacks(stages, "cohort %s has no stage: stages: [{stage: larva, since: 2026-09-01}]", quoted(cohort.ID))
	}
	variesUnseen := false
	var before stage.Since
	for i, entry := range cohort.Stages {
		at := index(stages, i)
		if entry.Stage == stage.NoStage || entry.At.IsZero() {
			v.lacksEither(at, entry)
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

// lacksEither reports an entry of a timeline that was built in code without its stage or its time; of one that was read
// the decoder has said what is wrong.
func (v *validator) lacksEither(path string, entry stage.Since) {
	if _, read := v.origins[path]; !read {
		v.errorf(path, "a stage and the time since when belong together: %q since %s", entry.Stage, entry.At.Format(time.RFC3339))
	}
}

// companions warns where two cohorts of one place ask for different things at their latest stages: the core goes by the
// first of them, and the other one is not watched as its stage wants.
func (v *validator) companions(i int) {
	second := &v.Cohorts[i]
	for j := range i {
		first, place := &v.Cohorts[j], v.place(second.Place)
		if place == nil || first.Place != second.Place || first.ID == second.ID {
			continue
		}
		a, b := v.latestCare(first), v.latestCare(second)
		var differ, apart []quantity.Quantity
		for _, q := range slices.Sorted(maps.Keys(b.Bands)) {
			ours, asked := a.Bands[q]
			theirs := b.Bands[q]
			_, own := place.Bands[q]
			switch {
			case own:
			case asked && (doNotMeet(ours.Day, theirs.Day) || doNotMeet(ours.Night, theirs.Night)):
				apart = append(apart, q)
			case !asked || !sameBand(ours.Day, theirs.Day) || !sameBand(ours.Night, theirs.Night):
				differ = append(differ, q)
			}
		}
		at := join(index("cohorts", i), "place")
		if len(apart) > 0 {
			v.warnf(at, "no %s suits both cohorts of %s: the bands of %s (%s) and %s (%s) do not meet, and those of %[3]s hold",
				quantityList(apart), place.ID, first.ID, a.Stage, second.ID, b.Stage)
		}
		if len(differ) > 0 {
			v.warnf(at, "%s lives in %s too and is listed first, so its bands hold there; those of %s differ in %s",
				first.ID, place.ID, second.ID, quantityList(differ))
		}
		return // told against the first one, whose bands hold
	}
}

// latestCare returns what the last stage of a cohort's timeline asks for.
func (v *validator) latestCare(cohort *Cohort) stage.Care {
	profile := v.Profiles[cohort.Profile]
	if profile == nil || len(cohort.Stages) == 0 {
		return stage.Care{}
	}
	return profile.Care[cohort.Stages[len(cohort.Stages)-1].Stage]
}

// doNotMeet reports whether no value lies in both bands.
func doNotMeet(a, b stage.Band) bool {
	return a.Has(stage.Low) && b.Has(stage.High) && a.Limits[stage.Low] > b.Limits[stage.High] ||
		b.Has(stage.Low) && a.Has(stage.High) && b.Limits[stage.Low] > a.Limits[stage.High]
}

package main

import (
	"time"

	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/task"
	"dewline/internal/core/watch"
)

// rounds are the hours of the day at which the invented keeper goes round.
var rounds = [...]time.Duration{8 * time.Hour, 18*time.Hour + 30*time.Minute}

// keptUp returns the care that the invented keeper has given: at each round what was due by the profiles of the animals. Mistings are on
// record by themselves, and the last round has left the animals unfed, so that there is something to do.
func keptUp(site *config.Site, from, until time.Time) (diary []watch.Command) {
	for _, cohort := range site.Cohorts {
		profile := site.Profiles[cohort.Profile]
		if profile == nil || cohort.Place == "" {
			continue
		}
		var done []task.Done
		for day := from; day.Before(until); day = day.AddDate(0, 0, 1) {
			for _, round := range rounds {
				year, month, date := day.Date()
				at := time.Date(year, month, date, 0, 0, 0, 0, site.Location).Add(round)
				last := at.AddDate(0, 0, 1).After(until)
				if at.Before(from) || !at.Before(until) {
					continue
				}
				stage := care.StageAt(cohort.Stages, at)
				stay := task.Stay{Tasks: profile.Care[stage].Tasks, From: since(cohort.Stages, stage), To: instant.None}
				for _, s := range task.States(stay, done, instant.Of(at)) {
					if !s.IsDue(instant.Of(at)) || s.Task.Do == "mist" || last && s.Task.Do == "feed" {
						continue
					}
					done = append(done, task.Done{Do: s.Task.Do, At: instant.Of(at)})
					diary = append(diary, watch.Command{Verb: watch.DoTask, Task: s.Task.Do, Cohort: cohort.ID, By: "keeper", At: instant.Of(at)})
				}
			}
		}
	}
	return diary
}

// since returns when a stage began.
func since(stages []care.Since, stage care.Stage) instant.Instant {
	for _, s := range stages {
		if s.Stage == stage {
			return instant.Of(s.At)
		}
	}
	return instant.None
}

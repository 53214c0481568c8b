package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/configs"
	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/task"
	"dewline/internal/sim"
)

// When the demo begins its animals are looked after, and some wait for their food.
func TestDemoIsKeptUp(t *testing.T) {
	site, problems := config.LoadFS(configs.Files, "demo.yaml")
	require.NoError(t, problems.Err())
	begin := sim.DemoStart(site.Location)
	diary := keptUp(site, begin.AddDate(0, 0, -28), begin)
	hungry := 0
	for _, cohort := range site.Cohorts {
		var done []task.Done
		for _, c := range diary {
			assert.LessOrEqual(t, c.At, instant.Of(begin))
			if c.Cohort == cohort.ID {
				done = append(done, task.Done{Do: c.Task, At: c.At})
			}
		}
		stage := care.StageAt(cohort.Stages, begin)
		stay := task.Stay{Tasks: site.Profiles[cohort.Profile].Care[stage].Tasks, From: since(cohort.Stages, stage), To: instant.None}
		for _, s := range task.States(stay, done, instant.Of(begin)) {
			switch s.Task.Do {
			case "mist": // its mistings are on record by themselves
			case "feed":
				if s.IsDue(instant.Of(begin)) {
					hungry++
				}
				assert.Less(t, s.Missed, 2, "%s: feed", cohort.ID)
			default:
				assert.False(t, s.IsOverdue(instant.Of(begin)), "%s: %s", cohort.ID, s.Task.Do)
			}
		}
	}
	assert.Positive(t, hungry)
}

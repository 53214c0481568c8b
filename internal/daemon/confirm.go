package daemon

import (
	"dewline/internal/core/watch"
	"dewline/internal/server/control"
)

// aboutAnimals are the verbs about animals and their care, whose responses say what is in force now.
var aboutAnimals = map[watch.Verb]bool{
	watch.BeginCohort: true, watch.SetStage: true, watch.MoveCohort: true, watch.CountCohort: true, watch.EndCohort: true,
	watch.DoTask: true, watch.RecordMist: true, watch.WriteNote: true,
}

// confirm completes the response to a command about animals: not what was asked, but what is in force because of it.
func (l *loop) confirm(response *control.Response, cmd *watch.Command, effects []watch.Effect) {
	for _, e := range effects {
		if e.Kind == watch.Record {
			response.Entry = e.Entry.ID()
			break
		}
	}
	response.Cohort = control.CohortOf(l.chain.Core.Animals(), cmd.Cohort, l.now())
	response.Warnings = l.chain.Core.Apart(l.now())
	words := control.Words{Location: l.site.Location, Title: l.title}
	response.Words = words.Confirm(cmd, response)
	for _, warning := range response.Warnings {
		l.options.Log.Warn("cohorts that live together", "problem", warning)
	}
}

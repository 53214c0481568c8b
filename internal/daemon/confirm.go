package daemon

import (
	"dewline/internal/core/watch"
	"dewline/internal/server/control"
)

// onRecord are the verbs about animals, their care and sensors, whose responses say what is in force now.
var onRecord = map[watch.Verb]bool{
	watch.BeginCohort: true, watch.SetStage: true, watch.MoveCohort: true, watch.CountCohort: true, watch.EndCohort: true,
	watch.DoTask: true, watch.RecordMist: true, watch.WriteNote: true, watch.Calibrate: true, watch.ReplaceSensor: true,
}

// confirm completes the response to a command for the record: not what was asked, but what is in force because of it.
func (l *loop) confirm(response *control.Response, cmd *watch.Command, effects []watch.Effect) {
	for _, e := range effects {
		if e.Kind == watch.Record {
			response.Entry = e.Entry.ID()
			break
		}
	}
	response.Cohort = control.CohortOf(l.chain.Core.Animals(), cmd.Cohort, l.now())
	if cmd.Verb == watch.Calibrate || cmd.Verb == watch.ReplaceSensor {
		states, _ := l.chain.Core.Calibrations()
		response.Calibrations = control.CalibrationsAbout(states, cmd, l.clock.Now())
	}
	response.Warnings = l.chain.Core.Apart(l.now())
	switch cmd.Verb {
	case watch.BeginCohort, watch.MoveCohort, watch.SetStage:
		response.Warnings = append(response.Warnings, l.chain.Core.Doubts(cmd.Cohort, l.now())...)
	case watch.DoTask:
		if unknown := l.chain.Core.UnknownTask(cmd, l.now()); unknown != "" {
			response.Warnings = append(response.Warnings, unknown)
		}
	}
	words := control.Words{Location: l.site.Location, Titles: *l.titles.Load(), Temperature: l.site.Display.Temperature}
	response.InForce, response.Words = words.InForce(cmd, response), words.Confirm(cmd, response)
	for _, warning := range response.Warnings {
		l.options.Log.Warn("what is on record of the animals", "problem", warning)
	}
}

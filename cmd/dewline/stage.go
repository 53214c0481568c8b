package main

import (
	"context"
	"fmt"
	"time"

	"dewline/internal/control"
	"dewline/internal/watch"
)

// stageCommand moves cohorts through their stages.
type stageCommand struct {
	Set stageSet `cmd:"" help:"Move a cohort to a stage."`
}

type stageSet struct {
	daemonAt
	Cohort string `arg:"" help:"The cohort's id."`
	Stage  string `arg:"" help:"egg, larva, metamorph, juvenile or adult."`
	At     string `placeholder:"T" help:"When it began: RFC 3339, 2026-07-14 or \"2026-07-14 20:00\" here, or so long ago, as 2d; now if not given."`
	Reason string `help:"A word for the record."`
}

// Run sets the stage.
func (c *stageSet) Run(ctx context.Context, s streams) error {
	at, err := timeOf(c.At, "--at", time.Local)
	if err != nil {
		return err
	}
	client, err := c.dial()
	if err != nil {
		return err
	}
	request := control.Request{Verb: watch.SetStage, Cohort: c.Cohort, Stage: c.Stage, Reason: c.Reason, At: at.String()}
	return send(ctx, client, request, fmt.Sprintf("%s is at stage %s", c.Cohort, c.Stage), s)
}

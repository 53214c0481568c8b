package main

import (
	"context"
	"errors"
	"fmt"

	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/watch"
	"dewline/internal/server/control"
)

// stageCommand moves cohorts through their stages.
type stageCommand struct {
	Set stageSet `cmd:"" help:"Say at which stage a cohort is, now or since an earlier day."`
}

type stageSet struct {
	daemonAt
	Cohort string `arg:"" help:"The cohort's id."`
	Stage  string `arg:"" help:"egg, larva (or tadpole), metamorph, juvenile (or froglet) or adult."`
	At     string `placeholder:"T" help:"When it began: RFC 3339, 2026-07-14 or \"2026-07-14 20:00\" at the site, or so long ago, as 2d; now if not given."`
	Reason string `help:"A word for the record."`
}

// Run sets the stage, and says what is in force because of it.
func (c *stageSet) Run(ctx context.Context, s streams) error {
	to, err := care.Parse(c.Stage)
	if err != nil {
		return usageError{errors.New(config.UnknownWord("stage", c.Stage, stageWords()))}
	}
	client, err := c.dial(ctx)
	if err != nil {
		return err
	}
	site, err := shownBy(ctx, client)
	if err != nil {
		return err
	}
	at, err := timeOf(c.At, "--at", site.location)
	if err != nil {
		return err
	}
	request := control.Request{Verb: watch.SetStage, Cohort: c.Cohort, Stage: to.String(), Reason: c.Reason, At: at.String()}
	response, err := command(ctx, client, request)
	if err != nil {
		return err
	}
	fmt.Fprintln(s.out, inForce(c.Cohort, to.String(), at, response.Cohort, site))
	return nil
}

func stageWords() (words []string) {
	for _, s := range care.All() {
		words = append(words, s.String())
	}
	return append(words, "tadpole", "froglet")
}

// inForce says at which stage a cohort is after a change, and why where that is not the one asked for.
func inForce(cohort, asked string, at instant.Instant, now *control.Cohort, site show) string {
	if now == nil {
		return fmt.Sprintf("%s: the stage %s is on record", cohort, asked)
	}
	where := ""
	if now.Place != "" {
		where = " in " + site.title(now.Place)
	}
	is := now.Stage
	if is == "" {
		is = "without a stage"
	}
	switch {
	case at.IsNone() || at == now.Since:
		text := fmt.Sprintf("%s%s is %s since %s", cohort, where, is, site.date(now.Since))
		if now.Next != "" {
			text += fmt.Sprintf(", and becomes %s on %s", now.Next, site.date(now.NextSince))
		}
		return text
	case at > now.Since:
		return fmt.Sprintf("%s%s stays %s until it becomes %s on %s", cohort, where, is, asked, site.date(at))
	}
	return fmt.Sprintf("%s%s stays %s: a later entry of %s holds; that it was %s from %s on is on record",
		cohort, where, is, site.date(now.Since), asked, site.date(at))
}

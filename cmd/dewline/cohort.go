package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"text/tabwriter"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/core/watch"
	"dewline/internal/format/timetext"
	"dewline/internal/server/control"
)

// cohortCommand keeps the record of the animals: who lives where, at which stage, how many.
type cohortCommand struct {
	List  cohortList  `cmd:"" help:"Say who lives where, at which stage, how many."`
	Begin cohortBegin `cmd:"" help:"Begin a cohort: a clutch, or a part of another cohort."`
	Move  cohortMove  `cmd:"" help:"Say that a cohort has moved to another place; limits, alarms and reports follow it."`
	Stage cohortStage `cmd:"" help:"Say at which stage a cohort is."`
	Count cohortCount `cmd:"" help:"Say how many live on."`
	End   cohortEnd   `cmd:"" help:"Say that a cohort is no more; what is on record of it stays."`
}

// stageCommand is the older form of "cohort stage".
type stageCommand struct {
	Set cohortStage `cmd:"" help:"The same as dewline cohort stage."`
}

// writtenDown are the flags of what a person writes into the record.
type writtenDown struct {
	daemonAt
	At      string `placeholder:"T" help:"When it was: RFC 3339, 2026-07-14 or \"2026-07-14 20:00\" at the site, or so long ago, as 2d; now if not given."`
	Reason  string `help:"A word for the record."`
	Correct string `placeholder:"ID" help:"The entry that this one takes the place of, with its date and all; a note withdraws it."`
}

// send sends a request about animals or their care, and says what is in force because of it.
func (c *writtenDown) send(ctx context.Context, s streams, request control.Request) error {
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
	request.At, request.Reason, request.Corrects = at.String(), c.Reason, c.Correct
	response, err := command(ctx, client, request)
	if err != nil {
		return err
	}
	fmt.Fprintln(s.out, response.Words)
	printEach(s.err, "warning: ", response.Warnings)
	return nil
}

type cohortStage struct {
	writtenDown
	Cohort string `arg:"" help:"The cohort's id."`
	Stage  string `arg:"" help:"egg, larva (or tadpole), metamorph, juvenile (or froglet) or adult."`
	Gosner int    `placeholder:"N" help:"The stage after Gosner (1960), where you have looked: 1 to 46."`
}

// Run sets the stage.
func (c *cohortStage) Run(ctx context.Context, s streams) error {
	to, err := parseStage(c.Stage)
	if err != nil {
		return err
	}
	return c.send(ctx, s, control.Request{Verb: watch.SetStage, Cohort: c.Cohort, Stage: to.String(), Gosner: c.Gosner})
}

func parseStage(name string) (care.Stage, error) {
	stage, err := care.Parse(name)
	if err != nil {
		return stage, usageError{errors.New(config.UnknownWord("stage", name, append(stageNames(), "tadpole", "froglet")))}
	}
	return stage, nil
}

func stageNames() []string {
	return names(care.All(), func(s *care.Stage) string { return s.String() })
}

type cohortBegin struct {
	writtenDown
	Cohort  string `arg:"" help:"An id for the cohort, such as b-2026."`
	Profile string `required:"" placeholder:"ID" help:"Its care profile, one of those of the configuration."`
	Place   string `required:"" placeholder:"ID" help:"The place where it lives."`
	Stage   string `required:"" help:"egg, larva (or tadpole), metamorph, juvenile (or froglet) or adult."`
	Gosner  int    `placeholder:"N" help:"The stage after Gosner (1960): 1 to 46."`
	Count   *int   `placeholder:"N" help:"How many there are."`
}

// Run begins the cohort.
func (c *cohortBegin) Run(ctx context.Context, s streams) error {
	stage, err := parseStage(c.Stage)
	if err != nil {
		return err
	}
	return c.send(ctx, s, control.Request{
		Verb: watch.BeginCohort, Cohort: c.Cohort, Profile: c.Profile, Place: c.Place, Stage: stage.String(), Gosner: c.Gosner, Count: c.Count,
	})
}

type cohortMove struct {
	writtenDown
	Cohort string `arg:"" help:"The cohort's id."`
	Place  string `arg:"" help:"The id of the place it lives in now."`
}

// Run moves the cohort.
func (c *cohortMove) Run(ctx context.Context, s streams) error {
	return c.send(ctx, s, control.Request{Verb: watch.MoveCohort, Cohort: c.Cohort, Place: c.Place})
}

type cohortCount struct {
	writtenDown
	Cohort string `arg:"" help:"The cohort's id."`
	Count  int    `arg:"" help:"How many live on."`
	Why    string `placeholder:"WORD" help:"Why there are fewer, or more: died, sold, split or found."`
}

// Run writes the count down.
func (c *cohortCount) Run(ctx context.Context, s streams) error {
	return c.send(ctx, s, control.Request{Verb: watch.CountCohort, Cohort: c.Cohort, Count: &c.Count, Why: c.Why})
}

type cohortEnd struct {
	writtenDown
	Cohort string `arg:"" help:"The cohort's id."`
	Why    string `placeholder:"WORD" help:"What became of the last of them: died, sold or split."`
}

// Run ends the cohort.
func (c *cohortEnd) Run(ctx context.Context, s streams) error {
	return c.send(ctx, s, control.Request{Verb: watch.EndCohort, Cohort: c.Cohort, Why: c.Why})
}

type cohortList struct {
	daemonAt
	JSON bool `name:"json" help:"Write JSON."`
}

// Run lists the cohorts.
func (c *cohortList) Run(ctx context.Context, s streams) error {
	list, site, err := asked(ctx, c.daemonAt, (*control.Client).Cohorts)
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(s.out, list)
	}
	if len(list) == 0 {
		fmt.Fprintln(s.err, "no cohort is on record: dewline cohort begin writes down the first one")
		return nil
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "COHORT\tSTAGE\tSINCE\tPLACE\tSINCE\tCOUNT\tSINCE")
	for _, shown := range list {
		count, counted := "", ""
		if shown.Count != nil {
			count, counted = fmt.Sprint(*shown.Count), site.date(shown.CountSince)
		}
		switch {
		case !shown.Ended.IsNone():
			fmt.Fprintf(table, "%s\tended\t%s\t\t\t\t\n", shown.Cohort, site.date(shown.Ended))
		case shown.Stage == "":
			fmt.Fprintf(table, "%s\tnot yet %s\t%s\t\t\t\t\n", shown.Cohort, shown.Next, site.date(shown.NextSince))
		default:
			fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", shown.Cohort, shown.Stage, site.date(shown.Since),
				cmp.Or(site.title(shown.Place), "–"), site.date(shown.PlaceSince), count, counted)
		}
	}
	return table.Flush()
}

// doneCommand records that a task of care is done.
type doneCommand struct {
	writtenDown
	Task   string `arg:"" help:"feed, mist, change-water, top-up, drain, look, clean-mister, check-sensor, or a word of your own."`
	Place  string `placeholder:"ID" help:"For which place it is done."`
	Cohort string `placeholder:"ID" help:"For which cohort it is done."`
	Note   string `placeholder:"TEXT" help:"What there was to see, such as \"half was left\"."`
}

// Run records the task.
func (c *doneCommand) Run(ctx context.Context, s streams) error {
	return c.send(ctx, s, control.Request{Verb: watch.DoTask, Task: c.Task, Place: c.Place, Cohort: c.Cohort, Text: c.Note})
}

// mistCommand records a misting.
type mistCommand struct {
	writtenDown
	Place string            `arg:"" help:"The place that was misted."`
	For   timetext.Duration `placeholder:"45s" help:"How long."`
}

// Run records the misting.
func (c *mistCommand) Run(ctx context.Context, s streams) error {
	return c.send(ctx, s, control.Request{Verb: watch.RecordMist, Place: c.Place, ForSeconds: time.Duration(c.For).Seconds()})
}

// noteCommand writes a note into the journal.
type noteCommand struct {
	writtenDown
	Text   string `arg:"" help:"What is noted."`
	Place  string `placeholder:"ID" help:"The place it is about."`
	Cohort string `placeholder:"ID" help:"The cohort it is about."`
}

// Run writes the note.
func (c *noteCommand) Run(ctx context.Context, s streams) error {
	return c.send(ctx, s, control.Request{Verb: watch.WriteNote, Text: c.Text, Place: c.Place, Cohort: c.Cohort})
}

package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/misting/schedule"
	"dewline/internal/report"
	"dewline/internal/source/recorded"
)

// mistingCommand shows how an enclosure dries, and what another misting schedule would bring.
type mistingCommand struct {
	Config   string  `required:"" placeholder:"FILE" help:"The configuration, which names the history."`
	Place    string  `required:"" placeholder:"ID" help:"The enclosure."`
	History  string  `placeholder:"DB" xor:"source" help:"Another history than that of the configuration."`
	Readings string  `placeholder:"FILE.csv" xor:"source" help:"Instead of a history, readings: CSV with the header time,point,value,unit."`
	Schedule *string `placeholder:"TIMES" help:"A schedule to try on the recorded days: local times, each with its length in usual mistings: \"07:30,18:30x0.5\". Empty: no misting."`
	From     string  `placeholder:"T" help:"Begin of the days to look at; the last fourteen if not given."`
	To       string  `placeholder:"T" help:"Their end; the newest reading if not given."`
	JSON     bool    `name:"json" help:"Print JSON."`
}

const (
	// mistingDays is the length of a recording whose begin is not given, and maxMistingDays the most that is held in memory.
	mistingDays    = 14
	maxMistingDays = 62
)

// Run makes the document and prints it.
func (c *mistingCommand) Run(ctx context.Context, s streams) error {
	request := report.MistingRequest{Place: c.Place, Made: instant.Of(time.Now())}
	if c.Schedule != nil {
		schedule, err := schedule.Parse(*c.Schedule)
		if err != nil {
			return usageError{fmt.Errorf("--schedule: %w", err)}
		}
		request.Proposed = schedule
	}
	if s.terminal {
		fmt.Fprint(s.err, "\rfitting the enclosure …")
	}
	site, made, err := c.make(ctx, s, request)
	s.wipe()
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(s.out, made)
	}
	return report.Text(s.out, made.Sheet(report.WordsOf(site)))
}

func (c *mistingCommand) make(ctx context.Context, s streams, request report.MistingRequest) (site *config.Site, made *report.Misting, err error) {
	if c.Readings != "" {
		return c.fromFile(s, request)
	}
	if site, err = loadSite(c.Config, s); err == nil {
		err = placeMeant(site, c.Place)
	}
	if err != nil {
		return site, made, err
	}
	path := cmp.Or(c.History, site.History.Path)
	db, err := openHistory(path)
	if err != nil {
		return site, made, err
	}
	defer db.Close(ctx)
	request.Site = site
	newest := func() (instant.Instant, error) { return report.Newest(ctx, db) }
	if request.From, request.To, err = c.span(site, newest); err != nil {
		return site, made, err
	}
	made, err = report.MistFromHistory(ctx, db, request)
	return site, made, err
}

func (c *mistingCommand) fromFile(s streams, request report.MistingRequest) (site *config.Site, made *report.Misting, err error) {
	if site, err = s.usable(config.LoadForReplay(c.Config)); err == nil {
		err = placeMeant(site, c.Place)
	}
	if err != nil {
		return site, made, err
	}
	file, err := readingsFile(c.Readings)
	if err != nil {
		return site, made, err
	}
	_, last := file.Span()
	if last.IsNone() {
		return site, made, fmt.Errorf("%s holds no readings", c.Readings)
	}
	request.Site = site
	if request.From, request.To, err = c.span(site, func() (instant.Instant, error) { return last.Add(1), nil }); err != nil {
		return site, made, err
	}
	made, err = report.MistFromFile(file, request)
	return site, made, err
}

// span finds the range: whole minutes.
func (c *mistingCommand) span(site *config.Site, newest func() (instant.Instant, error)) (from, to instant.Instant, err error) {
	from, to, err = spanOf(c.From, c.To, site, mistingDays, newest)
	if err == nil && to.Sub(from) > maxMistingDays*24*time.Hour {
		err = usageError{errors.New("--from and --to lie further apart than two months: an enclosure changes in that time, ask for less")}
	}
	return from, to, err
}

func readingsFile(path string) (*recorded.File, error) {
	source, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer source.Close()
	return recorded.Read(path, source)
}

package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"time"

	"dewline/internal/config"
	"dewline/internal/history"
	"dewline/internal/instant"
	"dewline/internal/intake/recorded"
	"dewline/internal/journal"
	"dewline/internal/replay"
	"dewline/internal/report"
	"dewline/internal/timetext"
	"dewline/internal/watch"
)

// replayCommand runs recorded readings through the core.
type replayCommand struct {
	Config   string `required:"" placeholder:"FILE" help:"The configuration; it needs no sensors."`
	Readings string `placeholder:"FILE.csv" help:"Readings: CSV with the header time,point,value,unit and an optional column flag."`
	History  string `placeholder:"DB" help:"Instead, the history that a daemon has kept or is keeping, with the stages that were set in it."`
	From     string `placeholder:"T" help:"Begin of the range: RFC 3339, 2026-07-14 or \"2026-07-14 20:00\" at the site, or so long ago, as 7d."`
	To       string `placeholder:"T" help:"End of the range."`
	JSON     bool   `name:"json" help:"Print JSON."`
}

// Run replays and prints.
func (c *replayCommand) Run(ctx context.Context, s streams) error {
	if (c.Readings == "") == (c.History == "") {
		return usageError{errors.New("say what to replay: either --readings FILE.csv or --history DB")}
	}
	site, problems := config.LoadForReplay(c.Config)
	for _, p := range problems {
		fmt.Fprintln(s.err, p)
	}
	if problems.Err() != nil {
		return errNo
	}
	options := replay.Options{}
	var err error
	if options.From, options.To, err = rangeOf(c.From, c.To, site.Location); err != nil {
		return err
	}
	watched := site.WatchSite()
	var file *recorded.File
	if c.Readings != "" {
		file, err = readingsFile(c.Readings)
	} else {
		watched, file, err = fromHistory(ctx, c.History, watched, options.To)
	}
	if err != nil {
		return err
	}
	warnUnknownPlaces(site, file, s)
	if s.terminal {
		options.Progress = func(done, total int) {
			fmt.Fprintf(s.err, "\r%3d %% of %d readings", 100*done/total, total)
		}
	}
	result, err := replay.Run(watched, file, options)
	if s.terminal {
		fmt.Fprint(s.err, "\r\033[K")
	}
	if err != nil {
		return err
	}
	if c.JSON {
		encoder := json.NewEncoder(s.out)
		encoder.SetIndent("", "  ")
		return encoder.Encode(result)
	}
	return replay.Print(s.out, result, site.Display.Temperature, site.Location)
}

func readingsFile(path string) (*recorded.File, error) {
	source, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer source.Close()
	return recorded.Read(path, source)
}

// fromHistory takes the readings out of a history, up to what has a say in a range that ends at to, and the site with the stages
// that were set while they were made.
func fromHistory(ctx context.Context, path string, site watch.Site, to instant.Instant) (watch.Site, *recorded.File, error) {
	store, err := openHistory(path)
	if err != nil {
		return site, nil, err
	}
	defer store.Close(ctx)
	sets, err := report.Entries(ctx, store, history.Filter{Kinds: []journal.Kind{journal.StageSet}})
	if err != nil {
		return site, nil, err
	}
	if !to.IsNone() {
		to = to.Add(replay.Reach(site))
	}
	file, err := replay.FromHistory(ctx, store, instant.None, to)
	return replay.WithJournal(site, sets), file, err
}

// timeOf reads the time that a flag was given; None where it was not.
func timeOf(text, flag string, location *time.Location) (instant.Instant, error) {
	if text == "" {
		return instant.None, nil
	}
	at, err := timetext.Parse(text, location, time.Now())
	if err != nil {
		return instant.None, usageError{fmt.Errorf("%s: %w", flag, err)}
	}
	return at, nil
}

// warnUnknownPlaces tells of points whose place the configuration does not know: most likely a slip.
func warnUnknownPlaces(site *config.Site, file *recorded.File, s streams) {
	known := map[string]bool{}
	for _, place := range site.Places {
		known[place.ID] = true
	}
	warned := map[string]bool{}
	for _, p := range file.Points {
		if !known[p.Place] && !warned[p.Place] {
			warned[p.Place] = true
			fmt.Fprintf(s.err, "warning: the configuration has no place %q: its points are shown without a band\n", p.Place)
		}
	}
}

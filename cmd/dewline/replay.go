package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"time"

	"dewline/internal/config"
	"dewline/internal/instant"
	"dewline/internal/intake/recorded"
	"dewline/internal/replay"
)

// replayCommand runs recorded readings through the core.
type replayCommand struct {
	Config   string `required:"" placeholder:"FILE" help:"The configuration; it needs no sensors."`
	Readings string `required:"" placeholder:"FILE.csv" help:"Readings: CSV with the header time,point,value,unit and an optional column flag."`
	From     string `placeholder:"T" help:"Begin of the range (RFC 3339, or a date at the site)."`
	To       string `placeholder:"T" help:"End of the range."`
	JSON     bool   `name:"json" help:"Print JSON."`
}

// Run replays and prints.
func (c *replayCommand) Run(ctx context.Context, s streams) error {
	site, problems := config.LoadForReplay(c.Config)
	for _, p := range problems {
		fmt.Fprintln(s.err, p)
	}
	if problems.Err() != nil {
		return errNo
	}
	var err error
	options := replay.Options{}
	if options.From, err = rangeEnd(c.From, "--from", site.Location); err != nil {
		return err
	}
	if options.To, err = rangeEnd(c.To, "--to", site.Location); err != nil {
		return err
	}
	if c.From != "" && c.To != "" && options.To < options.From {
		return usageError{fmt.Errorf("--to %s lies before --from %s", c.To, c.From)}
	}
	source, err := os.Open(c.Readings)
	if err != nil {
		return err
	}
	defer source.Close()
	file, err := recorded.Read(c.Readings, source)
	if err != nil {
		return err
	}
	warnUnknownPlaces(site, file, s)
	if s.terminal {
		options.Progress = func(done, total int) {
			fmt.Fprintf(s.err, "\r%3d %% of %d readings", 100*done/total, total)
		}
	}
	result, err := replay.Run(site.WatchSite(), file, options)
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

// rangeEnd reads a time of the command line: RFC 3339, or a date, which begins at the site's midnight.
func rangeEnd(text, flag string, location *time.Location) (instant.Instant, error) {
	if text == "" {
		return instant.None, nil
	}
	if day, err := time.ParseInLocation("2006-01-02", text, location); err == nil {
		return instant.Of(day), nil
	}
	at, err := instant.Parse(text)
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

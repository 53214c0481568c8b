package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/watch"
	"dewline/internal/daemon"
	"dewline/internal/format/timetext"
	"dewline/internal/replay"
	"dewline/internal/report"
	"dewline/internal/source/recorded"
	"dewline/internal/store"
)

// replayCommand runs recorded readings through the core.
type replayCommand struct {
	Config   string            `required:"" placeholder:"FILE" help:"The configuration; it needs no sensors."`
	Readings string            `placeholder:"FILE.csv" help:"Readings: CSV with the header time,point,value,unit and an optional column flag."`
	History  string            `placeholder:"DB" help:"Instead, the history that a daemon has kept or is keeping, with the stages that were set in it."`
	From     string            `placeholder:"T" help:"Begin of the range: RFC 3339, 2026-07-14 or \"2026-07-14 20:00\" at the site, or so long ago, as 7d."`
	To       string            `placeholder:"T" help:"End of the range."`
	Gap      timetext.Duration `placeholder:"15m" help:"The longest time between two readings that are joined, for all points; what lies between others is unknown. A point has that of its sensor, or 60s."`
	Judge    bool              `help:"Judge rows without a flag by the quality tests, as the daemon would; without it they pass. Flags in the record stay. In a history, faults of sensors are found again. Part of --compare."`
	Compare  bool              `help:"Show beside each other what the configuration would have brought and what the one in force would have: alarms, messages, exposure. A range that is not given is the last seven days."`
	With     string            `placeholder:"FILE" help:"With --compare, the configuration in force; ${service_config} if not given."`
	JSON     bool              `name:"json" help:"Print JSON."`
}

// Run replays and prints.
func (c *replayCommand) Run(ctx context.Context, s streams) error {
	if (c.Readings == "") == (c.History == "") {
		return usageError{errors.New("say what to replay: either --readings FILE.csv or --history DB")}
	}
	site, err := s.usable(config.LoadForReplay(c.Config))
	if err != nil {
		return err
	}
	options := replay.Options{}
	if options.From, options.To, err = rangeOf(c.From, c.To, site.Location); err != nil {
		return err
	}
	options.Gap = time.Duration(c.Gap)
	if c.Compare {
		return c.compare(ctx, s, site, options)
	}
	if c.With != "" {
		return usageError{errors.New("--with belongs to --compare")}
	}
	watched := assemble.Site(site)
	var readings *recorded.Stream
	if c.Readings != "" {
		open := recorded.Open
		if c.Judge {
			open = recorded.OpenUnjudged
		}
		if readings, err = open(ctx, c.Readings); err == nil {
			err = knownPlaces(site, readings)
		}
	} else {
		db, err := openHistory(c.History)
		if err != nil {
			return err
		}
		defer db.Close(ctx)
		if watched, readings, err = fromHistory(ctx, db, watched, options.To); err != nil {
			return err
		}
		warnUnknownPlaces(site, readings, s)
	}
	if err != nil {
		return err
	}
	if readings.Close != nil {
		defer readings.Close()
	}
	if c.Judge {
		if options.Judge, err = judging(c.Config, site, readings, options.Gap); err != nil {
			return err
		}
	}
	if s.terminal {
		options.Progress = func(done, total int64) {
			fmt.Fprintf(s.err, "\r%3d %% of %d readings", 100*done/total, total)
		}
	}
	result, err := replay.Run(watched, readings, options)
	s.wipe()
	if err != nil {
		return err
	}
	printEach(s.err, "warning: ", result.Warnings)
	if c.JSON {
		return writeJSON(s.out, result)
	}
	return replay.Print(s.out, result, site.Display.Temperature, site.Location)
}

// judging returns the sources by which the daemon of a configuration would judge a record.
func judging(path string, site *config.Site, readings *recorded.Stream, gap time.Duration) (replay.Judging, error) {
	parts := daemon.Descriptions(daemon.Options{Config: path, Site: site})
	return assemble.RecordSources(site, parts, readings.Points, gap)
}

// fromHistory takes the readings out of a history, up to what has a say in a range that ends at to, and the site with the stages
// that were set while they were made.
func fromHistory(ctx context.Context, db *store.Store, site watch.Site, to instant.Instant) (watch.Site, *recorded.Stream, error) {
	sets, err := report.Entries(ctx, db, store.Filter{Kinds: replay.Kinds()})
	if err != nil {
		return site, nil, err
	}
	if !to.IsNone() {
		to = to.Add(replay.Reach(site))
	}
	readings, err := replay.FromHistory(ctx, db, nil, instant.None, to)
	return replay.WithJournal(site, sets), readings, err
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

// knownPlaces refuses a readings file with a place that the configuration does not know: most likely a slip, and its points would have
// no band.
func knownPlaces(site *config.Site, readings *recorded.Stream) error {
	var problems []error
	for i, p := range readings.Points {
		if err := knownPlace(site, p.Place); err != nil {
			problems = append(problems, fmt.Errorf("%s:%d: %w", readings.Name, readings.Lines[i], err))
		}
	}
	if problems == nil {
		return nil
	}
	return usageError{errors.Join(problems...)}
}

// knownPlace says that the configuration does not know a place, and which may have been meant.
func knownPlace(site *config.Site, id string) error {
	known := names(site.Places, func(place *config.Place) string { return place.ID })
	if slices.Contains(known, id) {
		return nil
	}
	return errors.New(config.UnknownWord("place", id, known))
}

// warnUnknownPlaces says which places of a history the configuration does not know any more.
func warnUnknownPlaces(site *config.Site, readings *recorded.Stream, s streams) {
	var unknown []string
	for _, p := range readings.Points {
		if knownPlace(site, p.Place) != nil && !slices.Contains(unknown, p.Place) {
			unknown = append(unknown, p.Place)
		}
	}
	if unknown != nil {
		fmt.Fprintf(s.err, "warning: the configuration has no place %s: the points there are shown without a band\n", strings.Join(unknown, ", "))
	}
}

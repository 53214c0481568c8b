package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/replay"
	"dewline/internal/report"
	"dewline/internal/source/recorded"
	"dewline/internal/store"
)

// comparedDays is the length of a comparison whose begin is not given.
const comparedDays = 7

// compare runs the readings through the configuration in force and through the one that is tried.
func (c *replayCommand) compare(ctx context.Context, s streams, tried *config.Site, options replay.Options) error {
	path := cmp.Or(c.With, serviceConfig)
	if _, err := os.Stat(path); c.With == "" && errors.Is(err, fs.ErrNotExist) {
		return usageError{fmt.Errorf("there is no configuration in force at %s: say with --with FILE what to compare with", path)}
	}
	inForce, err := s.usable(config.LoadForReplay(path))
	if err != nil {
		return err
	}
	record, readings, end, err := c.comparedReadings(ctx, tried, &options)
	if end != nil {
		defer end()
	}
	if err != nil {
		return err
	}
	side := func(path string, site *config.Site) (made replay.Side, err error) {
		made = replay.Side{Name: path, Site: replay.WithJournal(assemble.Site(site), record), Rules: assemble.Rules(site)}
		made.Judge, err = judging(path, site, readings, options.Gap)
		return made, err
	}
	before, err := side(path, inForce)
	if err != nil {
		return err
	}
	after, err := side(c.Config, tried)
	if err != nil {
		return err
	}
	if s.terminal {
		options.Progress = func(done, total int64) {
			fmt.Fprintf(s.err, "\r%3d %% compared; Ctrl-C ends it", 100*done/max(1, total))
		}
	}
	result, err := replay.Compare(readings, before, after, options)
	s.wipe()
	if errors.Is(err, context.Canceled) {
		return errors.New("the comparison was ended before it was done; nothing was changed")
	}
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(s.out, result)
	}
	return replay.PrintComparison(s.out, result, tried.Display.Temperature, tried.Location)
}

// comparedReadings opens the record, and sets the range where it is not given. The entries are the animals' record of a history. The
// function that is returned, if any, closes it.
func (c *replayCommand) comparedReadings(ctx context.Context, site *config.Site, options *replay.Options) (
	record []*journal.Entry, readings *recorded.Stream, end func(), err error,
) {
	lastDays := func() instant.Instant { return report.DaysBefore(options.To, site.Location, comparedDays) }
	if c.Readings != "" {
		if readings, err = recorded.OpenUnjudged(ctx, c.Readings); err != nil {
			return nil, nil, nil, err
		}
		if readings.Close != nil {
			end = func() { _ = readings.Close() }
		}
		if c.To == "" {
			options.To = readings.Last
		}
		if c.From == "" && !readings.First.IsNone() {
			options.From = max(readings.First, lastDays())
		}
		return nil, readings, end, knownPlaces(site, readings)
	}
	db, err := openHistory(c.History)
	if err != nil {
		return nil, nil, nil, err
	}
	end = func() { _ = db.Close(ctx) }
	if record, err = report.Entries(ctx, db, store.Filter{Kinds: replay.Kinds()}); err != nil {
		return nil, nil, end, err
	}
	if c.To == "" {
		if options.To, err = report.Newest(ctx, db); err != nil {
			return nil, nil, end, err
		}
	}
	if c.From == "" {
		options.From = lastDays()
	}
	reach := options.To.Add(replay.Reach(assemble.Site(site)))
	readings, err = replay.LongHistory(ctx, db, options.From.Add(-replay.Lead), reach)
	if err == nil && c.From == "" {
		options.From = max(options.From, readings.First)
	}
	return record, readings, end, err
}

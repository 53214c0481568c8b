package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"dewline/internal/assemble"
	"dewline/internal/config"
)

// checkCommand prints every problem of a configuration in one run.
type checkCommand struct {
	Config string `required:"" placeholder:"FILE" help:"The configuration."`
}

// Run prints the problems, one a line as file:line:column: message, and sums up what would be watched.
func (c *checkCommand) Run(ctx context.Context, s streams) error {
	if err := exists(c.Config); err != nil {
		fmt.Fprintln(s.out, err)
		return errNo
	}
	site, problems := config.Load(c.Config)
	if problems.Err() != nil {
		fmt.Fprintln(s.out, problems)
		return errNo
	}
	overview := assemble.Overview(site, time.Now(), nil, nil)
	due, calibrated := calibrations(ctx, s, site, time.Now())
	printEach(s.out, "", append(append(problems, overview.Unwatched...), due...).Sorted(c.Config))
	good, _ := overview.Lines()
	printEach(s.err, "", append(good, calibrated...))
	return nil
}

// exists returns an error, which says how to get one, where there is no configuration.
func exists(path string) error {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s: there is no configuration yet: dewline init --config %s writes one", path, path)
	}
	return nil
}

// loadSite loads a configuration for a command that needs it.
func loadSite(path string, s streams) (*config.Site, error) {
	if err := exists(path); err != nil {
		return nil, err
	}
	return s.usable(config.Load(path))
}

// usable prints the problems of a configuration, and refuses one that has errors.
func (s streams) usable(site *config.Site, problems config.Problems) (*config.Site, error) {
	printEach(s.err, "", problems)
	if problems.Err() != nil {
		return nil, errNo
	}
	return site, nil
}

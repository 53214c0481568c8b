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
	site, problems := config.Load(c.Config)
	if problems.Err() != nil {
		fmt.Fprintln(s.out, problems)
		return errNo
	}
	overview := assemble.Overview(site, time.Now(), nil, nil)
	due, calibrated := calibrations(ctx, s, site, time.Now())
	for _, p := range append(append(problems, overview.Unwatched...), due...).Sorted(c.Config) {
		fmt.Fprintln(s.out, p)
	}
	good, _ := overview.Lines()
	for _, line := range good {
		fmt.Fprintln(s.err, line)
	}
	for _, line := range calibrated {
		fmt.Fprintln(s.err, line)
	}
	return nil
}

// loadSite loads a configuration for a command that needs it. If that is not possible, it prints the problems to stderr.
func loadSite(path string, s streams) (*config.Site, error) {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: there is no configuration yet: dewline init --config %s writes one", path, path)
	}
	site, problems := config.Load(path)
	for _, p := range problems {
		fmt.Fprintln(s.err, p)
	}
	if err := problems.Err(); err != nil {
		return nil, errNo
	}
	return site, nil
}

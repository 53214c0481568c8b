package main

import (
	"fmt"

	"dewline/internal/config"
)

// checkCommand tells every problem of a configuration in one go.
type checkCommand struct {
	Config string `required:"" placeholder:"FILE" help:"The configuration."`
}

// Run prints the problems, one a line as file:line:column: message.
func (c *checkCommand) Run(s streams) error {
	site, problems := config.Load(c.Config)
	for _, p := range problems {
		fmt.Fprintln(s.out, p)
	}
	if problems.Err() != nil {
		return errNo
	}
	sensors, points := len(site.Sensors), len(site.WatchSite().Points)
	fmt.Fprintf(s.err, "%s: %d places, %d sensors, %d points", site.ID, len(site.Places), sensors, points)
	if n := len(problems); n > 0 {
		fmt.Fprintf(s.err, ", %d to look at", n)
	}
	fmt.Fprintln(s.err)
	return nil
}

// loadSite loads a configuration for a command that needs it, and tells its problems where that is not possible.
func loadSite(path string, s streams) (*config.Site, error) {
	site, problems := config.Load(path)
	for _, p := range problems {
		fmt.Fprintln(s.err, p)
	}
	if err := problems.Err(); err != nil {
		return nil, errNo
	}
	return site, nil
}

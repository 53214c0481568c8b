package main

import (
	"fmt"
	"runtime"

	"dewline/internal/licences"
	"dewline/internal/server/metrics"
)

// version is the release; the build may set it.
var version = "0.1.0"

// versionCommand prints the version, the commit and the build settings.
type versionCommand struct {
	Licences bool `help:"Print the licences of the software that the program contains."`
}

// Run prints version, revision and platform, or the licences.
func (c versionCommand) Run(s streams) error {
	if c.Licences {
		return licences.Write(s.out)
	}
	_, err := fmt.Fprintf(s.out, "dewline %s (revision %s, %s, %s/%s)\n",
		version, metrics.Revision(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return err
}

package main

import (
	"fmt"
	"runtime"

	"dewline/internal/server/metrics"
)

// version is the release; the build may set it.
var version = "0.1.0"

// versionCommand prints the version, the commit and the build settings.
type versionCommand struct{}

// Run prints version, revision and platform.
func (versionCommand) Run(s streams) error {
	_, err := fmt.Fprintf(s.out, "dewline %s (revision %s, %s, %s/%s)\n",
		version, metrics.Revision(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return err
}

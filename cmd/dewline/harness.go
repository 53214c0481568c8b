//go:build harness

package main

import (
	"path/filepath"

	"dewline/internal/daemon"
	"dewline/internal/test/clockfile"
)

// harnessFlags are the flags by which tests put the daemon into a kernel tree and a time of their own. They exist only in builds with
// the tag harness: a keeper's program has no clock but that of the machine.
type harnessFlags struct {
	Root  string `default:"/" hidden:"" help:"Where sys and dev are."`
	Clock string `placeholder:"FILE" hidden:"" help:"The file that governs the clock."`
}

// apply puts the flags into the options of the daemon. The error is that of the clock's file.
func (h *harnessFlags) apply(o *daemon.Options) error {
	o.Root, o.Sys = h.Root, filepath.Join(h.Root, "sys")
	if h.Clock == "" {
		return nil
	}
	clock, err := clockfile.Open(h.Clock)
	if err != nil {
		return err
	}
	o.Clock = clock
	return nil
}
